"""How far the board can be turned up."""

from __future__ import annotations

import math

import pytest

from analysis.finding import Level
from analysis.headroom import headroom, headroom_finding, level_match, level_match_finding, undistorted_peak


@pytest.mark.parametrize(
    ("rail", "bias", "high", "low", "rms"),
    [  # data-sheet swing losses: a single-supply op-amp at 9 V, and one for split rails biased in the middle of 12 V
        (9.0, 4.5, 1.5, 0.02, 2.12),
        (9.0, 3.76, 1.5, 0.02, 2.64),
        (12.0, 6.0, 1.5, 1.5, 3.18),
        (12.0, 6.0, 3.0, 3.0, 2.12),
    ],
)
def test_single_supply_swing_of_the_data_sheets(rail: float, bias: float, high: float, low: float, rms: float) -> None:
    peak = undistorted_peak(rail, high, low, single=True, bias=bias)

    assert peak / math.sqrt(2) == pytest.approx(rms, abs=0.006)


def test_a_bias_left_out_is_half_the_rail() -> None:
    assert undistorted_peak(9.0, 1.5, 0.02, single=True) == undistorted_peak(9.0, 1.5, 0.02, single=True, bias=4.5)


def test_dual_rails_give_what_the_worse_side_leaves() -> None:
    """11.2 V less 1.5 V over 0.7 V rms: 9.7 / 0.98995 = 9.798, which is 19.82 dB; 3 dB less is 6.937."""
    found = headroom(11.2, 1.5, 1.0, 0.7, reserve_dB=3.0)

    assert found.undistorted_peak == pytest.approx(9.7)
    assert found.gain_limit == pytest.approx(9.7985, abs=1e-4)
    assert found.gain_limit_dB == pytest.approx(19.823, abs=1e-3)
    assert found.advised_gain == pytest.approx(6.9367, abs=1e-4)


def test_a_strong_source_on_a_weak_rail_is_a_caution() -> None:
    """A 2.1 V source peaks at 2.97 V: on 4 V rails with 1.5 V of loss it clips at a gain of one."""
    found = headroom_finding(headroom(4.0, 1.5, 1.5, 2.1))

    assert found.level is Level.CAUTION
    assert "2.970 V peak" in found.statement
    assert "attenuate" in found.advice


def test_a_set_gain_within_the_limit_but_inside_the_uncertainty_is_a_caution() -> None:
    found = headroom(11.2, 1.5, 1.5, 0.7)

    assert headroom_finding(found, set_gain=9.5).level is Level.WITHIN
    assert headroom_finding(found, set_gain=9.5, u_rail=0.2).level is Level.CAUTION


@pytest.mark.parametrize(
    ("rail", "high", "low", "source", "message"),
    [(0.0, 1, 1, 1, "rail of 0.0 V"), (-5, 1, 1, 1, "rail of -5 V"), (math.nan, 1, 1, 1, "rail"),
     (5, -1, 1, 1, "swing losses"), (1.0, 1.5, 0, 1, "no output swing"), (5, 1, 1, 0, "source of 0 V")],
)  # fmt: skip
def test_nonsense_is_refused(rail: float, high: float, low: float, source: float, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        headroom(rail, high, low, source)


def test_a_bias_outside_the_rail_or_on_a_dual_supply_is_refused() -> None:
    with pytest.raises(ValueError, match="between zero and the rail"):
        undistorted_peak(9.0, 1.0, 1.0, single=True, bias=9.5)
    with pytest.raises(ValueError, match="single supply"):
        undistorted_peak(9.0, 1.0, 1.0, bias=4.5)


def test_level_match_in_decibels_with_its_interval() -> None:
    """0.5 V against 0.25 V is 6.02 dB; 1 % on each is 0.1228 dB, twice that the interval."""
    found = level_match(0.25, 0.5, 0.0025, 0.005)

    assert found.difference_dB == pytest.approx(6.0206, abs=1e-4)
    assert found.interval_dB[1] - found.difference_dB == pytest.approx(0.2457, abs=1e-4)
    assert level_match_finding(found).level is Level.CAUTION


@pytest.mark.parametrize(
    ("board", "u", "level"), [(1.02, 0.005, Level.WITHIN), (1.12, 0.02, Level.UNDECIDED), (0.5, 0.005, Level.CAUTION)]
)
def test_a_match_needs_the_whole_interval(board: float, u: float, level: Level) -> None:
    assert level_match_finding(level_match(1.0, board, u, u)).level is level
