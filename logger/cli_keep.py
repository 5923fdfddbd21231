"""Commands that look after what was recorded: whole or not, mended, decoded again, packed, told of in a bug report."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from drivers.units import counted
from logger.cli_show import BenchbookOption, JsonOption, benchbook_of, say, say_json, tell

SessionArgument = Annotated[str, typer.Argument(metavar="SESSION", help="A session's folder, or its name.")]


def add_to(app: typer.Typer) -> None:
    """Add the commands."""
    from logger.cli_archive import archive

    for command, short in (
        (check, "Verify a session: counts, hashes, and rows against bytes."),
        (mend, "Recover an interrupted session into a whole copy."),
        (redecode, "Decode a session's bytes again, into a new session."),
        (pack, "Put a radio or a session into one zip."),
        (unpack, "Put a packed radio or session back into the benchbook."),
        (archive, "Every radio in one line, and an index page."),
        (about, "Versions, platform and folders, for a bug report."),
    ):
        app.command(command.__name__, short_help=short)(command)


def _session(named: str, benchbook: str, what: str = "session") -> Path:
    """A session by its folder, or by its name in the benchbook. Raises: KeepError: there is none; `what` is not."""
    from logger.keeping import KeepError

    folder = Path(named)
    if folder.is_dir():
        return folder
    book = benchbook_of(benchbook)
    if folder.name == named:
        found = [book.folder / radio / named for radio in book.ids() if (book.folder / radio / named).is_dir()]
        if len(found) == 1:
            return found[0]
    raise KeepError(f"There is no {what} {named!r}.", f"Benchbook {book.folder}.", "Name its folder.")


def check(session: SessionArgument, benchbook: BenchbookOption = "", as_json: JsonOption = False) -> None:
    """Verify a session: counts, hashes, columns, times, and its rows against its bytes decoded again.

    Example: chassislog check 20260131T142501Z-log
    """
    from logger.keeping import check_session

    report = check_session(_session(session, benchbook))
    if as_json:
        say_json(report.to_json())
    else:
        count = counted(report.rows, "reading")
        say(f"{report.session.name}: {report.state}, {count}: {'WHOLE' if report.ok else 'NOT WHOLE'}")
        for file in report.files:
            sizes = f"{counted(file.rows, 'row'):>14} {counted(file.bytes, 'byte'):>18}"
            say(f"  {file.path:14} {sizes}  sha256 {file.sha256}")
        for role, rows in report.compared.items():
            agree = "row agrees" if rows == 1 else "rows agree"
            say(f"  meter '{role}': {rows} {agree} with the bytes decoded again")
        for text in report.problems:
            say(f"  PROBLEM {text}")
        for text in report.remarks:
            say(f"  note: {text}")
    if not report.ok:
        raise typer.Exit(1)


def mend(session: SessionArgument, benchbook: BenchbookOption = "", as_json: JsonOption = False) -> None:
    """Recover an interrupted or torn session into a whole copy beside it; the original stays as it is.

    Example: chassislog mend 20260131T142501Z-log
    """
    from logger.mending import mend as mend_session

    made = mend_session(_session(session, benchbook))
    if as_json:
        say_json(made.to_json())
    elif made.whole:
        say(f"{made.folder.name} is whole: there is nothing to mend.")
    else:
        say(f"{counted(made.rows, 'reading')} in {made.folder}")
        say(f"Lost: {'; '.join(made.lost) or 'nothing'}.")
    for text in made.remarks:
        tell(f"note: {text}")


def redecode(
    session: SessionArgument,
    meter: Annotated[list[str] | None, typer.Option(metavar="ROLE=PROFILE", help="A meter; repeat for more.")] = None,
    benchbook: BenchbookOption = "",
    as_json: JsonOption = False,
) -> None:
    """Decode a session's bytes again through a corrected profile, into a new session beside it.

    Tags, events and takes are carried over by time; the new session is judged in place of the old one.

    Example: chassislog redecode 20260131T142501Z-log --meter v=my-meter.toml
    """
    from drivers.profile import load
    from logger.benchmeter import MeterSpecError
    from logger.redecoding import redecode as decode_again

    profiles = {}
    for text in meter or []:
        role, equals, name = text.partition("=")
        if not equals or not role or not name:
            raise MeterSpecError(f"{text!r} names no meter.", remedy="Write ROLE=PROFILE, such as v=my-meter.toml.")
        profiles[role] = load(name)
    if not profiles:
        raise MeterSpecError("No meter was named.", remedy="Add --meter ROLE=PROFILE.")
    made = decode_again(_session(session, benchbook), profiles)
    if as_json:
        say_json(made.to_json())
    else:
        say(f"{counted(made.rows, 'reading')} in {made.folder}")
        for role, count in made.by_meter.items():
            say(f"  meter '{role}': {counted(count, 'reading')}, {made.before[role]} before")
    for text in made.remarks:
        tell(f"note: {text}")


def pack(
    source: Annotated[str, typer.Argument(metavar="RADIO-or-SESSION", help="A radio's id, or a session's folder.")],
    file: Annotated[Path, typer.Argument(metavar="FILE.zip", help="The zip to write.")],
    benchbook: BenchbookOption = "",
    as_json: JsonOption = False,
) -> None:
    """Put a radio or a session into one zip, itself a Data Package; the same data give the same bytes.

    Example: chassislog pack set-1 set-1.zip
    """
    from logger.packing import pack as pack_folder

    book = benchbook_of(benchbook)
    folder = book.radio_folder(source) if source in book.ids() else _session(source, benchbook, "radio and no session")
    made = pack_folder(folder, file)
    if as_json:
        say_json(made.to_json())
    else:
        files = counted(made.files, "file")
        say(f"{made.kind} of {files} in {made.path}, {made.bytes} bytes, sha256 {made.sha256}")
    if made.left_out:
        tell(f"Left out: {', '.join(made.left_out)}.")


def unpack(
    file: Annotated[Path, typer.Argument(metavar="FILE.zip", help="A zip made by 'pack'.")],
    benchbook: BenchbookOption = "",
    as_json: JsonOption = False,
) -> None:
    """Put a packed radio or session back into the benchbook; nothing there is written over.

    A zip that would unpack to more than 4 GB or 20,000 files is refused.

    Example: chassislog unpack set-1.zip
    """
    from logger.unpacking import unpack as unpack_file

    made = unpack_file(file, benchbook_of(benchbook).folder)
    if as_json:
        say_json(made.to_json())
        return
    added = f"{counted(len(made.added), 'session')} added"
    say(f"Radio {made.radio}: {added}{', with its card' if made.card_added else ''}.")
    if made.present:
        say(f"There already, and the same: {', '.join(made.present)}.")


def about(benchbook: BenchbookOption = "", as_json: JsonOption = False) -> None:
    """Versions, platform and folders: what a bug report needs. Nothing goes over a network.

    Example: chassislog about --json
    """
    from logger.about import facts

    found = facts(benchbook_of(benchbook).folder)
    if as_json:
        say_json(found)
        return
    for key, value in found.items():
        if isinstance(value, dict):
            say(f"{key}:")
            for name, text in value.items():
                say(f"  {name:16} {text}")
        else:
            say(f"{key:18} {value}")
