"""Commands that judge and write up."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli_show import BenchbookOption, JsonOption, benchbook_of, level_word, say_json, tell

if TYPE_CHECKING:
    from analysis.assessment import Assessment
    from analysis.table import Radio


def add_to(app: typer.Typer) -> None:
    """Add the commands."""
    app.command("assess")(assess)
    app.command("report")(report)


def loaded(named: str, benchbook: str) -> Radio:
    """A radio by its id, or one session by its folder, as tables. Raises: BenchbookError, TableError, CardError."""
    from analysis.table import is_session, load_radio

    path = Path(named)
    if is_session(path):
        return load_radio(path.resolve().parent, [path.resolve()])
    if (path / "radio.toml").is_file() and len(path.parts) > 1:
        return load_radio(path)
    return load_radio(benchbook_of(benchbook).radio_folder(named))


def assess(
    named: Annotated[str, typer.Argument(metavar="RADIO-or-SESSION", help="Id of a radio, or a session's folder.")],
    benchbook: BenchbookOption = "",
    as_json: JsonOption = False,
) -> None:
    """Judge what was measured: every finding that the evidence supports, and what is missing.

    Example: chassislog assess set-1
    """
    from analysis.assess import assess as judge
    from analysis.finding import Level
    from logger.cli import CAUTION

    result = judge(loaded(named, benchbook))
    if as_json:
        say_json(result.to_json())
    else:
        _print_assessment(result)
        print(CAUTION)
    if result.level is Level.DANGER:
        raise typer.Exit(1)


def _print_assessment(result: Assessment) -> None:
    measured = "every state measured" if result.fully_measured else "NOT FULLY MEASURED"
    print(f"{result.radio}, stage {result.stage or '-'}: {result.level.upper()} ({measured})\n")
    for finding in result.findings:
        print(f"{level_word(finding.level)} {finding.id}\n    {finding.statement}")
        if finding.limit_source:
            print(
                f"    Source: {finding.limit_source}{' (changed by the user)' if finding.limit_changed_by_user else ''}"
            )
        if finding.advice:
            print(f"    {finding.advice}")
        print()
    if result.missing:
        print("Missing, or could be added:")
        for text in result.missing:
            print(f"  - {text}")
        print()


def report(
    radio: Annotated[str, typer.Argument(metavar="RADIO", help="Id of the radio.")],
    since: Annotated[str, typer.Option(metavar="DATE", help="Only sessions from this date on, as 2026-01-31.")] = "",
    pdf: Annotated[bool, typer.Option("--pdf", help="A PDF too.")] = False,
    card: Annotated[bool, typer.Option("--card", help="The card that stays with the radio, too.")] = False,
    paper: Annotated[str, typer.Option(help="a4 or letter.")] = "a4",
    open_: Annotated[bool, typer.Option("--open", help="Open it in the browser.")] = False,
    benchbook: BenchbookOption = "",
    as_json: JsonOption = False,
) -> None:
    """Write the record of one radio into its report folder: HTML always, PDF on demand.

    Example: chassislog report set-1 --pdf --card
    """
    from logger.reporting import write_report

    book = benchbook_of(benchbook)
    files = write_report(book.radio_folder(radio), since=since, pdf=pdf, card=card, paper=paper)
    if as_json:
        say_json({"files": [str(path) for path in files]})
    else:
        for path in files:
            print(path)
    if open_:
        import webbrowser

        if not webbrowser.open(files[0].resolve().as_uri()):
            tell("No browser could be opened.")
