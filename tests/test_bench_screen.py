"""The bench screen with a meter whose values are typed: cautions, keys, answers, names, by keys alone."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest
from textual.app import App
from textual.pilot import Pilot

from analysis.limits import touch_limits
from drivers.reading import Coupling, Quantity, Reading, Status
from logger.acts import Phase
from logger.bench import Bench, MeterState
from logger.benchmeter import meters_of
from logger.guide import Guide
from logger.plan import load_plan, shipped
from logger.radio import Benchbook
from logger.screen.app import BenchApp
from logger.screen.benchscreen import BenchScreen, MeterPanel
from logger.sitting import Plan, Sitting
from logger.walking import Guided, Walk, prepare
from tests.test_screens import text_of, until

KEYS = {" ": "space", ".": "full_stop", "?": "question_mark"}


def book_of(folder: Path) -> Benchbook:
    book = Benchbook(folder)
    book.add(
        {"id": "set-1", "name": "Kitchen set", "nominal_mains": "230 V", "frequency": "50 Hz", "points": ["chassis"]}
    )
    return book


def guided_by(folder: Path, plan: str = "chassis") -> Guided:
    walk = Walk(radio="set-1", plan=load_plan(plan), meters=meters_of(["v=typed"]), wire=False)
    return prepare(book_of(folder), walk)


def lead(guided: Guided, body: Callable[[Pilot[None]], Awaitable[None]], size: tuple[int, int] = (80, 24)) -> None:
    """Run a guided sitting on the screen."""

    async def main() -> None:
        app = BenchApp(guided.bench, guided.guide, guided.sitting)
        async with app.run_test(size=size) as pilot:
            await until(pilot, lambda: isinstance(app.screen, BenchScreen))
            guided.guide.start(guided.sitting)
            await until(pilot, lambda: guided.guide.view is not None)
            await body(pilot)
            await pilot.press("escape", "q", "q")
        guided.guide.stop()

    guided.sitting.run(lambda _: asyncio.run(main()))


async def type_line(pilot: Pilot[None], text: str) -> None:
    await pilot.press(*(KEYS.get(c, c) for c in text), "enter")


async def to_the_first_value(pilot: Pilot[None], guided: Guided) -> None:
    """Confirm moves until the line is open for a typed value."""
    while (view := guided.guide.view) is not None and view.phase in (Phase.MOVE, Phase.CONFIRM):
        await pilot.press("enter")
        await until(pilot, lambda before=view: guided.guide.view is not before)  # type: ignore[misc]
    await until(pilot, lambda: "Enter sends" in text_of(pilot.app, "keys"))


def on_the_screen(app: App[None]) -> str:
    """All that can be seen, in lines."""
    width, height = app.size
    strips = app.screen._compositor.render_strips()
    return "\n".join("".join(segment.text for segment in strip).ljust(width) for strip in strips[:height])


def test_a_wrong_entry_is_answered_in_one_line_that_covers_nothing(tmp_path: Path) -> None:
    guided = guided_by(tmp_path)

    async def body(pilot: Pilot[None]) -> None:
        await to_the_first_value(pilot, guided)
        for wrong in ("hello", "3 A", "zzz"):
            await type_line(pilot, wrong)
        await until(pilot, lambda: "'zzz' is no value" in text_of(pilot.app, "answer"))
        await until(pilot, lambda: "'zzz' is no value" in on_the_screen(pilot.app))
        seen = on_the_screen(pilot.app)
        assert "hello" not in seen and len(pilot.app._notifications) == 0
        for part in ("no alarm", "CAUTION: Until they are", "they must be gone", "Local codes", "Enter sends"):
            assert part in seen, part

    lead(guided, body)


@pytest.mark.parametrize("size", [(80, 24), (132, 40)])
def test_a_charged_reservoir_and_what_to_do_stand_on_the_screen_in_full(size: tuple[int, int], tmp_path: Path) -> None:
    guided = guided_by(tmp_path)

    async def body(pilot: Pilot[None]) -> None:
        await to_the_first_value(pilot, guided)
        await type_line(pilot, "250 V dc")
        await until(pilot, lambda: "keep off" in text_of(pilot.app, "hint"))
        await until(pilot, lambda: "do not go on" in " ".join(on_the_screen(pilot.app).split()))
        await type_line(pilot, "b")  # alone in the open line it is the key
        await until(pilot, lambda: "Discharge the HT reservoir" in text_of(pilot.app, "ask"))

    lead(guided, body, size)


def test_with_the_alarm_on_and_the_line_open_all_that_matters_is_still_seen(tmp_path: Path) -> None:
    guided = guided_by(tmp_path)

    async def body(pilot: Pilot[None]) -> None:
        await to_the_first_value(pilot, guided)
        live = Reading(elapsed=1.0, quantity=Quantity.VOLTAGE, coupling=Coupling.AC, status=Status.OK, unit="V",
                       value=231.0, resolution=0.1)  # fmt: skip
        guided.bench.readings("v", [live], {"point": "chassis", "plug": "1"})
        await type_line(pilot, "hello")
        await until(pilot, lambda: "chassis is LIVE" in on_the_screen(pilot.app))
        await until(pilot, lambda: "'hello' is no value" in on_the_screen(pilot.app))
        seen = on_the_screen(pilot.app)
        for part in (
            "they must be gone",
            "CAUTION: Until they are",
            ">>> Type what",
            "Local codes",
            "tags:",
            "Enter sends",
        ):
            assert part in seen, part

    lead(guided, body)


def test_the_footer_names_keys_that_work_and_question_mark_helps(tmp_path: Path) -> None:
    guided = guided_by(tmp_path)

    async def body(pilot: Pilot[None]) -> None:
        app = pilot.app
        await until(pilot, lambda: text_of(app, "keys").startswith("Enter done  b back"))
        await pilot.press("question_mark")
        await until(pilot, lambda: "the protective device opened" in text_of(app, "ask"))
        await pilot.press("question_mark")
        await until(pilot, lambda: "Pull the mains plug" in text_of(app, "ask"))
        await to_the_first_value(pilot, guided)
        assert "Enter done" not in text_of(app, "keys") and len(text_of(app, "keys")) <= 78
        await type_line(pilot, "?")
        await until(pilot, lambda: "Esc closes it" in text_of(app, "ask"))
        await type_line(pilot, "?")
        await type_line(pilot, "s")
        await until(pilot, lambda: guided.guide.view is not None and bool(guided.guide.view.missing))
        await type_line(pilot, "q") if "Enter sends" in text_of(app, "keys") else await pilot.press("q")
        await until(pilot, lambda: "End with the plan not through?" in text_of(app, "keys"))

    lead(guided, body)


@pytest.mark.parametrize("plan", sorted(shipped()))
def test_every_plan_on_the_screen_names_the_radio_and_defers_to_codes_and_licensed_practice(
    plan: str, tmp_path: Path
) -> None:
    guided = guided_by(tmp_path, plan)

    async def body(pilot: Pilot[None]) -> None:
        for _ in range(6):
            words = " ".join(on_the_screen(pilot.app).split())
            assert "Local codes and licensed practice come first." in words, words
            assert "Kitchen set (set-1)" in words
            await pilot.press("enter")
            await pilot.pause(0.1)

    lead(guided, body)


def test_free_recording_carries_the_caution_and_the_radio_too(tmp_path: Path) -> None:
    bench = Bench(["v"], touch_limits())
    sitting = Sitting(book_of(tmp_path), Plan(radio="set-1", meters=meters_of(["v=typed"]), wire=False), bench)
    bench.note = sitting.recorder.note

    async def main() -> None:
        app = BenchApp(bench, Guide(bench), sitting)
        async with app.run_test(size=(80, 24)) as pilot:
            await until(pilot, lambda: isinstance(app.screen, BenchScreen))
            await until(pilot, lambda: "CAUTION: metal can be live" in on_the_screen(app))
            seen = on_the_screen(app)
            assert "Local codes and licensed practice come first." in seen and "Kitchen set (set-1)" in seen
            await pilot.press("question_mark")
            await until(pilot, lambda: "plug=2" in text_of(app, "ask"))
            await pilot.press("q")

    sitting.run(lambda _: asyncio.run(main()))


@pytest.mark.parametrize(("typed", "told"), [(True, False), (False, True)])
def test_only_a_meter_that_sends_by_itself_is_said_to_be_silent(*, typed: bool, told: bool) -> None:
    state = MeterState("v")
    state.take(
        Reading(elapsed=1.0, quantity=Quantity.VOLTAGE, coupling=Coupling.DC, status=Status.OK, unit="V", value=1.0)
    )
    state.seen -= 14.0

    assert ("SILENT" in MeterPanel(state, typed=typed)._function(state)) == told
