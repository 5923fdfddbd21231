"""The command that leads through a plan."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated

import typer

from drivers.units import counted
from logger.cli_show import BenchbookOption, FeedOption, JsonOption, StageOption, benchbook_of, say, say_json, tell

if TYPE_CHECKING:
    from logger.bench import Bench
    from logger.guide import Guide
    from logger.sitting import Outcome
    from logger.walking import Guided


def add_to(app: typer.Typer) -> None:
    """Add the command."""
    app.command("walk", short_help="Be led through a plan; values are taken as they settle.")(walk)


def walk(
    radio: Annotated[str, typer.Argument(metavar="RADIO", help="Id of the radio in the benchbook.")],
    plan: Annotated[
        str, typer.Option("--plan", metavar="NAME-or-file", help="chassis, supply, wiring, level, hand-over; a file.")
    ] = "chassis",
    meter: Annotated[
        list[str] | None, typer.Option(metavar="ROLE=PROFILE[@PORT]", help="A meter; repeat for more.")
    ] = None,
    practice: Annotated[
        str | None, typer.Option(metavar="SCENARIO", help="A simulated radio and meters in place of real ones.")
    ] = None,
    plain: Annotated[bool, typer.Option("--plain", help="Plain lines instead of the screen.")] = False,
    speak: Annotated[bool, typer.Option("--speak", help="Say prompts and values aloud.")] = False,
    fed_from: FeedOption = "mains",
    stage: StageOption = "",
    name: Annotated[str, typer.Option(metavar="NAME", help="Name of the session; else that of the plan.")] = "",
    no_wire: Annotated[bool, typer.Option("--no-wire", help="Do not keep the bytes.")] = False,
    link_isolated: Annotated[
        bool, typer.Option("--link-isolated", help="You state that the meters' data links are isolated.")
    ] = False,
    benchbook: BenchbookOption = "",
    as_json: JsonOption = False,
) -> None:
    """Be led through a plan: what to do next, values taken as they settle, an alarm on what is live.

    Example, no hardware: chassislog walk learner-1 --practice chassis-leg-120

    Example: chassislog walk set-1 --plan chassis --meter v=scpi-bench@/dev/ttyUSB0
    """
    from logger.benchmeter import MeterSpecError, category_warning
    from logger.cli import CAUTION
    from logger.plan import load_plan
    from logger.sitting import FED_FROM
    from logger.walking import Walk, meters_for, prepare

    if fed_from not in FED_FROM:
        raise MeterSpecError(f"{fed_from!r} is no way to feed a radio.", remedy=f"Write one of {', '.join(FED_FROM)}.")
    if practice == "":
        from drivers.practice_scenario import shipped

        raise MeterSpecError("--practice names no scenario.", remedy=f"Write one of {', '.join(shipped())}.")
    practice = practice or ""
    book, chosen = benchbook_of(benchbook), load_plan(plan)
    meters = meters_for(meter or [], practice, chosen)
    asked = Walk(
        radio=radio, plan=chosen, meters=meters, practice=practice, fed_from=fed_from, stage=stage, name=name,
        wire=not no_wire, link_isolated=link_isolated,
    )  # fmt: skip
    guided = prepare(book, asked)
    tell(CAUTION)  # not before: a call that is refused is told that alone
    warnings = [category_warning(each, guided.sitting.card.nominal_mains) for each in meters] if not practice else []
    for warning in (*guided.warnings, *filter(None, warnings)):
        tell(f"WARNING: {warning}")
    outcome = _lead(guided, plain=plain or not _on_screen(), speak=speak, to_errors=as_json)
    _finish(guided, outcome, as_json=as_json)


def _on_screen() -> bool:
    return sys.stdin.isatty() and sys.stdout.isatty()


def _lead(guided: Guided, *, plain: bool, speak: bool, to_errors: bool) -> Outcome:
    """Run the sitting on the screen, or in plain lines."""
    with speaking(speak, guided.bench, guided.guide):
        if plain or to_errors:
            from logger.screen.plainwalk import PlainWalk

            return guided.sitting.run(PlainWalk(guided, sys.stderr if to_errors else sys.stdout, sys.stdin).wait)
        from logger.screen.app import run_bench

        return run_bench(guided)


@contextmanager
def speaking(speak: bool, bench: Bench, guide: Guide | None = None) -> Iterator[None]:
    """Say alarms, and what a plan says, aloud while this lasts."""
    if not speak:
        yield
        return
    from logger.speech import Speaker

    speaker = Speaker(on_absent=tell)
    bench.on_alarm.append(lambda alarm: speaker.say(alarm.text))
    if guide is not None:
        guide.on_say.append(lambda say: speaker.say(say.text))
    try:
        yield
    finally:
        speaker.close()


def _finish(guided: Guided, outcome: Outcome, *, as_json: bool) -> None:
    view = guided.guide.view
    missing = list(view.missing) if view is not None else []
    through = view is not None and guided.guide.ended.is_set()
    takes = len(guided.guide.walker.record.taken) if guided.guide.walker else 0
    if as_json:
        say_json({"session": str(outcome.folder), "rows": outcome.counters.rows, "takes": takes, "through": through,
                  "missing": missing, "lost": list(outcome.lost)})  # fmt: skip
    else:
        rows = outcome.counters.rows
        say(f"{counted(takes, 'value')} taken, {counted(rows, 'reading')} in {outcome.folder}")
        if not through:
            say("The plan is not through.")
        for text in missing:
            say(f"Missing: {text}")
        say(f"Next: chassislog assess {guided.sitting.plan.radio}")
    if outcome.unwritten:
        lost = counted(outcome.unwritten, "reading")
        tell(f"chassislog: {lost} could not be written: {outcome.counters.disk}.")
    if outcome.lost or outcome.unwritten:
        raise typer.Exit(3)
