"""Commands that judge and write up."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from drivers.reading import BenchError
from drivers.units import parse, show
from logger.cli_show import BenchbookOption, JsonOption, benchbook_of, say, say_json, tell

if TYPE_CHECKING:
    from analysis.assessment import Assessment
    from analysis.supply import SupplyFigures
    from analysis.table import Radio


class JudgeCallError(BenchError):
    """A command that judges was called with something that it cannot judge by."""


def add_to(app: typer.Typer) -> None:
    """Add the commands."""
    app.command("assess", short_help="Judge what was measured, and say what is missing.")(assess)
    app.command("supply", short_help="Size the auxiliary transformer from current and volts.")(supply)
    app.command("compare", short_help="Compare two arrangements that were read in alternation.")(compare)
    app.command("report", short_help="Write the record of one radio: HTML, and PDF on demand.")(report)


def loaded(named: str, benchbook: str) -> Radio:
    """A radio by its id, or one session by its folder, as tables. Raises: BenchbookError, TableError, CardError."""
    from analysis.readings import TableError
    from analysis.table import is_session, load_radio

    path = Path(named)
    if is_session(path):
        return load_radio(path.resolve().parent, [path.resolve()], times=False)
    if (path / "radio.toml").is_file() and len(path.parts) > 1:
        return load_radio(path, times=False)
    gone = [name for name in ("readings.csv", "datapackage.json") if not (path / name).is_file()]
    if path.is_dir() and len(path.parts) > 1 and (len(gone) == 1 or (path / "wire.csv").is_file()):
        raise TableError(
            f"This session cannot be judged: {' and '.join(gone)} is gone.", f"{path}.",
            "See what 'chassislog check' and 'chassislog mend' make of it.",
        )  # fmt: skip
    return load_radio(benchbook_of(benchbook).radio_folder(named), times=False)


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
    from analysis.report.simulated import BAND, only_simulated
    from logger.cli import CAUTION

    radio = loaded(named, benchbook)
    result = judge(radio)
    if as_json:
        say_json(result.to_json())
    else:
        _print_assessment(result, BAND if only_simulated(radio) else "")
        say(CAUTION)
    if result.level is Level.DANGER:
        raise typer.Exit(1)


def _print_assessment(result: Assessment, band: str) -> None:
    """`band`: what has to stand before the level."""
    measured = "every state measured" if result.fully_measured else "NOT FULLY MEASURED"
    if not result.sessions:
        measured = "NOTHING MEASURED"
    stage = f", stage {result.stage}" if result.stage else ""
    say(f"{f'{band} ' if band else ''}{result.radio}{stage}: {result.level.upper()} ({measured})")
    say()
    for finding in result.findings:
        say(finding.id, level=finding.level)
        say(finding.statement, before="    ")
        if finding.limit_source:
            say(
                f"    Source: {finding.limit_source}{' (changed by the user)' if finding.limit_changed_by_user else ''}"
            )
        if finding.advice:
            say(f"    {finding.advice}")
        say()
    if result.missing:
        say("Missing, or could be added:")
        for text in result.missing:
            say(f"  - {text}")
        say()


def supply(
    named: Annotated[str, typer.Argument(metavar="RADIO-or-SESSION", help="Id of a radio, or a session's folder.")],
    margin: Annotated[
        float, typer.Option(metavar="FACTOR", help="Factor kept between the largest load and the rating.")
    ] = 1.5,
    benchbook: BenchbookOption = "",
    as_json: JsonOption = False,
) -> None:
    """Size the auxiliary transformer from the current and volts that were measured at point secondary.

    Example: chassislog supply set-1 --margin 1.5
    """
    from analysis.supply_evidence import supply_evidence
    from logger.cli import CAUTION

    if not 1 <= margin < 100:  # a margin that is no number fails this too
        raise JudgeCallError(f"--margin {margin} is no margin.", remedy="Write a factor of one or more, such as 1.5.")
    found = supply_evidence(loaded(named, benchbook), margin)
    if as_json:
        say_json({**found.figures.to_json(), "doubts": list(found.doubts)})
        return
    for label, text in _supply_lines(found.figures):
        say(f"{label:<20} {text}")
    lacking = (*found.doubts, *found.figures.missing)
    if lacking:
        say()
        say("Missing, or speaking against it:")
        for text in lacking:
            say(f"  - {text}")
    say()
    say(CAUTION)


def _supply_lines(found: SupplyFigures) -> list[tuple[str, str]]:
    """What is known of the supply, for a person."""
    rows: list[tuple[str, float | None, str]] = [
        ("off load", found.off_load, "V"), ("on load", found.on_load, "V"),
        ("winding resistance", found.winding_resistance, "Ohm"),
    ]  # fmt: skip
    told = []
    if found.design is not None and found.design_current is not None:
        told.append(("design current", f"{show(found.design_current, 'A')} as read, load '{found.design.load}'"))
    if found.true_rms_factor is not None:
        told.append(("true RMS", f"{found.true_rms_factor:.3g} times what the ammeter showed"))
    if found.required_secondary is not None:
        told.append(("required", f"{show(found.required_secondary, 'A')} true RMS, margin {found.given.margin:g}"))
    if found.required_rating is not None:
        told.append(("required rating", show(found.required_rating, "VA")))
    if found.next_standard is not None:
        told.append(("next common size", f"{found.next_standard:g} VA"))
    told += [(label, show(value, unit)) for label, value, unit in rows if value is not None]
    if found.regulation is not None:
        told.append(("regulation", f"{100 * found.regulation:.1f} % (off less on, over on)"))
    for entry in found.at_mains:
        rails = ", ".join(f"{r.name} {show(r.lowest, 'V')} to {show(r.highest, 'V')}" for r in entry.rails)
        told.append(
            (f"at {entry.mains:.4g} V mains", f"load {entry.load}: {show(entry.secondary, 'V')}; rails {rails}")
        )
    return told or [("supply", "nothing was measured at point secondary")]


def compare(
    named: Annotated[str, typer.Argument(metavar="RADIO-or-SESSION", help="Id of a radio, or a session's folder.")],
    by: Annotated[str, typer.Option(metavar="TAG", help="The tag that tells the two apart.")] = "arrangement",
    point: Annotated[str, typer.Option(metavar="POINT", help="Where they were read.")] = "speaker",
    quantity: Annotated[str, typer.Option(metavar="QUANTITY", help="What was read.")] = "voltage",
    a: Annotated[str, typer.Option("--a", metavar="VALUE", help="One value of the tag; else the first there is.")] = "",
    b: Annotated[str, typer.Option("--b", metavar="VALUE", help="The other value.")] = "",
    margin: Annotated[str, typer.Option(metavar="DECIBELS", help="A difference that matters, such as 1dB.")] = "1dB",
    benchbook: BenchbookOption = "",
    as_json: JsonOption = False,
) -> None:
    """Compare two arrangements that were read in alternation: difference, interval, same or not.

    Example: chassislog compare set-1 --by arrangement --point speaker --a A --b B
    """
    from analysis.comparing import compare_by, lines

    decibels = parse(margin, "dB")
    if decibels <= 0:
        raise JudgeCallError(f"--margin {margin} is no margin.", remedy="Write decibels above zero, such as 1dB.")
    found = compare_by(
        loaded(named, benchbook), by=by, point=point, quantity=quantity, a=a, b=b, margin_dB=decibels
    )  # fmt: skip
    if as_json:
        say_json(found.comparison.to_json())
        return
    for label, text in lines(found).items():
        say(f"{label:<12} {text}")


def report(
    radio: Annotated[str, typer.Argument(metavar="RADIO", help="Id of the radio.")],
    since: Annotated[str, typer.Option(metavar="DATE", help="Only sessions from this date on, as 2026-01-31.")] = "",
    pdf: Annotated[bool, typer.Option("--pdf", help="A PDF too.")] = False,
    card: Annotated[bool, typer.Option("--card", help="The card that stays with the radio, too.")] = False,
    compare_: Annotated[bool, typer.Option("--compare", help="Comparisons of earlier stages too.")] = False,
    paper: Annotated[str, typer.Option(metavar="PAPER", help="a4 or letter.")] = "a4",
    open_: Annotated[bool, typer.Option("--open", help="Open it in the browser.")] = False,
    benchbook: BenchbookOption = "",
    as_json: JsonOption = False,
) -> None:
    """Write the record of one radio into its report folder: HTML always, PDF on demand.

    Example: chassislog report set-1 --pdf --card
    """
    from logger.reporting import write_report

    book = benchbook_of(benchbook)
    files = write_report(
        book.radio_folder(radio), since=since, pdf=pdf, card=card, paper=paper, compare=compare_, told=tell
    )  # fmt: skip
    if as_json:
        say_json({"files": [str(path) for path in files]})
    else:
        for path in files:
            say(str(path))
    if open_:
        import webbrowser

        if not webbrowser.open(files[0].resolve().as_uri()):
            tell("No browser could be opened.")
