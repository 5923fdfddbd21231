"""What was read of the probe's contact with its point, for and against the volts that were read there."""

from __future__ import annotations

from pathlib import Path

import pytest

from analysis.finding import Level
from tests.test_touch_rules import STATES, Sitting, chassis, judged

#: An open circuit, contact through rust and paint, and metal on metal. [Ω]
OPEN, PAINT, METAL = None, 4700.0, 0.2


def look(sitting: Sitting, ohms: float | None) -> range:
    """Ohms between the clip and the bare metal beside it, plug out."""
    return sitting.read(ohms, point="chassis", quantity="resistance", coupling="")


def test_contact_before_and_after_is_said_and_within(tmp_path: Path) -> None:
    sitting = Sitting()
    look(sitting, METAL)
    sitting.quiet()
    look(sitting, METAL)

    found = chassis(judged(tmp_path, sitting))

    assert found.level is Level.WITHIN and "seen to touch it before and after" in found.statement


def test_without_a_look_the_statement_says_that_it_rests_on_somebodys_word(tmp_path: Path) -> None:
    sitting = Sitting()
    sitting.quiet()

    found = chassis(judged(tmp_path, sitting))

    assert found.level is Level.WITHIN and "the probe touched it was not read" in found.statement


@pytest.mark.parametrize("ohms", [OPEN, PAINT])
def test_a_probe_in_the_air_or_on_paint_before_the_states_leaves_them_undecided(
    ohms: float | None, tmp_path: Path
) -> None:
    sitting = Sitting()
    look(sitting, ohms)
    sitting.quiet()

    found = judged(tmp_path, sitting)

    assert chassis(found).level is Level.UNDECIDED and "seen not to touch chassis before" in chassis(found).statement
    assert "contact of the probe with chassis, and plug 1, switch on again" in chassis(found).missing
    assert not [text for text in chassis(found).missing if "mains-line" in text]  # that part of the chain is proved
    kind = found.of("chassis-kind")
    assert kind is not None and kind.extra["kind"] == "not-established"


def test_a_clip_found_off_afterwards_takes_back_the_states_since_it_was_last_on(tmp_path: Path) -> None:
    sitting = Sitting()
    look(sitting, METAL)
    sitting.states(dict.fromkeys(STATES[:2], 1.0))
    look(sitting, METAL)
    sitting.states(dict.fromkeys(STATES[2:], 1.0))
    look(sitting, OPEN)

    found = chassis(judged(tmp_path, sitting))

    assert found.level is Level.UNDECIDED
    assert [text for text in found.missing if "contact of the probe" in text] == [
        f"contact of the probe with chassis, and plug {plug}, switch {switch} again" for plug, switch in STATES[2:]
    ]


def test_leads_that_touch_only_at_the_end_of_a_look_were_in_contact(tmp_path: Path) -> None:
    """The ohmmeter shows an open circuit until the other lead is on the metal, and again when it is lifted."""
    sitting = Sitting()
    for ohms in (OPEN, METAL, OPEN):
        look(sitting, ohms)
    sitting.quiet()

    assert chassis(judged(tmp_path, sitting)).level is Level.WITHIN


def test_a_burden_reading_with_the_clip_off_does_not_talk_a_hard_connection_down(tmp_path: Path) -> None:
    """228 V alone, 0.3 V across 10 kΩ in the air: by those figures a stray, by the look a reading of nothing."""
    sitting = Sitting()
    look(sitting, METAL)
    sitting.quiet(("1", "on"), volts=1.0)
    sitting.states({("1", "on"): 228.0})
    look(sitting, METAL)
    sitting.read(0.3, point="chassis", plug="1", switch="on", burden="10 kohm")
    look(sitting, OPEN)

    assert chassis(judged(tmp_path, sitting)).level is Level.DANGER


@pytest.mark.parametrize(("ohms", "level"), [(OPEN, Level.UNDECIDED), (METAL, Level.WITHIN)])
def test_one_typed_value_that_was_taken_is_a_look(ohms: float | None, level: Level, tmp_path: Path) -> None:
    sitting = Sitting()
    rows = sitting.writer.read([ohms], quantity="resistance", coupling="", point="chassis")
    sitting.writer.take(rows, ohms, quantity="resistance", coupling="")
    sitting.quiet()

    found = chassis(judged(tmp_path, sitting))

    assert found.level is level and "seen" in found.statement


def test_another_session_has_its_own_contact(tmp_path: Path) -> None:
    early, late = Sitting(), Sitting()
    look(early, OPEN)
    late.quiet()

    assert chassis(judged(tmp_path, early, late)).level is Level.WITHIN


def test_a_current_that_falls_with_a_larger_load_is_no_proof_of_a_collapse(tmp_path: Path) -> None:
    """228 V alone drive 23 µA into 10 MΩ; 2.7 mV across 2 kΩ are 1.3 µA. No source does that: the clip came off."""
    sitting = Sitting()
    sitting.quiet(("1", "on"))
    sitting.states({("1", "on"): 228.0})
    sitting.writer.read([0.0027] * 4, u=2e-5, resolution=1e-5, point="chassis", plug="1", switch="on", burden="2 kohm")

    assert chassis(judged(tmp_path, sitting)).level is Level.DANGER


def test_one_burden_written_in_two_ways_is_one_burden(tmp_path: Path) -> None:
    """0.1 Mohm is 100 kohm: 1.0 V across it are 10 µA, in rows that settle only when they count together."""
    sitting = Sitting()
    sitting.quiet(("1", "on"))
    sitting.states({("1", "on"): 60.0})
    for text in ("100 kohm", "0.1 Mohm", "100000 ohm"):
        sitting.writer.read([1.0], u=0.01, point="chassis", plug="1", switch="on", burden=text)

    assert chassis(judged(tmp_path, sitting)).level is Level.WITHIN


def test_a_burden_that_is_no_resistance_is_named_as_missing(tmp_path: Path) -> None:
    sitting = Sitting()
    sitting.quiet(("1", "on"))
    sitting.states({("1", "on"): 60.0})
    sitting.read(1.0, point="chassis", plug="1", switch="on", burden="hundred kilo")

    found = chassis(judged(tmp_path, sitting))

    assert found.level is Level.DANGER and [text for text in found.missing if "'hundred kilo' is none" in text]


def test_a_chain_that_was_not_proved_again_is_said_and_one_that_was_is_not(tmp_path: Path) -> None:
    once, again = Sitting(), Sitting()
    for sitting in (once, again):
        sitting.quiet()
    again.read(230.0, point="mains-line")

    first, second = (chassis(judged(tmp_path / str(n), sitting)) for n, sitting in enumerate((once, again)))

    assert first.level is second.level is Level.WITHIN
    assert "not proved again" in first.statement and "not proved again" not in second.statement


def test_a_point_as_high_as_a_hard_connection_leaves_no_chassis_isolated(tmp_path: Path) -> None:
    """138 V at the knob's screw that nobody loaded: it may be on the chassis, whose probe may have hung in the air."""
    sitting = Sitting()
    sitting.quiet()
    sitting.states({**dict.fromkeys(STATES, 1.0), ("1", "on"): 138.0}, point="knob-screw")

    kind = judged(tmp_path, sitting, card={"points": ["chassis", "knob-screw"]}).of("chassis-kind")

    assert kind is not None and kind.extra["kind"] == "not-established" and "knob-screw" in kind.statement


@pytest.mark.parametrize("seen", [(PAINT,), (PAINT, 9100.0), (OPEN,)])
def test_one_row_against_contact_that_nobody_took_is_enough(seen: tuple[float | None, ...], tmp_path: Path) -> None:
    """A guided plan refuses such a value, so that no take tells of it: the row does."""
    sitting = Sitting()
    look(sitting, METAL)
    sitting.quiet()
    sitting.writer.read(list(seen), point="chassis", quantity="resistance", coupling="", burden="100 kohm")

    assert chassis(judged(tmp_path, sitting)).level is Level.UNDECIDED


def test_paint_on_which_the_ohms_settled_is_not_undone_by_contact_found_after_it(tmp_path: Path) -> None:
    sitting = Sitting()
    look(sitting, METAL)
    sitting.quiet()
    for ohms in (PAINT, METAL):
        look(sitting, ohms)

    assert chassis(judged(tmp_path, sitting)).level is Level.UNDECIDED
