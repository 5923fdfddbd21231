"""When a value is taken, and when the one before is let go of."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise
from statistics import median

from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.reading import Coupling, Quantity, Reading, Status
from logger.settle import Settled, Settler, SettleRule

RULE = SettleRule(readings=4, fraction=0.005, counts=3, wait=1.0)


def volts(value: float | None, at: float, *, status: Status = Status.OK, full: float = 600.0) -> Reading:
    return Reading(elapsed=at, quantity=Quantity.VOLTAGE, coupling=Coupling.AC, status=status, unit="V", value=value,
                   resolution=0.1, range=full)  # fmt: skip


def settle(readings: Iterable[Reading], rule: SettleRule = RULE) -> Settled | None:
    settler = Settler(rule, since=0.0)
    for row, reading in enumerate(readings):
        if (found := settler.feed(reading, row)) is not None:
            return found
    return None


def test_the_median_of_readings_that_hold_still_is_taken_with_their_rows() -> None:
    found = settle(volts(v, 1 + 0.3 * i) for i, v in enumerate([80.0, 117.2, 117.4, 117.3, 117.5]))

    assert found is not None
    assert found.value == median([117.2, 117.4, 117.3, 117.5]) and (found.first, found.last) == (1, 4)


def test_what_a_slow_display_still_shows_right_after_the_change_does_not_count() -> None:
    stale = [volts(0.2, 0.05 * i) for i in range(19)]  # the state before, for not quite a second
    fresh = [volts(230.0, 1.2 + 0.3 * i) for i in range(4)]

    found = settle([*stale, *fresh])

    assert found is not None and found.value == 230.0


def test_another_range_or_an_overload_among_them_does_not_hold_still() -> None:
    assert settle(volts(30.0, 1 + i, full=60.0 if i % 2 else 600.0) for i in range(12)) is None
    mixed = [volts(None, 1 + i, status=Status.OVERLOAD) if i % 3 == 0 else volts(599.0, 1 + i) for i in range(12)]
    assert settle(mixed) is None


def test_an_overload_that_stays_is_taken_as_an_overload() -> None:
    found = settle(volts(None, 1 + i, status=Status.OVERLOAD) for i in range(4))

    assert found is not None and found.value is None


def test_a_held_display_is_never_a_value() -> None:
    assert settle(volts(117.0, 1 + i, status=Status.HELD) for i in range(12)) is None


def test_where_one_count_is_unknown_the_meters_uncertainty_stands_for_the_counts() -> None:
    def reading(value: float, at: float) -> Reading:
        return Reading(elapsed=at, quantity=Quantity.VOLTAGE, coupling=Coupling.DC, status=Status.OK, unit="V",
                       value=value, u=0.002)  # fmt: skip

    assert settle(reading(0.001 * (i % 2), 1 + i) for i in range(4)) is not None
    assert settle(reading(0.01 * (i % 2), 1 + i) for i in range(12)) is None


@settings(max_examples=150, deadline=None)
@given(st.lists(st.floats(0, 300), min_size=4, max_size=30))
def test_whatever_came_the_value_lies_inside_a_band_of_its_own_rows(values: list[float]) -> None:
    found = settle(volts(v, 1 + i) for i, v in enumerate(values))
    if found is None:
        stretches = [values[i : i + 4] for i in range(len(values) - 3)]
        assert all(max(s) - min(s) > 0.3 for s in stretches)
        return
    mine = values[found.first : found.last + 1]
    assert len(mine) == 4 and found.value == median(mine)
    assert max(mine) - min(mine) <= max(0.005 * max(mine), 0.3) * (1 + 1e-6)
    assert all(found.holds(volts(found.value, 99)) for _ in [0]) and not any(
        found.holds(volts(b + 10, 99)) for _, b in pairwise([0.0, found.value or 0.0])
    )
