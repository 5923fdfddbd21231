"""The command over every radio."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from drivers.units import counted
from logger.cli_show import JsonOption, benchbook_of, say, say_json

if TYPE_CHECKING:
    from logger.archive import Entry


def archive(
    engine: Annotated[str, typer.Option(metavar="ADDRESS", help="Address of a running dask.distributed cluster.")] = "",
    csv: Annotated[Path | None, typer.Option("--csv", metavar="FILE", help="Write the lines as CSV too.")] = None,
    sort: Annotated[str, typer.Option(metavar="ORDER", help="level, radio, name, last or due.")] = "level",
    level: Annotated[str, typer.Option(metavar="LEVEL", help="Only radios of this level.")] = "",
    open_: Annotated[bool, typer.Option("--open", help="Open the index in a browser.")] = False,
    benchbook: Annotated[
        list[str] | None,
        typer.Option("--benchbook", metavar="DIR", help="Folder that holds all radios; repeat for more workshops."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Every radio in one line: worst level, what is missing, last sitting, next calibration due.

    Writes BENCHBOOK/index.html. With --engine the same is done on a cluster, for benchbooks on any file system that
    fsspec opens.

    Example: chassislog archive --sort due --csv radios.csv
    """
    from analysis.finding import ORDER
    from logger.archive import SORTS, ArchiveError, ArchiveFileError, archive_on, arranged, to_csv
    from logger.archive import archive as archive_here
    from logger.session import write_whole

    if sort not in SORTS:
        raise ArchiveError(f"{sort!r} is no order.", remedy=f"Write one of {', '.join(SORTS)}.")
    if level and level not in [str(each) for each in ORDER]:
        raise ArchiveError(f"{level!r} is no level.", remedy=f"Write one of {', '.join(ORDER)}.")
    books = benchbook or [str(benchbook_of("").folder)]
    with _progress() as progress:
        if engine:
            found = archive_on(engine, books, progress)
        else:
            found = archive_here([Path(book) for book in books], progress)
    page = _write_index(books, found)
    shown = arranged(found, sort, level)
    if csv is not None:
        try:
            write_whole(csv, to_csv(shown))
        except OSError as exc:
            raise ArchiveFileError(f"The CSV cannot be written: {exc.strerror or exc}.", f"{csv}.") from exc
    if as_json:
        say_json({"index": str(page) if page else None, "radios": [entry.to_json() for entry in shown]})
    else:
        _print(shown)
        if page:
            say()
            say(f"Index: {page}")
    if open_ and page:
        import webbrowser

        webbrowser.open(page.resolve().as_uri())


def _write_index(books: list[str], found: list[Entry]) -> Path | None:
    """The index of each benchbook that is a folder here; the first one's page. Raises: ArchiveFileError."""
    from logger.archive import ArchiveFileError, arranged, index_page
    from logger.session import write_whole

    first = None
    for book in books:
        folder = Path(book)
        if not folder.is_dir():
            continue
        mine = arranged([entry for entry in found if entry.benchbook == book])
        try:
            write_whole(folder / "index.html", index_page(folder, mine))
        except OSError as exc:
            raise ArchiveFileError(f"The index cannot be written: {exc.strerror or exc}.", f"{folder}.") from exc
        first = first or folder / "index.html"
    return first


def _print(entries: list[Entry]) -> None:
    if not entries:
        say("No radio yet. Add one with 'chassislog radio add'.")
    for entry in entries:
        s = entry.summary
        measured = "" if s.fully_measured else "not fully measured"
        due = f"calibration due {s.calibration_due}" if s.calibration_due else ""
        lacking = s.problem or (f"{len(s.missing)} missing: {s.missing[0]}" if s.missing else "")
        simulated = "SIMULATED, says nothing of any radio" if s.simulated else ""
        words = [simulated, s.last_sitting[:10] or "no sitting", counted(s.sessions, "session"), measured, due, lacking]
        say(f"{s.radio:20} {' · '.join(word for word in words if word)}", level=s.level)


@contextmanager
def _progress() -> Iterator[Callable[[int, int], None]]:
    """A bar on standard error, where that is a terminal and the work is long enough to wait for."""
    if not sys.stderr.isatty():
        yield lambda _done, _all: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("Radios", total=None)
        yield lambda done, every: bar.update(task, completed=done, total=every)
