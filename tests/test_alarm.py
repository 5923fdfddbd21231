"""The alarm at the bench. Limits: IEC 62368-1:2018, table 4, ES1: 30 V AC, 60 V DC, 0.5 mA AC."""

from __future__ import annotations

import subprocess
import sys

import pytest

from analysis.limits import touch_limits
from drivers.reading import Coupling, Quantity, Reading, Status
from logger.alarm import Alarm, AlarmWatch


def volts(value: float | None, *, coupling: Coupling = Coupling.AC, quantity: Quantity = Quantity.VOLTAGE) -> Reading:
    status = Status.OK if value is not None else Status.OVERLOAD
    return Reading(elapsed=1.0, quantity=quantity, coupling=coupling, status=status, unit="V", value=value)


def feed(watch: AlarmWatch, *values: float | None, **tags: str) -> list[bool | None]:
    """What each reading changes: True on, False off, None nothing."""
    changes: list[Alarm | None] = [watch.feed("v", volts(value), tags or {"point": "chassis"}) for value in values]
    return [None if change is None else change.on for change in changes]


def test_a_live_chassis_alarms_once_and_says_so_in_words() -> None:
    watch = AlarmWatch(touch_limits())

    alarm = watch.feed("v", volts(118.0), {"point": "chassis"})

    assert alarm is not None and alarm.on and alarm.severe
    assert "chassis is LIVE" in alarm.text and "118.0 V AC" in alarm.text and "30.00 V" in alarm.text
    assert feed(watch, 119.0, 117.0) == [None, None]


def test_the_alarm_does_not_flutter_about_the_limit() -> None:
    assert feed(AlarmWatch(touch_limits()), 29.9, 30.0, 29.9, 30.1, 28.6, 28.4, 29.9) == [
        None, True, None, None, None, False, None,
    ]  # fmt: skip


def test_it_sounds_again_when_a_caution_becomes_severe() -> None:
    assert feed(AlarmWatch(touch_limits()), 31.0, 51.0, 31.0) == [True, True, None]


def test_an_overload_alarms() -> None:
    assert feed(AlarmWatch(touch_limits()), None) == [True]


@pytest.mark.parametrize(("value", "on"), [(49.9, None), (50.0, True), (0.4, None)])
def test_across_a_burden_the_current_counts(value: float, on: bool | None) -> None:
    """50 V over 100 kΩ is 0.5 mA."""
    assert feed(AlarmWatch(touch_limits()), value, point="chassis", burden="100 kohm") == [on]


def test_a_strict_card_has_its_own_limit() -> None:
    assert feed(AlarmWatch(touch_limits(strict=True)), 24.9, 25.0) == [None, True]


def test_dc_has_its_own_limit() -> None:
    watch = AlarmWatch(touch_limits())

    assert watch.feed("v", volts(59.0, coupling=Coupling.DC), {"point": "chassis"}) is None
    assert watch.feed("v", volts(-61.0, coupling=Coupling.DC), {"point": "chassis"}) is not None


def test_the_socket_and_the_secondary_are_not_touched() -> None:
    watch = AlarmWatch(touch_limits())

    assert feed(watch, 230.0, point="mains-line") == [None]
    assert feed(watch, 230.0, point="secondary") == [None]


def test_it_ends_when_the_probe_goes_elsewhere() -> None:
    watch = AlarmWatch(touch_limits())

    assert feed(watch, 118.0) == [True] and feed(watch, 118.0, point="mains-line") == [False]


def test_a_held_display_changes_nothing() -> None:
    watch = AlarmWatch(touch_limits())
    feed(watch, 118.0)
    held = Reading(elapsed=2.0, quantity=Quantity.VOLTAGE, status=Status.HELD, unit="V", value=0.1)

    assert watch.feed("v", held, {"point": "chassis"}) is None and watch.active


def test_the_alarm_loads_nothing_heavy() -> None:
    code = "import logger.alarm, logger.bench, logger.guide, sys; print({'numpy', 'pandas', 'pint'} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert done.stdout.strip() == "set()"


def test_another_quantity_of_the_same_state_ends_no_alarm() -> None:
    """The dial was turned, or a second value stands in the same line: the metal is as live as before."""
    watch, tags = AlarmWatch(touch_limits()), {"point": "chassis", "plug": "1", "switch": "on"}
    watch.feed("v", volts(117.0), tags)

    for quantity, unit in ((Quantity.CURRENT, "A"), (Quantity.RESISTANCE, "Ohm")):
        reading = Reading(elapsed=2.0, quantity=quantity, status=Status.OK, unit=unit, value=0.05)
        assert watch.feed("v", reading, tags) is None
    assert list(watch.active) == ["v"]


@pytest.mark.parametrize(
    ("tags", "coupling", "value"),
    [
        ({"point": "aerial"}, Coupling.AC, 0.4), ({"point": "chassis", "plug": "2"}, Coupling.AC, 0.4),
        ({"point": "chassis"}, Coupling.DC, 0.0), ({"point": "mains-neutral"}, Coupling.AC, 0.4),
    ],
)  # fmt: skip
def test_what_is_read_elsewhere_says_nothing_of_the_point_that_was_live(
    tags: dict[str, str], coupling: Coupling, value: float
) -> None:
    watch = AlarmWatch(touch_limits())
    watch.feed("v", volts(117.0), {"point": "chassis"})

    off = watch.feed("v", volts(value, coupling=coupling), tags)

    assert off is not None and not off.on and off.point == "chassis"
    assert "not read any more" in off.text and "117.0 V" in off.text and "may still be live" in off.text


def test_a_burden_that_pulls_the_current_below_its_limit_does_not_call_the_metal_dead() -> None:
    """107.6 V across 1 MΩ are 108 µA, under 0.5 mA."""
    watch = AlarmWatch(touch_limits())
    watch.feed("v", volts(117.0), {"point": "chassis"})

    off = watch.feed("v", volts(107.6), {"point": "chassis", "burden": "1 Mohm"})

    assert off is not None and not off.on and "107.6 µA" in off.text and "may still be live" in off.text


def test_two_channels_of_one_meter_alarm_by_themselves() -> None:
    watch, tags = AlarmWatch(touch_limits()), {"point": "chassis"}
    live, dead = (
        Reading(elapsed=1.0, quantity=Quantity.VOLTAGE, coupling=Coupling.AC, status=Status.OK, unit="V", value=value,
                channel=channel) for value, channel in ((117.0, "U1"), (0.1, "U2"))
    )  # fmt: skip

    assert [watch.feed("v", reading, tags) is not None for reading in (live, dead, live, dead)] == [
        True, False, False, False,
    ]  # fmt: skip
    assert list(watch.active) == ["v.U1"]
