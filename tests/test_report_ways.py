"""What report and card say of the two ways of the plug, above all where one of them was read in part only."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from analysis.assess import assess
from analysis.finding import Level
from analysis.report.content import Content, build_content
from analysis.report.html import render_card_html, render_html
from analysis.report.pdf import render_card_pdf, render_pdf
from analysis.table import load_radio
from tests.report_samples import card, state
from tests.test_report import Page, printed, squeezed
from tests.test_report_words import answer, four, judged, volts
from tests.test_touch_rules import STATES, Sitting, home_of

#: A chassis that is a mains lead through the switch: with plug 2 it is live with the switch on, and low with it off.
SWITCHED = {("1", "on"): 0.8, ("1", "off"): 118.0, ("2", "on"): 118.0, ("2", "off"): 0.8}
LOWER = re.compile(r"way [12](?: of the plug)? measured lower", re.IGNORECASE)


def content_of(tmp_path: Path, read: Mapping[tuple[str, str], float]) -> Content:
    """The report's content of a proved sitting on a 120 V set in which these states of the chassis were read."""
    sitting = Sitting(nominal=120.0)
    sitting.states(read)
    home = home_of(tmp_path, nominal_mains="120 V", frequency="60 Hz", plug="reversible", switch="single")
    sitting.writer.write(home / "20260302T142500Z-a")
    radio = load_radio(home)
    return build_content(radio, assess(radio))


def renderings(content: Content) -> dict[str, str]:
    """Every rendering of the report and of the card, as text without its spaces."""
    return {
        "page": Page(render_html(content)).text, "print": printed(render_pdf(content)),
        "card": Page(render_card_html(content)).text, "card in print": printed(render_card_pdf(content)),
    }  # fmt: skip


@pytest.mark.parametrize("absent", STATES)
def test_a_way_with_a_state_that_was_not_read_is_never_called_lower(tmp_path: Path, absent: tuple[str, str]) -> None:
    """Three states of four: the fourth may be the live one, so no way is lower, and what is open is named."""
    way, switch = absent
    content = content_of(tmp_path, {place: value for place, value in SWITCHED.items() if place != absent})
    other = "off" if switch == "on" else "on"
    said = f"Way {way} was read with the switch {other} only (chassis); with the switch {switch} it is unknown: count"

    assert said in answer(content, "way round") and said in content.card.plug
    assert re.search(rf"way {way}: [^;]*not measured", answer(content, "way round"))
    for name, text in renderings(content).items():
        assert not re.search(LOWER.pattern.replace(" ", ""), text, re.IGNORECASE), name
        assert squeezed(said) in text, name


def test_the_readers_half_measured_set_says_what_plug_2_was_not_read_for(tmp_path: Path) -> None:
    """118 V with plug 1 on, 0.8 V otherwise; plug 2 with the switch on was never read."""
    content = content_of(tmp_path, {("1", "on"): 118.0, ("1", "off"): 61.0, ("2", "off"): 0.8})
    told = answer(content, "way round")

    assert (
        "chassis, way 1: 118 V with the switch on, 61.0 V off; way 2: not measured with the switch on, 0.80 V off."
        in (told)
    )
    assert (
        "Way 2 was read with the switch off only (chassis); with the switch on it is unknown: count it as live." in told
    )
    assert not LOWER.search(told) and not LOWER.search(content.card.plug)
    assert "chassis (up to 118 V AC in what was read)" in content.card.touch


def test_a_way_that_was_not_read_at_all_is_not_compared_either(tmp_path: Path) -> None:
    content = content_of(tmp_path, {("2", "on"): 0.8})
    told = answer(content, "way round")

    assert "Only way 2 was measured (chassis: highest reading 0.80 ± 0.20 V AC). Way 1 is unknown: count" in told
    assert "Way 2 was read with the switch on only (chassis); with the switch off it is unknown" in told
    assert not LOWER.search(told) and "Way 1 is unknown: count it as live." in content.card.plug


def test_direct_volts_read_in_one_state_only_keep_the_ways_from_being_compared(tmp_path: Path) -> None:
    """All AC states read, and 40 V DC in one: what DC the other way has is open."""
    direct = replace(state("2", "on", 40.0), coupling="dc")
    content = judged(tmp_path, [volts("chassis", Level.CAUTION, *four(3.0, 3.0, 60.0, 3.0),
                                      direct)])  # fmt: skip

    assert not LOWER.search(answer(content, "way round"))


def test_a_set_without_a_switch_is_compared_by_its_two_states(tmp_path: Path) -> None:
    """Without a switch there is no state `off` to read."""
    states = (state("1", "on", 2.0, expanded=0.3), state("2", "on", 160.0))
    content = judged(tmp_path, [volts("chassis", Level.WITHIN, *states)],
                     text=card('"chassis"').replace('switch = "single"', 'switch = "none"'))  # fmt: skip
    high = judged(tmp_path / "b", [volts("chassis", Level.CAUTION, *four(2.0, 2.0, 160.0, 2.0))])

    assert "unknown" not in answer(content, "way round")
    assert "Way 1 measured lower at the socket used (chassis)." in answer(high, "way round")
    assert "way 1 measured lower (2.000 ± 0.020 V AC" in high.card.plug


# -- low figures


def test_figures_below_their_uncertainty_are_given_as_a_bound_and_not_compared(tmp_path: Path) -> None:
    """2.3 mV and 1.3 mV with U = 12 mV: 14.3 mV at most, so below 0.02 V; neither way is lower."""
    low = [state(plug, switch, value, expanded=0.012) for (plug, switch), value in
           zip(STATES, (2.3e-3, 1.3e-3, 1.1e-3, 1.9e-3), strict=True)]  # fmt: skip
    content = judged(tmp_path, [volts("knob-screw", Level.WITHIN, *low,
                                      advice="Way 2 of the plug measured lower at this socket; elsewhere either can.")],
                     text=card('"knob-screw"'))  # fmt: skip
    told, touch = answer(content, "way round"), answer(content, "may not be touched")

    assert "knob-screw, way 1: below 0.02 V with the switch on, below 0.02 V off" in told
    assert "Both ways read below the voltage limit at the socket used (knob-screw)." in told
    assert "knob-screw: below 0.02 V AC, below the limit that day" in touch and "mV" not in told + touch
    assert "knob-screw (below 0.02 V AC)" in content.card.touch
    for name, text in renderings(content).items():
        assert not re.search(LOWER.pattern.replace(" ", ""), text, re.IGNORECASE), name


@pytest.mark.parametrize(
    ("value", "expanded", "said"),
    [
        (0.5, 1.0, "below 2 V"),  # 1.5 V, to the next figure of one digit
        (0.8, 0.3, "0.80 V"),
        (0.005, 0.001, "below 0.01 V"),  # no finer than 10 mV beside a limit of 30 V
        (3.1, 0.05, "3.10 V"),
    ],
)
def test_a_figure_is_no_finer_than_its_uncertainty(tmp_path: Path, value: float, expanded: float, said: str) -> None:
    states = [state(plug, switch, value, expanded=expanded) for plug, switch in STATES]
    content = judged(tmp_path, [volts("chassis", Level.WITHIN, *states)], text=card('"chassis"'))

    assert f"way 1: {said} with the switch on" in answer(content, "way round")
