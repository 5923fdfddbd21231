"""The touch calculator: typed-in voltages, levels by voltage and by current, JSON, and refusals in one line."""

from __future__ import annotations

import pytest

from logger.cli_touch import add_touch
from tests.calculators import Calculators

CALCULATORS = Calculators(add_touch)
run, answer, refused = CALCULATORS.run, CALCULATORS.answer, CALCULATORS.refused
METER = "--meter-input '10 Mohm' --frequency 50Hz --accuracy '0.1% + 1 digits' --burden-tolerance 0.1%"


def test_ten_nanofarads_from_230_volts_bound_by_two_readings() -> None:
    """Closed form: V1 = 229.884 V and V2 = 7.2149 V; 0.723 mA reactive to 0.740 mA resistive into 2 kΩ."""
    found = answer(f"--reading 229.884V --reading 7.2149V@10kohm {METER}")

    assert found["level"] == "caution" and not found["hard_connection"]
    assert found["touch_current_A"]["low"] == pytest.approx(0.723e-3, rel=5e-3)
    assert found["touch_current_A"]["high"] == pytest.approx(0.740e-3, rel=5e-3)
    assert found["limit_A"] == 0.0005 and "62368" in found["limit_source"]


def test_the_document_has_its_keys() -> None:
    found = answer(f"--reading 12.0V {METER}")

    assert {"open_circuit_V", "source_impedance_ohm", "touch_current_A", "hard_connection", "level", "limit_A",
            "limit_source", "expanded_uncertainty_A", "reasons"} <= set(found)  # fmt: skip
    for key in ("open_circuit_V", "source_impedance_ohm", "touch_current_A"):
        assert set(found[key]) == {"low", "high"}
    assert found["source_impedance_ohm"] == {"low": 0.0, "high": None}


@pytest.mark.parametrize(
    ("reading", "more", "level", "status"),
    [
        ("28.0V", "", "within", 0),  # 28 V + 0.6 % guard + U stays below 30 V
        ("29.9V", "", "caution", 0),  # the guard lifts it above 30 V
        ("40.0V", "", "caution", 0),  # 30 V to 50 V, no burden
        ("49.9V", "", "danger", 1),  # the guard lifts it above 50 V
        ("230.0V", "", "danger", 1),
        ("28.0V", "--strict", "danger", 1),  # 25 V in place of 30 V and of 50 V
        ("24.0V", "--strict", "within", 0),
    ],
)
def test_without_a_burden_the_voltage_decides(reading: str, more: str, level: str, status: int) -> None:
    assert answer(f"--reading {reading} {METER} {more}", status)["level"] == level


@pytest.mark.parametrize(
    ("loaded", "level", "status"),
    [("0.722V@10kohm", "within", 0), ("7.22V@10kohm", "caution", 0), ("66.82V@10kohm", "danger", 1)],
)
def test_with_a_burden_the_current_decides(loaded: str, level: str, status: int) -> None:
    assert answer(f"--reading 219.2V --reading {loaded} {METER}", status)["level"] == level


def test_a_high_reading_that_collapses_is_said_in_words_with_its_limit_and_caution() -> None:
    text = run(f"--reading 118.4V --reading 0.231V@10kohm {METER}")

    assert text.startswith("WITHIN") and "collapses" in text and "by current" in text
    assert "licensed" in text and "safe" not in text.lower()
    hard = run(f"--reading 118.4V --reading 117.9V@10kohm {METER}", 1)
    assert hard.startswith("DANGER") and "hard connection" in hard


def test_direct_volts_have_their_own_limits() -> None:
    """60 V and 2 mA: 90 V behind 33 kΩ drives 90/35e3 = 2.57 mA."""
    volts = [90 / (1 + 33e3 * g) for g in (1e-7, 1.001e-4)]
    found = answer(
        f"--reading={-volts[0]:.4f}V --reading={-volts[1]:.4f}V@10kohm --dc --meter-input 10Mohm "
        "--accuracy '0.05% + 1 digits' --burden-tolerance 0.1%"
    )

    assert found["touch_current_A"]["high"] == pytest.approx(90 / 35e3, rel=1e-3)
    assert found["level"] == "caution" and found["limit_A"] == 0.002


def test_a_burden_alone_does_not_measure_a_state() -> None:
    assert answer(f"--reading 0.05V@10kohm {METER}")["level"] == "undecided"
    assert answer(f"--reading 66.8V@10kohm {METER}", 1)["level"] == "danger"
    # Two burdens show a source that stands above the voltage limit unloaded.
    assert answer(f"--reading 28.0V@100kohm --reading 14.0V@20kohm {METER}")["level"] == "caution"


def test_a_burden_reading_above_the_unloaded_one_is_never_within_by_voltage() -> None:
    found = answer(f"--reading 5.0V --reading 90.0V@10kohm {METER}", 1)

    assert found["level"] == "danger" and "above" in found["reasons"][0]


def test_what_is_assumed_is_said() -> None:
    found = answer("--reading 12.34V")

    said = " ".join(found["reasons"])
    assert "3 %" in said and "60 Hz" in said and "1 to 11 MΩ" in said
    # 3 % of 12.34 V and ten counts of 0.01 V, /√3, doubled, into 1985.7 Ω: IEC 60990 network at 60 Hz
    assert found["expanded_uncertainty_A"] == pytest.approx(2 * (0.03 * 12.34 + 0.1) / 3**0.5 / 1985.7, rel=0.01)


@pytest.mark.parametrize(
    ("command", "word"),
    [
        ("--reading 12", "no unit"),
        ("--reading 12ohm", "Expected volts"),
        ("--reading=-12V", "negative"),
        ("--reading 12V@", "--reading"),
        ("--reading 12V@0ohm", "above zero"),
        ("--reading 12V@10V", "Expected ohms"),
        ("--reading 12V --frequency 50Hz --dc", "Give one"),
        ("--reading 12V --frequency 0Hz", "above zero"),
        ("--reading 12V --meter-input 0ohm", "above zero"),
        ("--reading 12V --meter-capacitance 100pF", "--meter-input"),
        ("--reading 12V --accuracy good", "0.8% + 3 digits"),
        ("--reading 12V --resolution 0V", "above zero"),
        ("--reading 12V --burden-tolerance 90%", "tolerance"),
        ("--reading 12V --burden-tolerance much", "--burden-tolerance"),
        ("--reading 1e300V", "expected up to"),
    ],
)
def test_nonsense_is_refused_in_one_line_that_says_what_was_expected(command: str, word: str) -> None:
    assert word in refused(command)
