"""The sentences of the first page and of the card: each says what the readings showed, and no more."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from analysis.assess import assess
from analysis.assessment import Assessment, ranked
from analysis.finding import Finding, Level, Outcome, StateOutcome
from analysis.report.content import Content, build_content
from analysis.report.html import render_card_html, render_html
from analysis.report.pdf import render_card_pdf, render_pdf
from analysis.table import Radio, load_radio
from tests.report_samples import CURRENT_METER, SITTING, SUPPLY, card, live_content, state
from tests.sessions import METER, SessionWriter, write_card
from tests.test_report import Page, printed, squeezed


def judged(root: Path, findings: list[Finding], *, full: bool = True, missing: tuple[str, ...] = (),
           text: str = "") -> Content:  # fmt: skip
    """The content of findings made by hand, on a radio that has one sitting."""
    sitting = SessionWriter()
    sitting.read([0.5] * 4, u=0.1, point="chassis", plug="1", switch="on")
    folder = write_card(root / "set-5", text or card())
    sitting.write(folder / SITTING)
    found = Assessment(radio="set-5", stage="before-fit", sessions=(SITTING,), fully_measured=full, missing=missing,
                       findings=ranked(findings))  # fmt: skip
    return build_content(load_radio(folder), found)


def answer(content: Content, question: str) -> str:
    return next(" ".join(a.lines) for a in content.answers if question in a.question)


def volts(point: str, level: Level, *states: StateOutcome, **more: Any) -> Finding:
    return Finding(id=f"touch-voltage:{point}", level=level, title=point, statement="As read.", states=states, **more)


def four(*values: float, limit: float = 30.0) -> tuple[StateOutcome, ...]:
    """Plug 1 on, off, plug 2 on, off."""
    places = (("1", "on"), ("1", "off"), ("2", "on"), ("2", "off"))
    return tuple(
        state(*place, value, expanded=0.01 * value, outcome=Outcome.ABOVE if value > limit else Outcome.BELOW)
        for place, value in zip(places, values, strict=True)
    )


def current(point: str, amperes: float) -> Finding:
    return Finding(id=f"touch-current:{point}", level=Level.WITHIN, title="current", statement="As read.",
                   value=amperes, expanded_uncertainty=7e-6, unit="A", limit=5e-4)  # fmt: skip


def kind(word: str, level: Level) -> Finding:
    return Finding(id="chassis-kind", level=level, title="Chassis", statement="As found.", extra={"kind": word})


CAPACITOR = kind("line-capacitor", Level.CAUTION)
ABOVE_BY_VOLTS = [volts("chassis", Level.WITHIN, *four(3.1, 0.9, 164.0, 166.2)), current("chassis", 253e-6)]


# -- what may not be touched


def test_volts_above_with_little_current_are_never_answered_with_a_bare_below(tmp_path: Path) -> None:
    """166 V behind a capacitor, 253 µA ± 7 µA of 500 µA: 260 µA at most; it is still not to be touched."""
    aerial = volts("aerial", Level.WITHIN, *four(1.0, 0.3, 2.0, 2.1))
    content = judged(tmp_path, [*ABOVE_BY_VOLTS, aerial, CAPACITOR])
    touch = answer(content, "may not be touched")

    assert touch.startswith("Do not touch with the plug in: chassis and aerial.")
    assert "chassis: up to 166 V AC, above the voltage limit; only the current behind it was within its limit" in touch
    assert "(260 µA < 500 µA) that day." in touch
    assert "A capacitor joins the chassis to the mains: an old one can fail at any time" in touch
    assert "Below the touch limits" not in touch and "aerial: at most 2.10 V AC, below the limit that day" in touch
    assert "Other metal was not measured: count it as live." in touch


def test_a_part_that_can_fail_is_not_called_a_reading_above_its_limit(tmp_path: Path) -> None:
    """1.4 V in every state, behind a capacitor: nothing was above, and the headline says what the caution is for."""
    content = judged(tmp_path, [volts("chassis", Level.WITHIN, *four(1.4, 1.4, 1.4, 1.4)), CAPACITOR],
                     text=card('"chassis"'))  # fmt: skip

    assert content.headline == (
        "Keep off the metal of this radio while its plug is in: its chassis is joined to the mains through a part that "
        "can fail."
    )
    assert "not all of it stayed below" not in render_html(content)
    assert answer(content, "may not be touched").startswith("Do not touch with the plug in: chassis.")


def test_a_low_insulation_reading_is_named_as_the_reason(tmp_path: Path) -> None:
    leak = Finding(id="insulation", level=Level.CAUTION, title="Insulation", statement="Low.")
    content = judged(tmp_path, [volts("chassis", Level.WITHIN, *four(1.4, 1.4, 1.4, 1.4)), leak])

    assert "the insulation between it and the mains reads low" in content.headline
    assert "The insulation between the mains and the metal reads low" in answer(content, "may not be touched")


def test_readings_above_the_limit_keep_their_headline(tmp_path: Path) -> None:
    content = judged(tmp_path, [volts("chassis", Level.CAUTION, *four(3.0, 3.0, 120.0, 3.0)), CAPACITOR])

    assert content.headline.endswith("not all of it stayed below its limit.")
    assert "chassis: up to 120 V AC, above the limit." in answer(content, "may not be touched")


def test_strays_alone_are_within_by_the_current_only_and_say_so(tmp_path: Path) -> None:
    content = judged(tmp_path, [*ABOVE_BY_VOLTS, kind("isolated", Level.WITHIN)], text=card('"chassis"'))

    assert "some of them by the current only: their volts were above" in content.headline
    touch = answer(content, "may not be touched")
    assert touch.startswith("With the plug in, do not touch any metal that is not named here")
    assert "chassis: up to 166 V AC, above the voltage limit" in touch and "Below the touch limits" not in touch


def test_what_an_earlier_stage_read_stands_where_nothing_was_read_since(tmp_path: Path) -> None:
    """166 V before the board was fitted; afterwards the aerial only."""
    folder = write_card(tmp_path / "set-5", card())
    first = SessionWriter(start=datetime(2026, 2, 20, 10, tzinfo=UTC))
    first.read([166.0] * 6, u=0.7, point="chassis", plug="2", switch="on")
    first.read([0.1] * 6, quantity="current", meter="i", u=1e-3, point="secondary", load="loudest")
    first.write(folder / "20260220T100000Z-first", stage="before-fit", meters=[METER, CURRENT_METER])
    second = SessionWriter()
    second.read([1.0] * 6, u=0.1, point="aerial", plug="1", switch="on")
    second.write(folder / SITTING, stage="after-fit")
    radio = load_radio(folder)
    content = build_content(radio, assess(radio))

    touch, lacking = answer(content, "may not be touched"), answer(content, "not measured")
    assert "As measured before the board was fitted: chassis up to 166 V AC in what was read." in touch
    assert "chassis: measured before the board was fitted (sitting 20260220T100000Z-first), not since" in lacking
    assert answer(content, "transformer big enough") == (
        "Measured before the board was fitted (sitting 20260220T100000Z-first), not since: measure again."
    )
    assert "Measured at an earlier stage only, so measure again: the transformer’s rating" in lacking
    for text in (Page(render_html(content)).text, printed(render_pdf(content))):
        assert squeezed("the transformer’s rating: measured before the board was fitted") in text


def test_a_current_that_was_never_read_is_said_to_be_so(tmp_path: Path) -> None:
    content = judged(tmp_path, [volts("chassis", Level.WITHIN, *four(1.0, 1.0, 1.0, 1.0))])

    assert answer(content, "transformer big enough") == "Not established: its current was never measured."


# -- what the way round of the plug changes


def test_both_ways_and_both_switch_positions_are_told_of_every_point(tmp_path: Path) -> None:
    """A chassis that is a mains lead through the switch: way 1 is live with the switch on, way 2 with it off."""
    findings = [volts(p, Level.DANGER, *four(122.4, 0.85, 0.86, 122.4)) for p in ("chassis", "aerial")]
    plug = answer(judged(tmp_path, findings), "way round")

    for point in ("chassis", "aerial"):
        assert (
            f"{point}, way 1: 122 V with the switch on, 0.85 V off; way 2: 0.86 V with the switch on, 122 V off."
            in plug
        )
    assert (
        "Neither way of the plug, and not the switch, makes chassis and aerial dead: only pulling the plug does."
        in plug
    )
    assert "clearly lower" not in plug
    assert "Another socket can be wired the other way round: count on the higher figure." in plug


@pytest.mark.parametrize(
    ("line", "neutral", "fed", "proved"),
    [
        (229.0, 0.8, "mains", True),
        (None, None, "mains", False),
        (115.0, 0.8, "mains", False),
        (229.0, 115.0, "mains", False),
        (229.0, 0.8, "isolating-transformer", False),
    ],
)
def test_the_live_contact_counts_as_proved_only_where_it_was_read(
    tmp_path: Path, line: float | None, neutral: float | None, fed: str, proved: bool
) -> None:
    """Within 15 % of 230 V on the live contact, below 10 % on the neutral one, fed from the mains."""
    sitting = SessionWriter()
    for point, value in (("mains-line", line), ("mains-neutral", neutral)):
        if value is not None:
            sitting.read([value] * 4, u=0.5, point=point)
    for plug in "12":
        for switch in ("on", "off"):
            sitting.read([200.0] * 4, u=0.5, point="chassis", plug=plug, switch=switch)
    if line is not None:
        sitting.read([line] * 4, u=0.5, point="mains-line")
    folder = write_card(tmp_path / "set-5", card('"chassis"'))
    sitting.write(folder / SITTING, statements={"fed_from": fed})
    radio = load_radio(folder)
    content = build_content(radio, assess(radio))
    plug, told = answer(content, "way round"), dict(content.facts)["Proof of the measuring chain"]

    assert ("in the contact that was proved live" in plug) is proved
    assert ("Which contact is live was NOT proved." in plug) is not proved
    assert ("NOT proved" in told) is not proved
    if proved:
        assert told == "line 229.0 ± 1.0 V, neutral 0.8 ± 1.0 V, before and after the points"


# -- transformer


def rating(level: Level, **more: Any) -> Finding:
    return Finding(id="supply-rating", level=level, title="Transformer", statement="It is reckoned so.", **more)


def test_the_transformers_answer_is_short_and_names_the_margin(tmp_path: Path) -> None:
    """The next size is named only where the one at hand is too small: 3 VA over 1.27 VA is 2.36 times."""
    content = live_content(tmp_path)
    told = answer(content, "transformer big enough")
    assert "with the margin of 1.5, 1.27 VA are asked for" in told and "common size" not in told
    assert "true" not in told  # its ammeter reads true RMS

    radio = load_radio(tmp_path / "set-5")
    small = Assessment(radio="set-5", stage="after-fit", sessions=(), fully_measured=False, missing=(),
                       findings=(rating(Level.CAUTION),))  # fmt: skip
    told = answer(build_content(radio, small, supply=SUPPLY | {"required_VA": 3.2, "next_standard_VA": 4.0}), "big")
    assert told.startswith("No, as computed: 3 VA fitted. The board takes 2.13 VA; with the margin of 1.5, 3.20 VA are")
    assert "3 VA is 0.94 times that." in told
    assert told.endswith("The next common size is 4 VA.")


def test_an_unsettled_rating_names_what_is_missing(tmp_path: Path) -> None:
    live_content(tmp_path)
    unsettled = Assessment(radio="set-5", stage="after-fit", sessions=(), fully_measured=False, missing=(), findings=(
        rating(Level.UNDECIDED, missing=("readings with the board at its loudest",)),))  # fmt: skip
    content = build_content(load_radio(tmp_path / "set-5"), unsettled, supply=SUPPLY)

    told = answer(content, "transformer big enough")
    assert told.startswith("Not settled:") and "Missing: readings with the board at its loudest." in told


# -- what was not measured


def test_a_full_measurement_still_says_what_it_leaves_open(tmp_path: Path) -> None:
    findings = [volts(p, Level.WITHIN, *four(1.0, 1.0, 1.0, 1.0)) for p in ("chassis", "aerial")]
    content = judged(tmp_path, findings, missing=("insulation: ohms by an insulation tester",
                                                  "level match: volts at point speaker"))  # fmt: skip
    told = answer(content, "not measured")

    assert told.startswith("Measured: every plug and switch state of the 2 points listed for it, AC only.")
    assert "Nor were DC volts at any point, metal not listed for this radio and the earth connection" in told
    assert "Insulation between mains and metal: ohms by an insulation tester." in told
    assert told.endswith("Apart from touch: how loud it is beside the radio.")
    assert dict(content.facts)["Completeness"] == "every plug and switch state of the 2 points listed for it, AC only"
    assert {"DC volts at any point", "Metal not listed for this radio"} <= set(content.missing)


def test_points_that_lack_the_same_stand_in_one_line(tmp_path: Path) -> None:
    every = tuple(f"plug {plug}, switch {switch}" for plug in "12" for switch in ("on", "off"))
    findings = [volts(p, Level.UNDECIDED, missing=every) for p in ("aerial", "knob")]
    findings.append(volts("chassis", Level.UNDECIDED, *four(1.0, 1.0, 1.0, 1.0)[:2], missing=every[2:]))
    lacking = tuple(f"{p}: {what}" for p in ("aerial", "knob") for what in every)
    content = judged(tmp_path, findings, full=False, missing=lacking, text=card('"chassis", "aerial", "knob"'))

    told = answer(content, "not measured")
    assert "aerial and knob: every plug and switch state." in told and "chassis: plug 2, switch on and off." in told
    assert content.missing[0] == "aerial and knob: every plug and switch state"
    assert render_html(content).count("aerial and knob: every plug and switch state") == 2


def test_computed_supply_voltages_are_said_to_be_computed_and_what_was_taken_for_them(tmp_path: Path) -> None:
    live_content(tmp_path)
    radio = load_radio(tmp_path / "set-5")
    supply = SUPPLY | {"missing": ["the load of each rail: alike is taken"]}
    content = build_content(radio, assess(radio), supply=supply)

    assert "The board’s supply voltages are computed from the transformer’s readings, not measured." in answer(
        content, "not measured"
    )
    assert "For the transformer’s figures: the load of each rail: alike is taken" in content.missing


# -- an owner's words


UNKNOWN = ("burden", "guard", "tied to a leg", "before-fit", "earth clip", "mOhm", "wire.csv", "settle these",
           "swing_loss", "source_level", "tied-through-switch", "true RMS", "average-responding")  # fmt: skip


def first_page(content: Content) -> str:
    lines = [content.headline, *content.found, *content.actions, *(t for a in content.answers for t in a.lines)]
    return "\n".join(lines)


def test_the_first_page_does_without_the_trades_words(tmp_path: Path) -> None:
    live_content(tmp_path)
    for radio in (load_radio(tmp_path / "set-5"), Radio(card=load_radio(tmp_path / "set-5").card)):
        page = first_page(build_content(radio, assess(radio), supply=SUPPLY)).lower()
        assert not [word for word in UNKNOWN if word.lower() in page]


def test_a_broken_off_sitting_is_named_in_plain_words_and_has_no_hash(tmp_path: Path) -> None:
    sitting = SessionWriter()
    sitting.read([0.8] * 4, point="chassis", plug="1", switch="on")
    folder = write_card(tmp_path / "set-5", card('"chassis"'))
    sitting.write(folder / SITTING, closed=False)
    radio = load_radio(folder)
    content = build_content(radio, assess(radio))

    page = first_page(content)
    assert "One sitting was broken off; its files are unclosed." in page
    assert "The record." not in page and "chassislog check" not in page
    for text in (Page(render_html(content)).text, printed(render_pdf(content))):
        assert squeezed("No SHA-256 of its readings, events and bytes was kept: the sitting was broken off") in text


def test_stored_charge_and_the_other_socket_stand_on_the_first_page(tmp_path: Path) -> None:
    page = first_page(live_content(tmp_path))

    assert "Its capacitors can hold a voltage that kills after the plug is out" in page
    assert "Another socket can be wired the other way round" in page


# -- the card


def test_the_card_names_every_point_and_the_cause(tmp_path: Path) -> None:
    aerial = volts("aerial", Level.WITHIN, *four(1.0, 0.3, 53.0, 54.0))
    content = judged(tmp_path, [*ABOVE_BY_VOLTS, aerial, current("aerial", 56e-6), CAPACITOR])

    for text in (Page(render_card_html(content)).text, printed(render_card_pdf(content))):
        assert squeezed("While the plug is in: chassis (up to 166 V AC) and aerial (up to 54.0 V AC), and all") in text
        assert squeezed("until the capacitor between the mains and the chassis has been replaced or removed") in text
        assert squeezed("missing or high readings") not in text
    assert squeezed("cut here") in printed(render_card_pdf(content))


def test_the_card_of_a_radio_that_is_within_names_what_was_measured(tmp_path: Path) -> None:
    content = judged(tmp_path, [*ABOVE_BY_VOLTS, kind("isolated", Level.WITHIN)], text=card('"chassis"'))

    assert content.card.touch == (
        "All metal that was not measured, while the plug is in. Measured: chassis (up to 166 V AC, with little current "
        "behind it)."
    )


def test_a_danger_that_the_volts_do_not_show_is_not_read_from_them(tmp_path: Path) -> None:
    """A residual-current device that opened under load: the low volts before it say nothing against that."""
    content = judged(tmp_path, [volts("chassis", Level.DANGER, *four(3.0, 3.0, 3.0, 3.0))], text=card('"chassis"'))

    assert "chassis: touching can kill, whatever was read." in answer(content, "may not be touched")
