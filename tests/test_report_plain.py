"""What the report says of contact, of the added transformer, of gain and of the meters, in words that an owner has."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from analysis.assess import assess
from analysis.finding import Finding, Level
from analysis.headroom import headroom, headroom_finding
from analysis.report.content import Content, build_content
from analysis.report.html import render_html
from analysis.report.instruments import meters
from analysis.report.owner import meter_words
from analysis.report.pdf import render_pdf
from analysis.table import Radio, load_radio
from tests.report_samples import CURRENT_METER, SITTING, SUPPLY, card, live_content
from tests.sessions import METER, SessionWriter, write_card
from tests.test_report import Page, printed, squeezed
from tests.test_report_words import answer, first_page, judged, rating
from tests.test_touch_rules import STATES, Sitting, home_of

TOUCHED = "hether the probe touched the metal (ohms before and after), for the low readings of chassis"
STILL = "hether the probe still touched the metal (ohms) after the low readings of chassis"


# -- contact of the probe


def quiet(tmp_path: Path, *, before: bool, after: bool) -> Content:
    """A proved chassis that reads low in all four states, its contact looked for before and after, or not."""
    sitting = Sitting()
    touching: dict[str, Any] = {"quantity": "resistance", "coupling": "", "resolution": 0.1, "point": "chassis"}
    if before:
        sitting.writer.read([0.3] * 4, u=0.1, **touching)
    sitting.states(dict.fromkeys(STATES, 1.0))
    if after:
        sitting.writer.read([0.3] * 4, u=0.1, **touching)
    home = home_of(tmp_path, plug="reversible")
    sitting.writer.write(home / "20260302T142500Z-a")
    radio = load_radio(home)
    return build_content(radio, assess(radio))


@pytest.mark.parametrize(("before", "after", "said"), [(False, False, TOUCHED), (True, False, STILL)])
def test_contact_that_nobody_looked_for_is_not_measured(tmp_path: Path, before: bool, after: bool, said: str) -> None:
    content = quiet(tmp_path, before=before, after=after)

    assert f"W{said}." in answer(content, "not measured") and f"W{said}" in content.missing
    for text in (Page(render_html(content)).text, printed(render_pdf(content))):
        assert text.count(squeezed(said)) == 2


def test_contact_that_was_seen_before_and_after_is_not_asked_for(tmp_path: Path) -> None:
    content = quiet(tmp_path, before=True, after=True)

    assert content.level is Level.WITHIN
    assert not [line for line in (*content.missing, answer(content, "not measured")) if "the probe" in line]


# -- transformer and its ammeter


def with_ammeter(tmp_path: Path, **meter: Any) -> Radio:
    """A set whose secondary current was read by meter `i`."""
    sitting = SessionWriter()
    sitting.read(
        [0.094] * 30, quantity="current", meter="i", u=4e-4, resolution=1e-4, point="secondary", load="loudest"
    )
    folder = write_card(tmp_path / "set-5", card() + '[transformer]\nrating = "3 VA"\n')
    sitting.write(folder / SITTING, meters=[METER, {**CURRENT_METER, **meter}])
    return load_radio(folder)


FITS = rating(Level.WITHIN, value=2.45, expanded_uncertainty=0.068, unit="VA", limit=3.0)


def test_a_rating_by_an_average_reading_meter_is_a_yes_as_computed_and_to_be_confirmed(tmp_path: Path) -> None:
    """2.45 VA over the margin of 1.5 are 1.63 VA; 3 VA over 2.45 VA is 1.22."""
    radio = with_ammeter(tmp_path, rms="average")
    found = assess(radio)
    found = replace(found, findings=(*(f for f in found.findings if f.id != "supply-rating"), FITS))
    content = build_content(radio, found, supply=SUPPLY | {"required_VA": 2.45, "true_rms_factor": 1.4})

    assert answer(content, "big enough") == (
        "Yes, as computed: 3 VA fitted. The board takes 1.63 VA; with the margin of 1.5, 2.45 VA are asked for "
        "(± 0.07 VA). 3 VA is 1.22 times that. The current came from an average-reading meter: confirm it with a "
        "true-RMS one."
    )
    assert any("confirm the transformer's current with a true-RMS meter" in step for step in content.actions)
    assert any("Before relying on the meter that read the current (‘i’): " in step for step in content.actions)
    assert "what its finding" not in first_page(content) and "meter 'i'" not in first_page(content).lower()


@pytest.mark.parametrize(("factor", "asked"), [(1.3, True), (1.0, False)])
def test_a_true_rms_meter_that_leaves_out_direct_current_is_named_as_that(
    tmp_path: Path, factor: float, asked: bool
) -> None:
    radio = with_ammeter(tmp_path)
    found = replace(assess(radio), findings=(FITS,))
    told = answer(build_content(radio, found, supply=SUPPLY | {"true_rms_factor": factor}), "big enough")

    assert ("corrected for what its meter does not see" in told) is asked and "average" not in told


def test_a_meter_is_named_by_what_no_other_read(tmp_path: Path) -> None:
    """Both read volts; the ohms are one's alone, and the other's volts are all that there is to name it by."""
    sitting = SessionWriter()
    for role in ("v", "i"):
        sitting.read([1.0] * 4, u=0.1, meter=role, point="chassis", plug="1", switch="on")
    sitting.read([0.3] * 4, u=0.1, quantity="resistance", coupling="", meter="i", point="pin-1-to-chassis")
    folder = write_card(tmp_path / "set-5", card())
    sitting.write(folder / SITTING, meters=[METER, CURRENT_METER])
    radio = load_radio(folder)

    assert meter_words(radio, "i") == "the meter that read ohms (‘i’)"
    assert meter_words(radio, "v") == "the meter that read volts (‘v’)"
    assert meter_words(radio, "x") == "the meter ‘x’"


# -- gain


@pytest.mark.parametrize(("gain", "step"), [(5.01, True), (4.0, False), (7.0, True)])
def test_what_the_headroom_asks_for_is_the_same_on_every_page(tmp_path: Path, gain: float, step: bool) -> None:
    """Rail 7.73 V less 1.5 V over a source of 0.7 V rms: 6.29 clips, and 3 dB below is 4.46."""
    finding = headroom_finding(headroom(7.73, 1.5, 1.5, 0.7), set_gain=gain)
    content = judged(tmp_path, [finding])
    asked = "Set the gain to 4.46 at most, which keeps 3 dB in reserve."
    item = content.findings[0]

    assert any(asked in action for action in content.actions) is step
    assert (asked in item.advice) is step
    assert ("Keep the gain at 4.46 or less" in item.advice) is not step


# -- meters


def test_how_the_uncertainty_comes_from_the_lines_is_said_once(tmp_path: Path) -> None:
    content = live_content(tmp_path)
    said = squeezed("U = 2 u (k = 2, about 95 %); u = limit of error / √3")

    assert Page(render_html(content)).text.count(said) == printed(render_pdf(content)).count(said) == 1


def test_each_accuracy_names_the_size_of_its_count_and_its_source_in_one_line(tmp_path: Path) -> None:
    line = {"quantity": "voltage", "coupling": "ac", "of_reading": 0.01, "digits": 10, "resolution": 1e-3}
    sitting = SessionWriter()
    sitting.read([1.0] * 4, u=0.1, point="chassis", plug="1", switch="on")
    folder = write_card(tmp_path / "set-5", card())
    sitting.write(folder / SITTING, meters=[{**METER, "accuracy": [line]}])
    session = load_radio(folder).sessions[0]
    used = session.meters["v"].accuracy[0]
    told = meters([session], {(session.meters["v"].profile, used): "maker’s data sheet, page 4"})[0].accuracy

    assert told == ("voltage AC: ± (1 % of reading + 10 × 1 mV); source: maker’s data sheet, page 4",)


@pytest.mark.parametrize(("port", "said"), [
    ("practice://far-leg-230", "simulated bench"), ("replay://log", "played from a record"), ("", "typed in"),
])  # fmt: skip
def test_a_practice_bench_is_called_a_simulated_bench(tmp_path: Path, port: str, said: str) -> None:
    sitting = SessionWriter()
    sitting.read([1.0] * 4, u=0.1, point="chassis", plug="1", switch="on")
    folder = write_card(tmp_path / "set-5", card())
    sitting.write(folder / SITTING, meters=[{**METER, "port": port, "isolation": "no-link"}])
    told = meters(load_radio(folder).sessions, {})[0].isolation

    assert said in told and ("typed in" in told) is (said != "simulated bench")


# -- an owner's words

UNKNOWN = ("on the card", "plug 1” below", "mains-to-chassis", "meter 'i'", "meter ‘i’")


def test_the_first_page_does_without_the_programs_own_names(tmp_path: Path) -> None:
    radio = with_ammeter(tmp_path, rms="average")
    shut = Finding(id="insulation", level=Level.UNDECIDED, title="Insulation", statement="One.", missing=("barrier",))
    for found in (assess(radio), replace(assess(radio), findings=(shut,))):
        page = first_page(build_content(radio, found, supply=SUPPLY))
        assert not [word for word in UNKNOWN if word in page]
    assert "across the barrier between mains and board" in page
