"""Heat in a winding by its resistance."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.finding import Level
from analysis.winding import WindingReading, judge_winding, winding_finding, winding_rise


def reading(resistance: float, air: float, u: float = 0.0, u_air: float = 0.0) -> WindingReading:
    """An exact reading unless told otherwise."""
    return WindingReading(resistance=resistance, air=air, u_resistance=u, u_air=u_air)


def test_the_worked_example_of_the_resistance_method() -> None:
    """100 Ω at 20 °C, 125 Ω with the air at 24 °C: 25 % of 254.5 less 4 is 59.6 K, the winding at 83.6 °C."""
    found = judge_winding(reading(100, 20), reading(125, 24))

    assert found.rise == pytest.approx(59.625)
    assert found.hot == pytest.approx(83.625)
    assert found.limit == 76.0  # class A, 100 °C in normal use


def test_aluminium_has_another_zero() -> None:
    """25 % of 225 + 20, less 4 K."""
    assert winding_rise(100, 125, 20, 24, "aluminium") == pytest.approx(57.25)


@given(st.floats(0.1, 1e4), st.floats(0, 40), st.floats(0, 120), st.floats(-5, 15))
def test_a_winding_of_known_temperature_comes_out_at_it(cold: float, air: float, rise: float, drift: float) -> None:
    """Copper's resistance goes as 234.5 °C + T."""
    end = air + drift
    hot = cold * (234.5 + end + rise) / (234.5 + air)
    if hot >= cold:
        assert winding_rise(cold, hot, air, end) == pytest.approx(rise, abs=1e-9 * (1 + cold))


def test_the_uncertainty_is_that_of_the_four_readings() -> None:
    """By hand: hot 254.5/100·0.1 = 0.2545 K, cold 1.25 times that, air 1.25·0.5 and 0.5 K; U is twice the root."""
    found = judge_winding(reading(100, 20, 0.1, 0.5), reading(125, 24, 0.1, 0.5))

    by_hand = 2 * math.sqrt(0.2545**2 + (1.25 * 0.2545) ** 2 + (1.25 * 0.5) ** 2 + 0.5**2)
    assert found.expanded_uncertainty == pytest.approx(by_hand)


@pytest.mark.parametrize(
    ("hot", "u", "level"),
    [  # class A over 25 °C leaves 75 K; 254.5 K a doubling
        (100 * (1 + 64 / 254.5), 0.0, Level.WITHIN),
        (100 * (1 + 66 / 254.5), 0.0, Level.CAUTION),  # within 10 K
        (100 * (1 + 60 / 254.5), 2.1, Level.CAUTION),  # within U = 17 K
        (100 * (1 + 76 / 254.5), 0.0, Level.DANGER),
    ],
)
def test_levels_against_the_class(hot: float, u: float, level: Level) -> None:
    # The air warms by 5 K during the run, which the hot reading contains as well.
    found = judge_winding(reading(100, 20, u), reading(hot + 100 * 5 / 254.5, 25, u))

    assert found.limit == 75.0
    assert found.level is level


@pytest.mark.parametrize(
    ("cold", "hot", "message"),
    [
        ((100, 20), (90, 24), "below 100 Ω cold"),
        ((100, 20), (101, 60), "cooler than the air"),
    ],
)
def test_readings_that_cannot_be_are_refused(cold: tuple[float, float], hot: tuple[float, float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        judge_winding(reading(*cold), reading(*hot))


@pytest.mark.parametrize("resistance", [0.0, -5.0, math.nan, math.inf])
def test_no_resistance_is_no_reading(resistance: float) -> None:
    with pytest.raises(ValueError, match="expected more than zero"):
        reading(resistance, 20)


def test_an_unknown_class_or_metal_is_refused() -> None:
    with pytest.raises(ValueError, match="expected one of A, E, B, F, H"):
        judge_winding(reading(100, 20), reading(125, 24), insulation_class="C")
    with pytest.raises(ValueError, match="copper or aluminium"):
        judge_winding(reading(100, 20), reading(125, 24), metal="iron")


def test_the_finding_names_value_limit_and_source() -> None:
    found = winding_finding(judge_winding(reading(100, 20, 0.1, 0.5), reading(125, 24, 0.1, 0.5)), assumed_class=True)

    assert found.id == "winding-rise"
    assert found.level is Level.WITHIN
    assert "59.6 ± 1.8 K" in found.statement
    assert "76 K" in found.statement
    assert "IEC 61558-1, Table 1" in found.limit_source
    assert found.missing == ("insulation class on the card",)
    assert "safe" not in (found.statement + found.advice).lower()
