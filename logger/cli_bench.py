"""Commands at the bench: the demo, and free logging."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from drivers.units import counted, parse
from logger.benchmeter import BenchMeter, MeterSpecError, category_warning, meters_of, unproved_links
from logger.cautions import by_current
from logger.cli_show import BenchbookOption, FeedOption, JsonOption, StageOption, benchbook_of, say, say_json, tell


def add_to(app: typer.Typer) -> None:
    """Add the commands."""
    app.command("demo", short_help="Two invented radios from wire logs to reports; no hardware.")(demo)
    app.command("log")(log)


def demo(
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder to write into; made anew each time.")] = Path(
        "chassislog-demo"
    ),
    as_json: JsonOption = False,
) -> None:
    """Play two invented radios' constructed wire logs through the real decoders, judge them, write the reports.

    Example: chassislog demo --out chassislog-demo
    """
    from logger.cli import CAUTION
    from logger.demorun import run_demo

    made = run_demo(out)
    if as_json:
        say_json({"benchbook": str(out), "radios": [m.to_json() for m in made]})
        return
    say("Two invented radios; their wire logs were constructed by a script, not recorded.")
    say()
    for radio in made:
        say(f"{radio.title} ({radio.id})")
        for finding in radio.assessment.findings:
            say(f"{finding.id:28} {finding.title}{by_current(finding)}", level=finding.level, before="  ")
        say(f"  Report: {radio.report}")
        say()
    say(CAUTION)


def _tags(texts: list[str]) -> dict[str, str]:
    found = {}
    for text in texts:
        name, equals, value = text.partition("=")
        if not equals or not name.strip():
            raise MeterSpecError(f"{text!r} is no tag.", remedy="Write --tag point=chassis.")
        found[name.strip()] = value.strip()
    return found


def log(
    radio: Annotated[str, typer.Argument(metavar="RADIO", help="Id of the radio in the benchbook.")],
    meter: Annotated[
        list[str] | None, typer.Option(metavar="ROLE=PROFILE[@PORT]", help="A meter; repeat for more.")
    ] = None,
    tag: Annotated[
        list[str] | None, typer.Option(metavar="K=V", help="A tag in force: point, plug, switch, ...")
    ] = None,
    tag_column: Annotated[list[str] | None, typer.Option(metavar="NAME", help="Declare a tag of your own.")] = None,
    for_: Annotated[str, typer.Option("--for", metavar="TIME", help="How long, such as 30s.")] = "",
    count: Annotated[int | None, typer.Option(min=1, help="Readings of each meter.")] = None,
    stage: StageOption = "",
    fed_from: FeedOption = "mains",
    name: Annotated[str, typer.Option(metavar="NAME", help="Name of the session.")] = "log",
    plain: Annotated[bool, typer.Option("--plain", help="Plain lines instead of the screen.")] = False,
    speak: Annotated[bool, typer.Option("--speak", help="Say alarms aloud.")] = False,
    no_wire: Annotated[bool, typer.Option("--no-wire", help="Do not keep the bytes.")] = False,
    link_isolated: Annotated[
        bool, typer.Option("--link-isolated", help="You state that the meters' data links are isolated.")
    ] = False,
    benchbook: BenchbookOption = "",
    as_json: JsonOption = False,
) -> None:
    """Record one or several meters into a session of a radio.

    Example: chassislog log set-1 --meter v=numbered-lcd@COM4 --tag point=chassis --tag plug=1 --tag switch=on --for 10s
    """
    from analysis.limits import touch_limits
    from logger.bench import Bench
    from logger.cli import CAUTION
    from logger.cli_walk import speaking
    from logger.guide import Guide
    from logger.screen.plain import PlainLog
    from logger.sitting import FED_FROM, Plan, Sitting

    if fed_from not in FED_FROM:
        raise MeterSpecError(f"{fed_from!r} is no way to feed a radio.", remedy=f"Write one of {', '.join(FED_FROM)}.")
    seconds = parse(for_, "s") if for_ else None
    if seconds is not None and seconds <= 0:
        raise MeterSpecError(f"--for {for_} is no time.", remedy="Write a time above zero, such as 30s.")
    book = benchbook_of(benchbook)
    card = book.card(radio)
    meters = meters_of(meter or [])
    plan = Plan(
        radio=radio, meters=meters, tags=_tags(tag or []), extra_tags=tag_column or (), seconds=seconds, count=count,
        stage=stage, fed_from=fed_from, name=name, wire=not no_wire,
        link_isolated=link_isolated or _declared(meters, tag or []),
    )  # fmt: skip
    bench = Bench([each.role for each in meters], touch_limits(strict=card.limits.strict, own=card.limits.own()))
    sitting = Sitting(book, plan, listener=bench)
    bench.note = sitting.recorder.note
    tell(CAUTION)  # not before: a call that is refused is told that alone
    for each in meters:
        warning = category_warning(each, card.nominal_mains)
        if warning:
            tell(f"WARNING: {warning}")
    with speaking(speak, bench):
        if plain or as_json or not (sys.stdin.isatty() and sys.stdout.isatty()):
            screen = PlainLog(sys.stderr if as_json else sys.stdout, sys.stdin)
            screen.follow(bench)
            outcome = sitting.run(screen.wait)
        else:
            from logger.screen.app import run_on_screen

            outcome = run_on_screen(sitting, bench, Guide(bench))
    if as_json:
        counters = outcome.counters
        say_json({"session": str(outcome.folder), "rows": counters.rows, "by_meter": counters.by_meter,
                  "gaps": counters.gaps, "waits": counters.waits, "lost": list(outcome.lost)})  # fmt: skip
    else:
        say(f"{counted(outcome.counters.rows, 'reading')} in {outcome.folder}")
    if outcome.unwritten:
        lost = counted(outcome.unwritten, "reading")
        tell(f"chassislog: {lost} could not be written: {outcome.counters.disk}.")
    read = outcome.counters.by_meter
    short = [role for role, each in sitting.typed.items() if each.finished and read.get(role, 0) < (count or 0)]
    if short:
        tell(f"chassislog: No more was typed for meter '{short[0]}', and --count {count} was not reached.")
    if outcome.lost or outcome.unwritten or short:
        raise typer.Exit(3)


def _declared(meters: list[BenchMeter], tags: list[str]) -> bool:
    """Ask for the word where a lead may tie the chassis to the computer and somebody is there to type it."""
    doubtful = unproved_links(meters)
    if not doubtful or not any(text.startswith("point=") for text in tags) or not sys.stdin.isatty():
        return False
    names = ", ".join(f"'{each.role}'" for each in doubtful)
    tell(
        f"The data link of meter {names} is not known to be isolated. If it is not, its lead ties the radio's chassis "
        "to this computer. Look it up in the meter's manual. Type 'isolated' to state that it is:"
    )
    return sys.stdin.readline().strip().lower() == "isolated"
