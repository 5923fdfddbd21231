"""What speaks against low readings: none of it may pass by while a point is called within.

Limits: IEC 62368-1:2018, table 4, ES1: 30 V AC, 60 V DC, 0.5 mA AC.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from analysis.assess import assess
from analysis.finding import Level
from analysis.table import load_radio
from drivers.profile import load
from drivers.reading import Coupling, Quantity
from logger.typedmeter import TypedMeter
from tests.test_touch_rules import STATES, Sitting, chassis, home_of, judged


@pytest.mark.parametrize("coupling", ["acdc", ""])
def test_ac_alone_does_not_take_the_place_of_ac_with_dc(coupling: str, tmp_path: Path) -> None:
    """150 V of DC stand behind 0.3 V of AC: both readings are true."""
    sitting = Sitting()
    sitting.quiet(("1", "on"))
    for volts, told in ((150.0, coupling), (0.3, "ac")):
        rows = sitting.read(volts, point="chassis", plug="1", switch="on", coupling=told)
        sitting.writer.take(rows, volts, coupling=told)

    assert chassis(judged(tmp_path, sitting)).level is Level.DANGER


def test_volts_across_a_burden_above_those_without_are_what_counts(tmp_path: Path) -> None:
    """118 V across 100 kΩ: no burden raises a voltage, so the 0.3 V without it were read in the air."""
    sitting = Sitting()
    sitting.quiet(volts=0.3)
    sitting.read(118.0, point="chassis", plug="1", switch="on", burden="100 kohm")

    found = judged(tmp_path, sitting)

    kind = found.of("chassis-kind")
    assert chassis(found).level is Level.DANGER and kind is not None and kind.extra["kind"] != "isolated"


@pytest.mark.parametrize("burden", ["0 ohm", "ten k"])
def test_a_burden_that_is_none_leaves_a_point_undecided(burden: str, tmp_path: Path) -> None:
    sitting = Sitting()
    sitting.quiet()
    sitting.read(118.0, point="chassis", plug="1", switch="on", burden=burden)

    assert chassis(judged(tmp_path, sitting)).level is Level.UNDECIDED


@pytest.mark.parametrize(
    "tags",
    [
        {"plug": "1", "switch": "on", "coupling": "dc"}, {"coupling": "dc"}, {"coupling": "ac"},
        {"plug": "1", "switch": "on", "burden": "10 kohm", "coupling": "ac"},
    ],
)  # fmt: skip
def test_volts_above_the_limit_that_never_settled_leave_a_point_undecided(tags: dict[str, str], tmp_path: Path) -> None:
    sitting = Sitting()
    sitting.quiet()
    sitting.writer.read([118.0, 90.0, 119.0, 100.0], u=0.1, point="chassis", **tags)  # type: ignore[arg-type] # tags and the coupling only

    found = chassis(judged(tmp_path, sitting))

    assert found.level is Level.UNDECIDED and "never settled" in found.statement


@pytest.mark.parametrize("taken", [True, False])
def test_a_live_contact_that_was_dead_at_the_end_proves_nothing_whatever_tags_stood_beside_it(
    taken: bool, tmp_path: Path
) -> None:
    """Tags that stay in force on the socket's rows make them other states, but not another contact."""
    sitting = Sitting(proved=False)
    rows = sitting.read(230.0, point="mains-line", plug="2", switch="on")
    if taken:
        sitting.writer.take(rows, 230.0)
    sitting.states(dict.fromkeys(STATES, 1.0))
    sitting.read(0.1, point="mains-line", **({"plug": "2", "switch": "on"} if taken else {"plug": "1"}))

    assert chassis(judged(tmp_path, sitting)).level is Level.UNDECIDED


def test_a_session_that_lacks_rows_leaves_low_readings_of_others_undecided(tmp_path: Path) -> None:
    home = home_of(tmp_path)
    low, cut = Sitting(), Sitting()
    low.quiet()
    cut.states({("1", "on"): 228.0})
    low.writer.write(home / "20260302T142500Z-a")
    folder = cut.writer.write(home / "20260302T152500Z-b")
    rows = (folder / "readings.csv").read_bytes()
    (folder / "readings.csv").write_bytes(rows[: rows.index(b"\n") + 1])

    found = chassis(assess(load_radio(home)))

    assert json.loads((folder / "datapackage.json").read_bytes())["resources"][0]["rows"] == 12
    assert found.level is Level.UNDECIDED and "holds 0 of 12 rows" in found.statement


def test_volts_of_another_coupling_than_a_plan_asked_for_are_recorded_though_not_taken() -> None:
    """150 V DC on a chassis whose AC is asked for: no row and no alarm would be a false all-clear."""
    meter = TypedMeter("v", load("typed"), lambda: 1.0)

    answer = meter.type("150 V dc", Quantity.VOLTAGE, Coupling.AC)
    (reading,) = meter.read().readings

    assert "recorded, but not taken" in answer and (reading.value, reading.coupling) == (150.0, Coupling.DC)
    assert meter.type("4.7 kohm", Quantity.VOLTAGE, Coupling.AC) and not meter.read().readings
