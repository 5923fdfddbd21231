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
