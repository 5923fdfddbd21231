"""Every radio of one benchbook or many, one line each: on the machine's cores, or on a cluster."""

from __future__ import annotations

import io
import os
import re
import tempfile
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any
from urllib.parse import quote

from analysis.card import ID
from analysis.summary import Summary, from_json
from drivers.reading import BenchError
from logger.cells import cell
from logger.summarising import fresh, summary_of, unchanged

#: Below so many radios, starting processes costs more than it saves.
_WORTH_IT = 8
_FILES = ("datapackage.json", "readings.csv", "events.csv")
CSV_COLUMNS = ("benchbook", "radio", "name", "level", "fully_measured", "stage", "sessions", "last_sitting",
               "calibration_due", "calibration_meter", "missing", "problem")  # fmt: skip
SORTS = ("level", "radio", "name", "last", "due")
#: Told of progress: how many are done, of how many.
Progress = Callable[[int, int], None]


class ArchiveError(BenchError):
    """An archive that cannot be made."""


class ArchiveFileError(ArchiveError):
    """A cluster or a file that failed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One radio of one benchbook."""

    benchbook: str
    place: str  #: its folder's or zip's name in the benchbook
    summary: Summary

    def to_json(self) -> dict[str, Any]:
        """For `archive --json`."""
        return {"benchbook": self.benchbook, "place": self.place, **self.summary.to_json()}


def places(benchbook: Path) -> list[Path]:
    """The radios' folders of a benchbook, and its zips of radios that have no folder there. Raises: ArchiveError."""
    try:
        found = list(benchbook.iterdir())
    except OSError as exc:
        raise ArchiveError(f"The benchbook cannot be read: {exc.strerror or exc}.", f"{benchbook}.") from exc
    folders = {path.name: path for path in found if ID.fullmatch(path.name) and (path / "radio.toml").is_file()}
    zips = [p for p in found if p.suffix == ".zip" and p.name[0] != "." and p.is_file() and p.stem not in folders]
    return sorted([*folders.values(), *zips])


def archive(benchbooks: Sequence[Path], progress: Progress = lambda _done, _all: None) -> list[Entry]:
    """Every radio, on this machine's cores. Raises: ArchiveError."""
    every = [(book, place) for book in benchbooks for place in places(book)]
    found = {place: unchanged(place) for _, place in every}
    wanted = [place for place, summary in found.items() if summary is None]
    done = len(found) - len(wanted)
    progress(done, len(found))
    for place, summary in _computed(wanted):
        found[place] = summary
        done += 1
        progress(done, len(found))
    return [Entry(benchbook=str(book), place=place.name, summary=found[place] or summary_of(place))
            for book, place in every]  # fmt: skip


def _computed(wanted: Sequence[Path]) -> Iterable[tuple[Path, Summary]]:
    cores = min(os.cpu_count() or 1, len(wanted))
    if cores < 2 or len(wanted) < _WORTH_IT:
        yield from ((place, summary_of(place)) for place in wanted)
        return
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor

    # Spawned, as everywhere: a fork of a process with threads can hang.
    with ProcessPoolExecutor(cores, multiprocessing.get_context("spawn"), initializer=_prepare) as pool:
        yield from zip(wanted, pool.map(summary_of, wanted, chunksize=max(1, len(wanted) // (cores * 8))), strict=True)


def _prepare() -> None:
    """A worker's start: what was imported is never garbage, and looking through it again and again costs a tenth."""
    import gc

    import analysis.assess
    import analysis.table  # noqa: F401 - imported for what comes next

    gc.freeze()


# -- many workshops


def archive_on(address: str, benchbooks: Sequence[str], progress: Progress = lambda _done, _all: None) -> list[Entry]:
    """Every radio, on a cluster that is running at that address; benchbooks are any paths that fsspec opens.

    Raises: ArchiveError: no cluster there, or its package is not installed, or a benchbook cannot be read.
    """
    try:
        from distributed import Client, as_completed
    except ImportError as exc:
        raise ArchiveError(
            "A cluster needs a package that is not installed.", remedy="Run: pip install 'chassislog[cluster]'."
        ) from exc
    if not re.fullmatch(r"([a-z][a-z0-9+]*://)?\S+:\d+/?", address):
        raise ArchiveError(f"{address!r} is no address of a cluster.", remedy="Write tcp://HOST:PORT of its scheduler.")
    every = [(book, place) for book in benchbooks for place in _remote_places(book)]
    client = Client.__new__(Client)
    try:
        Client.__init__(client, address, timeout="10s", set_as_default=False)
    except (OSError, TimeoutError, ValueError) as exc:
        client.status = "closed"  # or it waits, when it is thrown away, for what it never had, and prints a traceback
        raise ArchiveFileError(
            f"No cluster answers at {address}.", remedy="Check the address of its scheduler."
        ) from exc
    with client:
        futures = client.map(_remote_summary, [b for b, _ in every], [p for _, p in every], pure=False)
        for done, _ in enumerate(as_completed(futures, loop=client.loop), 1):
            progress(done, len(futures))
        try:
            results = client.gather(futures)
        except Exception as exc:
            raise ArchiveFileError(f"The cluster failed: {' '.join(str(exc).split())}.", f"{address}.") from exc
    return [Entry(benchbook=book, place=place, summary=from_json(found))
            for (book, place), found in zip(every, results, strict=True)]  # fmt: skip


def _remote_places(benchbook: str) -> list[str]:
    import fsspec

    try:
        system, root = fsspec.core.url_to_fs(benchbook)
        names = {PurePosixPath(path).name: path for path in system.ls(root, detail=False)}
        folders = {name for name in names if ID.fullmatch(name) and system.isfile(f"{root}/{name}/radio.toml")}
    except (OSError, ValueError, ImportError) as exc:
        raise ArchiveError(f"The benchbook cannot be read: {exc}.", f"{benchbook}.") from exc
    zips = [n for n in names if n.endswith(".zip") and n[0] != "." and n.removesuffix(".zip") not in folders]
    return sorted([*folders, *zips])


def _remote_summary(benchbook: str, place: str) -> dict[str, Any]:
    """One radio, wherever its files are; runs on a worker."""
    import fsspec

    system, root = fsspec.core.url_to_fs(benchbook)
    if system.protocol == "file" or "file" in system.protocol:
        return fresh(Path(root) / place).to_json()
    with tempfile.TemporaryDirectory(prefix="chassislog-") as scratch:
        here = Path(scratch)
        try:
            if place.endswith(".zip"):
                system.get_file(f"{root}/{place}", str(here / place))
            else:
                _fetch(system, f"{root}/{place}", here / place)
                if system.isfile(f"{root}/burdens.toml"):
                    system.get_file(f"{root}/burdens.toml", str(here / "burdens.toml"))
        except OSError as exc:
            return Summary(radio=place.removesuffix(".zip"), problem=f"cannot be read: {exc}").to_json()
        return fresh(here / place).to_json()


def _fetch(system: Any, source: str, target: Path) -> None:  # Any: fsspec's file systems carry no types
    target.mkdir()
    system.get_file(f"{source}/radio.toml", str(target / "radio.toml"))
    for entry in system.ls(source, detail=True):
        name = PurePosixPath(entry["name"]).name
        if entry["type"] != "directory" or name.startswith("."):
            continue
        (target / name).mkdir()
        for file in _FILES:
            if system.isfile(f"{source}/{name}/{file}"):
                system.get_file(f"{source}/{name}/{file}", str(target / name / file))


# -- shown


def arranged(entries: Iterable[Entry], sort: str = "level", level: str = "") -> list[Entry]:
    """Sorted, and of one level only where one is named."""
    keys: dict[str, Callable[[Entry], Any]] = {
        "level": lambda e: (e.summary.rank, e.summary.fully_measured),
        "radio": lambda e: e.summary.radio,
        "name": lambda e: e.summary.name.casefold(),
        "last": lambda e: e.summary.last_sitting,
        "due": lambda e: e.summary.calibration_due or "9999",
    }
    kept = [entry for entry in entries if not level or entry.summary.level == level]
    return sorted(kept, key=lambda e: (keys[sort](e), e.benchbook, e.summary.radio, e.place))


def to_csv(entries: Iterable[Entry]) -> str:
    """As CSV; a text cell that a spreadsheet would run gets one ' in front."""
    out = io.StringIO()
    print(",".join(CSV_COLUMNS), file=out, end="\r\n")
    for entry in entries:
        s = entry.summary
        cells = (entry.benchbook, s.radio, s.name, s.level, "yes" if s.fully_measured else "no", s.stage)
        rest = (s.last_sitting, s.calibration_due, s.calibration_meter, "; ".join(s.missing), s.problem)
        out.write(",".join([*map(cell, cells), str(s.sessions), *map(cell, rest)]) + "\r\n")
    return out.getvalue()


def index_page(benchbook: Path, entries: Iterable[Entry]) -> str:
    """The benchbook's index as HTML."""
    from analysis.report.index import Line, render_index

    lines = []
    for entry in entries:
        place = benchbook / entry.place
        report = f"{entry.place}/report/report.html" if (place / "report" / "report.html").is_file() else ""
        folder = quote(entry.place) + ("/" if place.is_dir() else "")
        lines.append(Line(summary=entry.summary, report=quote(report), place=folder))
    return render_index(benchbook.resolve().name, lines)
