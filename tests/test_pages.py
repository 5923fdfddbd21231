"""The pages behind the start screen: cautions on each, forms that claim nothing, lists that say what they rest on."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest
from textual.pilot import Pilot
from textual.widgets import Input, OptionList, Select

from analysis.finding import Finding, Level, Outcome, StateOutcome
from logger.cautions import CAUTION_LINE, by_current, standing
from logger.radio import Benchbook
from logger.screen.app import StartApp
from logger.screen.forms import CardScreen, PortsScreen, SetupScreen
from logger.screen.start import RadioScreen, StartScreen
from tests.test_bench_screen import on_the_screen
from tests.test_screens import choose, tab_to, text_of, until


def on_the_pages(folder: Path, body: Callable[[Pilot[None]], Awaitable[None]]) -> None:
    async def main() -> None:
        async with StartApp(Benchbook(folder)).run_test(size=(80, 24)) as pilot:
            await until(pilot, lambda: isinstance(pilot.app.screen, StartScreen))
            await body(pilot)

    asyncio.run(main())


async def shows(pilot: Pilot[None], text: str) -> None:
    await until(pilot, lambda: text in on_the_screen(pilot.app))


def test_every_page_carries_the_caution_and_its_keys(tmp_path: Path) -> None:
    Benchbook(tmp_path).add({"id": "set-1", "points": ["chassis"]})

    async def body(pilot: Pilot[None]) -> None:
        def here(page: type) -> Callable[[], bool]:
            return lambda: isinstance(pilot.app.screen, page)

        await shows(pilot, CAUTION_LINE)
        for way, page in (("new", CardScreen), ("ports", PortsScreen), ("radio:set-1", RadioScreen)):
            await choose(pilot, way)
            await until(pilot, here(page))
            await shows(pilot, CAUTION_LINE)
            await shows(pilot, "Esc back")
            if page is not RadioScreen:
                await pilot.press("escape")
                await until(pilot, here(StartScreen))
        await choose(pilot, "plan:chassis")
        await until(pilot, here(SetupScreen))
        await shows(pilot, CAUTION_LINE)
        await shows(pilot, "One hand")

    on_the_pages(tmp_path, body)


def test_a_plan_of_ones_own_gets_the_words_and_a_shipped_one_keeps_its_own() -> None:
    assert standing("Hot.") == "Hot. Local codes and licensed practice come first."
    assert standing("") == "Local codes and licensed practice come first."
    told = "By local codes this is for licensed hands."
    assert standing(told) == told


def test_a_new_card_claims_nothing_that_was_not_typed(tmp_path: Path) -> None:
    """An example in a field reads like an answer: 230 V on a 120 V set spoils every limit that hangs on the mains."""
    Benchbook(tmp_path).add({"id": "set-1", "points": ["chassis"]})

    async def body(pilot: Pilot[None]) -> None:
        await choose(pilot, "new")
        await until(pilot, lambda: isinstance(pilot.app.screen, CardScreen))
        for field in pilot.app.screen.query(Input):
            assert not field.placeholder and field.value == ("chassis" if field.id == "points" else "")
        await tab_to(pilot, "id")
        await pilot.press(*"setb")
        await tab_to(pilot, "save")
        await pilot.press("enter")
        await until(pilot, lambda: isinstance(pilot.app.screen, RadioScreen))

    on_the_pages(tmp_path, body)
    card = Benchbook(tmp_path).card("setb")
    assert (card.nominal_mains, card.frequency, card.plug, card.switch, card.supply) == (
        "",
        "",
        "",
        "unknown",
        "unknown",
    )


def test_a_drop_down_shows_all_its_choices(tmp_path: Path) -> None:
    async def body(pilot: Pilot[None]) -> None:
        await choose(pilot, "new")
        await until(pilot, lambda: isinstance(pilot.app.screen, CardScreen))
        await tab_to(pilot, "plug")
        await pilot.press("enter")
        for word in ("reversible", "polarised", "earthed"):
            await shows(pilot, word)

    on_the_pages(tmp_path, body)


def test_a_practice_sitting_asks_for_no_meters_of_ones_own(tmp_path: Path) -> None:
    async def body(pilot: Pilot[None]) -> None:
        await choose(pilot, "practice:far-leg-230")
        await until(pilot, lambda: isinstance(pilot.app.screen, RadioScreen))
        await choose(pilot, "plan:chassis")
        await until(pilot, lambda: isinstance(pilot.app.screen, SetupScreen))
        await shows(pilot, "far-leg-230")
        seen = on_the_screen(pilot.app)
        assert "Meter 'v'" not in seen and "data links" not in seen and "Radio is fed from" in seen
        pilot.app.screen.query_one("#source", Select).value = SetupScreen.OWN
        await shows(pilot, "Meter 'v'")

    on_the_pages(tmp_path, body)


def touched(level: Level, *outcomes: tuple[Outcome, float | None]) -> Finding:
    states = tuple(
        StateOutcome(plug="1", switch="on", coupling="ac", burden=burden, value=1.0, expanded_uncertainty=0.1,
                     loading_guard=None, outcome=outcome) for outcome, burden in outcomes
    )  # fmt: skip
    return Finding(id="touch-voltage:chassis", level=level, title="chassis: 166 V AC", statement="", states=states)


@pytest.mark.parametrize(
    ("finding", "told"),
    [
        (touched(Level.WITHIN, (Outcome.ABOVE, None), (Outcome.BELOW, 1e5)), True),
        (touched(Level.WITHIN, (Outcome.TOO_CLOSE, None), (Outcome.BELOW, None)), True),
        (touched(Level.WITHIN, (Outcome.BELOW, None), (Outcome.MISSING, None)), False),
        (touched(Level.CAUTION, (Outcome.ABOVE, None)), False),
    ],
)
def test_within_by_current_alone_is_said_to_be(*, finding: Finding, told: bool) -> None:
    assert (by_current(finding) == " (by current)") == told


def test_the_list_of_a_radio_says_so_on_the_page(tmp_path: Path) -> None:
    """166 V that a burden pulls down are WITHIN by current: the bare word beside 166 V reads like a mistake."""
    from logger.demorun import run_demo

    made = run_demo(tmp_path / "demo")
    radio = next(r for r in made if any(by_current(f) for f in r.assessment.findings))

    async def body(pilot: Pilot[None]) -> None:
        await choose(pilot, f"radio:{radio.id}")
        await until(pilot, lambda: isinstance(pilot.app.screen, RadioScreen))
        await until(pilot, lambda: "(by current)" in text_of(pilot.app, "text"))
        assert pilot.app.screen.query_one(OptionList).option_count > 0

    on_the_pages(tmp_path / "demo", body)
