"""Two arrangements compared: what autocorrelation, drift and too few repeats do to the verdict."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from analysis.compare import Comparison, Same, compare, effective_count, hum_difference, student_t
from analysis.finding import Level

Array = npt.NDArray[np.float64]


def wandering(draw: np.random.Generator, count: int, phi: float) -> Array:
    """AR(1) noise of unit variance: x[k] = phi·x[k−1] + e."""
    steps = draw.normal(size=count) * np.sqrt(1 - phi**2)
    found = np.empty(count)
    found[0] = draw.normal()
    for k in range(1, count):
        found[k] = phi * found[k - 1] + steps[k]
    return found


def sitting(
    draw: np.random.Generator, *, decibels: float, repeats: int, length: int, spread: float
) -> tuple[list[Array], list[Array]]:
    """Hum of 10 mV read in alternation through one wandering, drifting sitting; the first is louder by `decibels`."""
    total = 2 * repeats * length
    time = np.linspace(0.0, 1.0, total)
    size = draw.uniform(-0.2, 0.2)
    drift = [
        0 * time,
        size * time,
        size * (1 - np.exp(-4 * time)),
        size * np.sin(2 * np.pi * time * draw.uniform(0.2, 1.2)),
    ]
    hum = 0.010 * (1 + spread * wandering(draw, total, draw.uniform(0.0, 0.95)) + drift[draw.integers(4)])
    stretches = np.abs(hum).reshape(2 * repeats, length)
    return list(stretches[0::2] * 10 ** (decibels / 20)), list(stretches[1::2])


def outcomes(decibels: float, count: int, *, margin: float, **how: float) -> list[Comparison]:
    draw = np.random.default_rng(20)
    return [
        compare(
            *sitting(draw, decibels=decibels, repeats=int(draw.integers(3, 8)), length=20, spread=how["spread"]),
            margin_dB=margin,
        )
        for _ in range(count)
    ]


def test_a_true_zero_is_seldom_called_a_difference() -> None:
    """2,000 pairs; the margin of 0.01 dB lets nothing be called the same, so that every chance to err is taken."""
    found = outcomes(0.0, 2000, margin=0.01, spread=0.08)

    assert sum(f.outcome is Same.DIFFERENT for f in found) <= 0.065 * 2000
    assert sum(f.outcome is Same.DIFFERENT for f in outcomes(0.0, 300, margin=1.0, spread=0.08)) <= 0.065 * 300


def test_two_decibels_are_found_with_enough_data() -> None:
    """Ten repeats of 20 readings, 8 % of wandering noise and up to 20 % of drift."""
    draw = np.random.default_rng(21)
    found = [compare(*sitting(draw, decibels=2.0, repeats=10, length=20, spread=0.08)) for _ in range(1000)]

    assert sum(f.outcome is Same.DIFFERENT for f in found) >= 0.95 * 1000
    held = sum(f.interval is not None and f.interval[0] <= 2.0 <= f.interval[1] for f in found)
    assert held >= 0.95 * 1000


def test_repeats_that_scatter_by_themselves_keep_the_promised_confidence() -> None:
    """Every repeat plugged anew, so that its mean jumps: the case that Student's t is made for."""
    draw = np.random.default_rng(22)
    wrong = 0
    for _ in range(2000):
        levels = 0.01 * 10 ** (draw.normal(0.0, 0.5, size=(2, 4)) / 20)
        stretches = [[np.full(12, level) for level in side] for side in levels]
        wrong += compare(stretches[0], stretches[1], margin_dB=0.001).outcome is Same.DIFFERENT
    assert wrong <= 0.065 * 2000


def steady(level: float, repeats: int, wobble: float = 0.01, length: int = 10) -> list[Array]:
    return [level * (1 + wobble * np.sin(np.arange(length) + 2.1 * k)) for k in range(repeats)]


def test_the_difference_is_the_first_over_the_second() -> None:
    """20·log10(2) = 6.02 dB."""
    found = compare(steady(0.020, 5), steady(0.010, 5))

    assert found.difference == pytest.approx(6.02, abs=0.05) and found.outcome is Same.DIFFERENT
    assert hum_difference(found).level is Level.CAUTION


def test_a_meter_that_reads_five_percent_high_changes_nothing() -> None:
    a, b = steady(0.012, 5), steady(0.010, 5)
    true, high = compare(a, b), compare([1.05 * x for x in a], [1.05 * x for x in b])

    assert high.difference == pytest.approx(true.difference) and high.interval == pytest.approx(true.interval)


def test_a_small_but_certain_difference_inside_the_margin_is_the_same() -> None:
    """0.26 dB with hardly any scatter: the interval excludes zero, and still nothing that matters."""
    found = compare(steady(0.0103, 6, 1e-4), steady(0.010, 6, 1e-4))

    assert found.interval is not None and found.interval[0] > 0
    assert found.outcome is Same.SAME and hum_difference(found).level is Level.WITHIN


def test_a_straight_drift_cancels() -> None:
    """Hum that falls by 3 dB over the sitting, the same under both: read A first, a plain difference says 0.3 dB."""
    draw = np.random.default_rng(3)
    levels = 0.02 * 10 ** (-3 * np.arange(10) / 9 / 20)
    stretches = [level * (1 + 0.001 * draw.normal(size=20)) for level in levels]
    found = compare(stretches[0::2], stretches[1::2])

    assert found.difference == pytest.approx(0.0, abs=0.02) and found.outcome is Same.SAME


@pytest.mark.parametrize(("repeats", "more"), [(1, 2), (2, 1)])
def test_fewer_than_three_alternated_repeats_are_undecided(repeats: int, more: int) -> None:
    found = compare(steady(0.02, repeats), steady(0.01, repeats))

    assert found.outcome is Same.UNDECIDED and found.more_repeats == more
    assert hum_difference(found).missing


def test_stretches_without_alternation_are_one_repeat() -> None:
    """Three times A, then three times B: nothing alternated, whatever the number of stretches."""
    found = compare(steady(0.02, 3), steady(0.01, 3), times=((0, 1, 2), (3, 4, 5)))

    assert (found.a.repeats, found.b.repeats) == (1, 1) and found.outcome is Same.UNDECIDED


def test_noise_too_large_says_how_many_more_repeats_would_do() -> None:
    draw = np.random.default_rng(9)
    a = [np.full(5, 0.0112 * 10 ** (draw.normal(0, 1.5) / 20)) for _ in range(4)]
    b = [np.full(5, 0.0100 * 10 ** (draw.normal(0, 1.5) / 20)) for _ in range(4)]
    found = compare(a, b)

    assert found.outcome is Same.UNDECIDED
    assert found.more_repeats is not None and found.more_repeats > 0
    assert str(found.more_repeats) in found.reason


def test_both_at_the_floor_is_undecided_and_one_is_never_the_same() -> None:
    both = compare(steady(0.0010, 5), steady(0.0010, 5), floor=0.0011)
    one = compare(steady(0.00112, 5, 1e-4), steady(0.00109, 5, 1e-4), floor=0.0011)

    assert both.outcome is Same.UNDECIDED and "floor" in both.reason
    assert one.outcome is Same.UNDECIDED and one.b.at_floor and not one.a.at_floor
    assert compare(steady(0.01, 5), steady(0.001, 5), floor=0.0011).outcome is Same.DIFFERENT


def test_a_display_that_stands_still_is_no_surer_than_its_count() -> None:
    """3 mV and 3 mV to a whole millivolt: each ±0.5 mV, rectangular, so ±2·√2·0.84 dB and no verdict."""
    found = compare([np.full(9, 0.003)] * 4, [np.full(9, 0.003)] * 4, resolution=0.001)

    assert found.interval == pytest.approx((-2.36, 2.36), abs=0.01)
    assert found.outcome is Same.UNDECIDED


@pytest.mark.parametrize("b", [[], [np.empty(0)]])
def test_nothing_to_compare_is_undecided(b: list[Array]) -> None:
    found = compare(steady(0.01, 4), b)

    assert found.outcome is Same.UNDECIDED and found.difference is None and found.interval is None
    assert hum_difference(found).level is Level.UNDECIDED


def test_zero_volts_are_no_traceback() -> None:
    assert compare([np.zeros(5)] * 4, [np.zeros(5)] * 4).outcome is Same.UNDECIDED


@pytest.mark.parametrize(
    ("values", "how"),
    [([np.array([np.nan])], {}), ([np.array([-1.0])], {}), ([], {"margin_dB": 0.0}), ([], {"confidence": 1.0}),
     ([], {"floor": -1.0})],
)  # fmt: skip
def test_nonsense_is_refused(values: list[Array], how: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="expected"):
        compare(values, [], **how)  # type: ignore[arg-type]  # the keys are those above


def test_the_document_has_its_keys() -> None:
    found = compare(steady(0.02, 5), steady(0.01, 5), point="speaker").to_json()

    assert {"point", "quantity", "a", "b", "difference_dB", "interval_dB", "confidence", "margin_dB", "outcome"} <= set(
        found
    )
    assert found["point"] == "speaker" and found["outcome"] == "different" and len(found["interval_dB"]) == 2


@pytest.mark.parametrize(
    ("confidence", "freedom", "published"),
    [(0.95, 1, 12.706), (0.95, 2, 4.303), (0.95, 3, 3.182), (0.95, 5, 2.571), (0.95, 10, 2.228), (0.95, 30, 2.042),
     (0.95, 120, 1.980), (0.90, 4, 2.132), (0.99, 7, 3.499), (0.99, 2, 9.925)],
)  # fmt: skip
def test_quantiles_are_those_of_the_printed_table(confidence: float, freedom: int, published: float) -> None:
    """Student's t, two-sided, as printed in JCGM 100:2008 table G.2 and any other."""
    assert student_t(confidence, freedom) == pytest.approx(published, abs=6e-4)


def test_alike_neighbours_count_for_less() -> None:
    """AR(1): n·(1 − phi)/(1 + phi) independent readings, in the long run."""
    draw = np.random.default_rng(4)
    for phi in (0.0, 0.5, 0.9):
        counted = np.mean([effective_count(wandering(draw, 4000, phi)) for _ in range(10)])
        assert counted == pytest.approx(4000 * (1 - phi) / (1 + phi), rel=0.12)
