"""How findings stand in the report: levels that can be followed from sheet to sheet, one figure for one thing."""

from __future__ import annotations

from pathlib import Path

import pytest

from analysis.assess import assess
from analysis.finding import Finding, Level, Outcome
from analysis.report.content import build_content
from analysis.report.html import render_html
from analysis.report.pdf import render_pdf
from analysis.table import load_radio
from tests.report_samples import SITTING, SOURCE, card, state
from tests.sessions import SessionWriter, write_card
from tests.test_report import Page, printed, squeezed
from tests.test_report_words import current, four, judged, kind, volts


@pytest.mark.parametrize("own", [Level.WITHIN, Level.CAUTION])
def test_a_point_shows_its_own_level_and_why_it_counts_as_worse(tmp_path: Path, own: Level) -> None:
    """A chassis tied to a pin: what a screw reads by itself is one thing, what it counts as another."""
    low = four(1.0, 1.0, 1.0, 1.0) if own is Level.WITHIN else four(1.0, 1.0, 40.0, 1.0)
    content = judged(tmp_path, [volts("knob-screw", own, *low), kind("tied", Level.DANGER)], text=card('"knob-screw"'))
    row, item = content.matrix[0], next(f for f in content.findings if f.id == "touch-voltage:knob-screw")
    said = "counts as DANGER because the chassis is joined to the mains"

    assert row.level is item.level is own and row.badge == item.badge == own.upper()
    assert row.remark == said and item.remark == f"knob-screw: {said}."
    assert row.tone is item.tone is Level.CAUTION  # never the colour of `within`
    for text in (Page(render_html(content)).text, printed(render_pdf(content))):
        assert text.count(squeezed(said)) >= 2


def test_a_point_that_was_not_measured_counts_as_live_and_not_as_a_lesser_level(tmp_path: Path) -> None:
    """A capacitor from the chassis to the mains is a caution; what a point reads that nobody read, nobody knows."""
    content = judged(tmp_path, [volts("knob-screw", Level.UNDECIDED), kind("line-capacitor", Level.CAUTION)],
                     text=card('"knob-screw"'))  # fmt: skip

    assert content.matrix[0].badge == "UNDECIDED"
    assert content.matrix[0].remark == "count as live: the chassis is joined to the mains"


def test_rows_stay_in_the_order_of_what_they_count_as(tmp_path: Path) -> None:
    findings = [
        volts("aerial", Level.UNDECIDED, state("1", "on", 1.0)),
        volts("chassis", Level.CAUTION, *four(40.0, 1.0, 1.0, 1.0)),
    ]
    assert [row.point for row in judged(tmp_path, findings).matrix] == ["chassis", "aerial"]


def test_volts_below_by_themselves_and_above_with_guard_and_uncertainty_are_within_by_current(tmp_path: Path) -> None:
    """29.5 V, its guard of 0.6 % and U = 0.6 V come to 30.3 V: the volts alone do not let it pass."""
    close = state("1", "on", 29.5, expanded=0.6, outcome=Outcome.TOO_CLOSE)
    finding = volts("chassis", Level.WITHIN, close, limit=30.0, limit_source=SOURCE)
    content = judged(tmp_path, [finding, current("chassis", 50e-6)], text=card('"chassis"'))
    item = next(f for f in content.findings if f.id == "touch-voltage:chassis")

    assert item.badge == "WITHIN BY CURRENT ONLY"
    assert item.title.endswith(": TOO CLOSE to the voltage limit; within by current only (at most 57.0 µA of 500 µA)")
    assert '<span class="level within">WITHIN</span><span><bdi>chassis' not in render_html(content)


def test_the_figure_called_at_most_is_the_one_that_meets_the_limit(tmp_path: Path) -> None:
    """61.60 ± 0.75 mA between bounds of 61.5 and 61.6 mA: with its U that is at most 62.35 mA."""
    found = Finding(
        id="touch-current:chassis", level=Level.DANGER, title="chassis", statement="As read.", value=61.6e-3,
        expanded_uncertainty=0.75e-3, unit="A", limit=5e-4, extra={"low": 61.5e-3, "high": 61.6e-3},
    )  # fmt: skip
    item = judged(tmp_path, [found]).findings[0]
    told = [(item.value_label, item.value), (item.limit_label, item.limit), *item.further]

    assert told == [
        ("At most, with U", "62.4 mA"), ("Limit", "500 µA"), ("As computed ± U", "61.60 ± 0.75 mA"),
        ("Bounds before U", "61.5 mA to 61.6 mA"),
    ]  # fmt: skip


# -- ohms of the pins


def test_the_ohms_of_the_pins_stand_in_a_table_with_all_their_rows(tmp_path: Path) -> None:
    """Pin 2 reads 139.9 Ω with the switch on, as through a chain of heaters; pin 1 and the switch off are open."""
    sitting = SessionWriter()
    read = {("1", "on"): None, ("1", "off"): None, ("2", "on"): 139.9, ("2", "off"): None}
    rows = {}
    for (pin, switch), ohms in read.items():
        rows[pin, switch] = sitting.read([ohms] * 6, quantity="resistance", coupling="", u=0.5,
                                         point=f"pin-{pin}-to-chassis", switch=switch)  # fmt: skip
    taken = sitting.take(rows["2", "on"][2:], 139.9, quantity="resistance", coupling="")
    folder = write_card(tmp_path / "set-5", card('"chassis"'))
    sitting.write(folder / SITTING)
    radio = load_radio(folder)
    content = build_content(radio, assess(radio))
    item = next(f for f in content.findings if f.id == "chassis-kind")

    assert [(row.pin, row.switch, row.ohms, row.rows) for row in item.pins] == [
        ("pin 1", "on", "open", "0–5"), ("pin 1", "off", "open", "6–11"),
        ("pin 2", "on", "139.9 Ω", f"14–17 (take {taken})"), ("pin 2", "off", "open", "18–23"),
    ]  # fmt: skip
    assert item.pins_in == SITTING and item.evidence == ()  # nothing is cited twice
    for text in (Page(render_html(content)).text, printed(render_pdf(content))):
        assert squeezed("Ohms from each pin of the plug to the chassis, with the plug out: the lowest") in text
        for row in item.pins:
            assert squeezed(row.pin + row.switch + row.ohms + row.rows) in text


def test_a_pin_without_ohms_gets_no_table(tmp_path: Path) -> None:
    content = judged(tmp_path, [kind("isolated", Level.WITHIN)])

    assert content.findings[0].pins == () and "Ohms from each pin" not in render_html(content)
