"""The screens, driven by keys as a person presses them, on the practice bench."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest
from textual.app import App
from textual.pilot import Pilot
from textual.widgets import OptionList, Static

from drivers.practice import truth
from drivers.practice_scenario import shipped
from drivers.reading import Coupling, Quantity, Reading, Status
from logger.acts import Phase
from logger.radio import Benchbook
from logger.screen.app import BenchApp, StartApp
from logger.screen.benchscreen import BenchScreen
from logger.screen.figures import ROWS, large, trace, value_and_unit
from logger.screen.forms import CardScreen, RunningScreen, SetupScreen
from logger.screen.start import RadioScreen
from tests.practice_user import Session, fresh_bench

PATIENCE = 40.0
REAL = 0.002  #: what a wait on the bench costs, so that the screen's own work is not starved [s]


async def until(pilot: Pilot[None], true: Callable[[], bool]) -> None:
    """Wait for something to become true."""
    end = time.monotonic() + PATIENCE
    while not true():
        assert time.monotonic() < end, pilot.app.screen
        await pilot.pause(0.01)


def text_of(app: App[None], name: str) -> str:
    return str(app.screen.query_one(f"#{name}", Static).render())


async def walk_by_keys(pilot: Pilot[None], screen: BenchScreen) -> None:
    """Press what the screen asks for, until the plan is through."""
    guide, end = screen.guide, time.monotonic() + PATIENCE
    while not guide.ended.is_set():
        assert time.monotonic() < end and not guide.broken, guide.view
        view = guide.view
        by_itself = view is not None and view.move is not None and view.move.kind == "function"
        if view is not None and view.phase in (Phase.MOVE, Phase.CONFIRM) and not by_itself:
            pilot.app.simulate_key("enter")  # `press` waits for an idle processor, and the bench keeps it busy
            await until(pilot, lambda before=view: guide.view is not before or guide.ended.is_set())  # type: ignore[misc]
        elif view is not None and view.hint.startswith("Not taken"):
            pilot.app.simulate_key("s")
            await until(pilot, lambda before=view: guide.view is not before)  # type: ignore[misc]
        await pilot.pause(0.01)


def run(body: Callable[[], Awaitable[None]]) -> None:
    async def main() -> None:
        await body()

    asyncio.run(main())


@pytest.mark.parametrize("scenario", sorted(shipped()))
def test_the_chassis_plan_on_the_bench_screen_finds_what_is_true(scenario: str, tmp_path: Path) -> None:
    session = Session(tmp_path, scenario, real=REAL)
    guided = session.guided

    async def body() -> None:
        app = BenchApp(guided.bench, guided.guide, guided.sitting)
        async with app.run_test(size=(80, 24)) as pilot:
            await until(pilot, lambda: isinstance(app.screen, BenchScreen))
            screen = app.screen
            assert isinstance(screen, BenchScreen)
            guided.guide.start(guided.sitting)
            await walk_by_keys(pilot, screen)
            await pilot.press("q")
        guided.guide.stop()

    def wait(_: object) -> None:
        run(body)

    guided.sitting.run(wait)

    found = {f.id: f for f in session.assess().findings}
    told = truth(scenario)
    assert {p: str(found[f"touch-voltage:{p}"].level) for p in told.levels} == dict(told.levels)
    assert found["chassis-kind"].extra["kind"] == told.chassis_kind
    events = (guided.sitting.writer.folder / "events.csv").read_text("utf-8")
    live = any(s.outcome == "above" and s.burden is None for s in found["touch-voltage:chassis"].states)
    assert (",alarm,v,state=on; point=chassis" in events) == live  # volts alone ring, whatever a burden tells later


def test_a_live_reading_is_on_the_alarm_bar_in_words(tmp_path: Path) -> None:
    session = Session(tmp_path, "far-leg-230", real=REAL)
    guided = session.guided

    async def body() -> None:
        app = BenchApp(guided.bench, guided.guide, guided.sitting)
        async with app.run_test(size=(80, 24)) as pilot:
            await until(pilot, lambda: isinstance(app.screen, BenchScreen))
            assert text_of(app, "alarm").startswith("no alarm")
            live = Reading(elapsed=1.0, quantity=Quantity.VOLTAGE, coupling=Coupling.AC, status=Status.OK, unit="V",
                           value=118.0, resolution=0.1)  # fmt: skip
            began = time.monotonic()
            guided.bench.readings("second", [live], {"point": "chassis", "plug": "1"})
            await until(pilot, lambda: text_of(app, "alarm").startswith("!!! ALARM !!! chassis is LIVE: 118.0 V AC"))
            assert time.monotonic() - began < 0.5  # generous: the screen's own figure is measured in the bench
            await pilot.press("q", "q")

    guided.sitting.run(lambda _: run(body))


def test_the_plan_is_not_ended_by_one_slip_of_a_key(tmp_path: Path) -> None:
    session = Session(tmp_path, "far-leg-230", real=REAL)
    guided = session.guided

    async def body() -> None:
        app = BenchApp(guided.bench, guided.guide, guided.sitting)
        async with app.run_test(size=(80, 24)) as pilot:
            await until(pilot, lambda: isinstance(app.screen, BenchScreen))
            guided.guide.start(guided.sitting)
            await until(pilot, lambda: guided.guide.view is not None)
            app.simulate_key("q")
            await until(pilot, lambda: "q yes, Esc no" in text_of(app, "keys"))
            app.simulate_key("escape")
            await until(pilot, lambda: "q yes, Esc no" not in text_of(app, "keys"))
            assert app.is_running
            await pilot.press("q", "q")
        guided.guide.stop()

    guided.sitting.run(lambda _: run(body))


async def choose(pilot: Pilot[None], start: str) -> None:
    """Go down to a choice by its id and press Enter."""
    options = pilot.app.screen.query_one(OptionList)
    await until(pilot, lambda: options.option_count > 0)
    options.focus()
    for _ in range(options.option_count + 1):
        marked = options.highlighted
        if marked is not None and (options.get_option_at_index(marked).id or "").startswith(start):
            await pilot.press("enter")
            return
        await pilot.press("down")
    raise AssertionError(f"no choice {start!r}")


async def tab_to(pilot: Pilot[None], name: str) -> None:
    """Press Tab until a field has the focus."""
    for _ in range(30):
        focused = pilot.app.focused
        if focused is not None and focused.id == name:
            return
        await pilot.press("tab")
    raise AssertionError(f"no field {name!r}")


def test_the_whole_job_from_the_start_screen_without_a_command(tmp_path: Path) -> None:
    """A new card, a plan on the practice bench, its takes, the report: by keys alone."""
    scenario = "transformer-230"
    _, clock = fresh_bench(scenario, REAL)
    app = StartApp(Benchbook(tmp_path), clock)

    async def fill_in(pilot: Pilot[None]) -> None:
        for name, text in (("id", "set-9"), ("mains", "230 V"), ("frequency", "50 Hz")):
            await tab_to(pilot, name)
            await pilot.press(*("space" if c == " " else "minus" if c == "-" else c for c in text))
        await tab_to(pilot, "save")
        await pilot.press("enter")

    async def set_up(pilot: Pilot[None]) -> None:
        await tab_to(pilot, "source")
        await pilot.press("enter", *"tran")
        await pilot.press("enter")
        await until(pilot, lambda: "transformer" in str(app.screen.query_one("#source").value))  # type: ignore[attr-defined]
        await tab_to(pilot, "start")
        await pilot.press("enter")

    async def body() -> None:
        async with app.run_test(size=(80, 24)) as pilot:
            await choose(pilot, "new")
            await until(pilot, lambda: isinstance(app.screen, CardScreen))
            await fill_in(pilot)
            await until(pilot, lambda: isinstance(app.screen, RadioScreen))
            await choose(pilot, "plan:chassis")
            await until(pilot, lambda: isinstance(app.screen, SetupScreen))
            await set_up(pilot)
            await until(pilot, lambda: isinstance(app.screen, RunningScreen))
            running = app.screen
            assert isinstance(running, RunningScreen)
            await walk_by_keys(pilot, running)
            await pilot.press("q")
            await until(pilot, lambda: isinstance(app.screen, RadioScreen))
            await until(pilot, lambda: "readings in" in text_of(app, "head"))
            await until(pilot, lambda: "touch" in text_of(app, "text") or "chassis:" in text_of(app, "text"))
            await choose(pilot, "report")
            await until(pilot, lambda: text_of(app, "text").startswith("Report written"))
        app.close_sittings()

    run(body)

    assert (tmp_path / "set-9" / "report" / "report.html").is_file()
    assert list(tmp_path.glob("set-9/*-chassis/datapackage.json"))


def test_a_card_that_cannot_be_is_told_in_the_form(tmp_path: Path) -> None:
    app = StartApp(Benchbook(tmp_path))

    async def body() -> None:
        async with app.run_test(size=(80, 24)) as pilot:
            await choose(pilot, "new")
            await until(pilot, lambda: isinstance(app.screen, CardScreen))
            await tab_to(pilot, "save")
            await pilot.press("enter")
            await until(pilot, lambda: "needs a short id" in text_of(app, "text"))
            await tab_to(pilot, "id")
            await pilot.press("S", "1")
            await tab_to(pilot, "save")
            await pilot.press("enter")
            await until(pilot, lambda: "cannot be a radio's id" in text_of(app, "text"))

    run(body)


def test_large_figures_have_one_height_and_a_spike_stays_in_the_trace() -> None:
    assert len(large("-117.4")) == ROWS and len({len(row) for row in large("-117.4")}) == 1
    assert large("1.5") != large("15")
    points = [(float(i) / 4, 1.0, 9.0 if i == 100 else 1.0) for i in range(240)]
    assert "█" in trace(points, 40)


def test_an_overload_is_shown_as_a_word_and_nothing_as_dashes() -> None:
    over = Reading(elapsed=0.0, quantity=Quantity.VOLTAGE, status=Status.OVERLOAD, unit="V")

    assert value_and_unit(over) == ("OVER", "V") and value_and_unit(None)[0] == "----"
