"""How a session is read back and a touchable point judged: each rule as a bench scenario.

Expected levels come from the table of touch limits (IEC 62368-1:2018 table 4: 30/50 V AC, 60/120 V DC, 0.5/5 mA AC) and
from closed forms named beside them.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
import tomli_w

from analysis.assess import assess
from analysis.assessment import Assessment
from analysis.finding import Finding, Level
from analysis.table import load_radio
from tests.sessions import METER, SessionWriter, write_card

STATES = [("1", "on"), ("1", "off"), ("2", "on"), ("2", "off")]
U = 0.1  #: standard uncertainty given with each reading, so that U is 0.2 V


class Sitting:
    """A sitting under construction: proved chain, then states."""

    def __init__(self, *, proved: bool = True, nominal: float = 230.0) -> None:
        self.writer = SessionWriter()
        self.nominal = nominal
        if proved:
            self.read(nominal, point="mains-line")
            self.read(0.5, point="mains-neutral")

    def read(self, value: float | None, **tags: Any) -> range:
        """Four equal readings."""
        return self.writer.read([value] * 4, u=U, **tags)

    def states(self, volts: Mapping[tuple[str, str], float | None], point: str = "chassis") -> None:
        for (plug, switch), value in volts.items():
            self.read(value, point=point, plug=plug, switch=switch)

    def quiet(self, *but: tuple[str, str], volts: float = 1.0) -> None:
        """All states but some read low."""
        self.states({state: volts for state in STATES if state not in but})


def home_of(tmp_path: Path, **card: Any) -> Path:
    """A radio's folder with its card: 230 V 50 Hz, one point, but for what is given."""
    usual = {"schema": 1, "id": "set-5", "points": ["chassis"], "nominal_mains": "230 V", "frequency": "50 Hz"}
    return write_card(tmp_path / "set-5", tomli_w.dumps({**usual, **card}))


def judged(tmp_path: Path, *sittings: Sitting, card: Mapping[str, Any] | None = None, **write: Any) -> Assessment:
    home = home_of(tmp_path, **{"nominal_mains": f"{sittings[0].nominal:g} V", **(card or {})})
    for number, sitting in enumerate(sittings):
        sitting.writer.write(home / f"20260302T1425{number:02d}Z-a", **write)
    return assess(load_radio(home))


def chassis(found: Assessment) -> Finding:
    finding = found.of("touch-voltage:chassis")
    assert finding is not None
    return finding


def test_all_four_states_low_and_the_chain_proved_is_within(tmp_path: Path) -> None:
    sitting = Sitting()
    sitting.quiet()
    found = judged(tmp_path, sitting)

    assert chassis(found).level is Level.WITHIN and found.fully_measured
    assert "AC" in chassis(found).statement and "DC was not read" in chassis(found).statement


@pytest.mark.parametrize(
    ("volts", "level"),
    [
        (28.5, Level.CAUTION),  # below as measured, above at 1.1 x mains: 31.4 V
        (26.0, Level.WITHIN),  # 26.2 raised by 0.6 % and by 1.1 is 28.99 V
        (29.9, Level.CAUTION),  # 29.9 + 0.2 reaches 30
        (47.0, Level.CAUTION),  # below 50; scaled, 51.7 V, is caution too
        (49.9, Level.DANGER),  # 49.9 + 0.2 reaches 50
        (228.0, Level.DANGER),
    ],
)
def test_volts_alone_by_the_table(tmp_path: Path, volts: float, level: Level) -> None:
    sitting = Sitting()
    sitting.quiet(("2", "off"))
    sitting.states({("2", "off"): volts})
    found = chassis(judged(tmp_path, sitting))

    assert found.level is level
    if level is not Level.WITHIN:
        assert "a burden reading at plug 2, switch off" in found.missing


@pytest.mark.parametrize(
    ("loaded", "level"),
    [
        # 230 V behind a capacitor, at 50 Hz through 10 kΩ beside 10 MΩ: V = 230·R/|R + 1/jωC|; body current is ωC·230.
        ({"10 kohm": 0.7218}, Level.WITHIN),  # 1 nF: 0.072 mA
        ({"10 kohm": 7.2149}, Level.CAUTION),  # 10 nF: 0.72 mA
        ({"10 kohm": 67.0}, Level.DANGER),  # 0.1 µF and 220 kΩ: 7.2 mA
        ({"100 kohm": 227.0}, Level.DANGER),  # 1.3 kΩ: 70 mA
        ({"100 kohm": 210.632}, Level.DANGER),  # 7.2 mA true, but these two readings allow 20.6 mA
        ({"100 kohm": None}, Level.DANGER),  # overload across the burden
    ],
)
def test_a_burden_reading_decides_by_current(tmp_path: Path, loaded: Mapping[str, float | None], level: Level) -> None:
    sitting = Sitting()
    sitting.quiet(("2", "off"))
    sitting.states({("2", "off"): 228.0})
    for burden, value in loaded.items():
        sitting.writer.read([value] * 4, u=None if value is None else 0.003 * value, resolution=0.001, point="chassis",
                            plug="2", switch="off", burden=burden)  # fmt: skip
    (tmp_path / "burdens.toml").write_text(
        '[[burden]]\nvalue = "10 kohm"\ntolerance = "1 %"\n[[burden]]\nvalue = "0.1 Mohm"\ntolerance = "1 %"\n', "utf-8"
    )
    found = judged(tmp_path, sitting)

    assert chassis(found).level is level
    assert "burden reading was taken" in chassis(found).statement
    current = found.of("touch-current:chassis")
    assert current is not None and current.level is level


def test_equal_burdens_written_differently_are_one(tmp_path: Path) -> None:
    sitting = Sitting()
    sitting.quiet(("2", "off"))
    sitting.states({("2", "off"): 228.0})
    sitting.writer.read([7.15] * 2, u=0.02, point="chassis", plug="2", switch="off", burden="100 kohm")
    sitting.writer.read([7.15] * 2, u=0.02, point="chassis", plug="2", switch="off", burden="0.1 Mohm")
    sitting.writer.read([7.15] * 3, u=0.02, point="chassis", plug="2", switch="off", burden="100000 ohm")
    states = [s for s in chassis(judged(tmp_path, sitting)).states if s.burden is not None]

    assert [s.burden for s in states] == [pytest.approx(100e3)]


def test_a_trip_is_danger_whatever_the_volts(tmp_path: Path) -> None:
    sitting = Sitting()
    sitting.quiet()
    sitting.writer.events.append((50.0, "trip", "v", "point=chassis; plug=1; switch=on; burden=10 kohm"))

    assert chassis(judged(tmp_path, sitting)).level is Level.DANGER


def test_an_overload_is_measured_and_above_the_limit(tmp_path: Path) -> None:
    sitting = Sitting()
    sitting.quiet(("1", "on"))
    sitting.states({("1", "on"): 3.0})
    sitting.states({("1", "on"): None})
    found = judged(tmp_path, sitting)

    assert chassis(found).level is Level.DANGER and found.fully_measured


@pytest.mark.parametrize("gone", STATES)
def test_a_missing_state_is_undecided_and_named(tmp_path: Path, gone: tuple[str, str]) -> None:
    sitting = Sitting()
    sitting.quiet(gone)
    found = judged(tmp_path, sitting)

    assert chassis(found).level is Level.UNDECIDED and not found.fully_measured
    assert f"plug {gone[0]}, switch {gone[1]}" in chassis(found).missing


def test_a_missing_state_does_not_hide_a_danger(tmp_path: Path) -> None:
    sitting = Sitting()
    sitting.states({("1", "on"): 228.0})

    assert chassis(judged(tmp_path, sitting)).level is Level.DANGER


def test_a_set_without_a_switch_needs_only_on(tmp_path: Path) -> None:
    sitting = Sitting()
    sitting.states({("1", "on"): 1.0, ("2", "on"): 1.0})
    found = judged(tmp_path, sitting, card={"switch": "none"})

    assert chassis(found).level is Level.WITHIN and found.fully_measured


@pytest.mark.parametrize("status", ["held", "invalid"])
def test_held_and_invalid_rows_are_no_values(tmp_path: Path, status: str) -> None:
    sitting = Sitting()
    sitting.quiet(("2", "on"))
    sitting.read(1.0, point="chassis", plug="2", switch="on", status=status)

    assert "plug 2, switch on" in chassis(judged(tmp_path, sitting)).missing


def test_rows_that_never_settle_are_no_value(tmp_path: Path) -> None:
    sitting = Sitting()
    sitting.quiet(("2", "on"))
    sitting.writer.read([1.0, 9.0, 2.0, 8.0, 1.0, 9.0], u=U, point="chassis", plug="2", switch="on")

    assert chassis(judged(tmp_path, sitting)).level is Level.UNDECIDED


def test_a_probe_in_contact_only_for_the_second_half_counts_by_its_highest_plateau(tmp_path: Path) -> None:
    sitting = Sitting()
    sitting.quiet(("2", "on"))
    sitting.writer.read([0.0] * 6 + [228.0] * 6, u=U, point="chassis", plug="2", switch="on")

    assert chassis(judged(tmp_path, sitting)).level is Level.DANGER


def test_quantities_told_in_turn_are_each_in_a_row(tmp_path: Path) -> None:
    """A module that sends volts and hertz by turns settles on both."""
    sitting = Sitting()
    sitting.quiet(("2", "on"))
    for _ in range(4):
        sitting.writer.read([228.0], u=U, point="chassis", plug="2", switch="on")
        sitting.writer.read([50.0], quantity="frequency", coupling="", point="chassis", plug="2", switch="on")

    assert chassis(judged(tmp_path, sitting)).level is Level.DANGER


def test_a_take_counts_and_a_later_row_above_the_limit_asks_to_read_again(tmp_path: Path) -> None:
    sitting = Sitting()
    sitting.quiet(("2", "on"))
    rows = sitting.read(1.0, point="chassis", plug="2", switch="on")
    sitting.writer.take(rows, 1.0)
    sitting.writer.read([228.0], u=U, point="chassis", plug="2", switch="on")
    found = chassis(judged(tmp_path, sitting))

    assert found.level is Level.UNDECIDED and "again" in found.statement


def test_the_last_take_that_was_not_superseded_counts(tmp_path: Path) -> None:
    sitting = Sitting()
    sitting.quiet(("2", "on"))
    first = sitting.writer.take(sitting.read(40.0, point="chassis", plug="2", switch="on"), 40.0)
    sitting.writer.take(sitting.read(2.0, point="chassis", plug="2", switch="on"), 2.0, supersedes=first)
    found = chassis(judged(tmp_path, sitting))

    assert found.level is Level.WITHIN
    assert [s.value for s in found.states if (s.plug, s.switch) == ("2", "on")] == [2.0]


def test_of_several_meters_the_worst_counts(tmp_path: Path) -> None:
    sitting = Sitting()
    sitting.quiet()
    sitting.read(40.0, point="chassis", plug="2", switch="on", meter="w")

    assert chassis(judged(tmp_path, sitting)).level is Level.CAUTION


@pytest.mark.parametrize("line", [None, 150.0, 300.0])
def test_without_a_socket_near_nominal_or_a_high_state_the_chain_is_not_proved(
    tmp_path: Path, line: float | None
) -> None:
    sitting = Sitting(proved=False)
    if line is not None:
        sitting.read(line, point="mains-line")
    sitting.quiet()
    found = chassis(judged(tmp_path, sitting))

    assert found.level is Level.UNDECIDED and "chain is not proved" in found.statement


def test_a_state_at_eighty_percent_of_nominal_proves_too(tmp_path: Path) -> None:
    """An aerial that reads 185 V through its capacitor shows that the meter and its earth clip work."""
    sitting = Sitting(proved=False)
    sitting.quiet()
    sitting.states(dict.fromkeys(STATES, 185.0), point="aerial")

    assert chassis(judged(tmp_path, sitting, card={"points": ["chassis", "aerial"]})).level is Level.WITHIN


def test_the_proof_holds_for_its_own_session_and_meter_only(tmp_path: Path) -> None:
    proof, states = Sitting(), Sitting(proved=False)
    states.quiet()

    assert chassis(judged(tmp_path / "sessions", proof, states)).level is Level.UNDECIDED
    other = Sitting()
    for plug, switch in STATES:
        other.read(1.0, point="chassis", plug=plug, switch=switch, meter="w")
    assert chassis(judged(tmp_path / "meters", other)).level is Level.UNDECIDED


def test_a_neutral_above_ten_percent_unproves(tmp_path: Path) -> None:
    sitting = Sitting(proved=False)
    sitting.read(230.0, point="mains-line")
    sitting.read(60.0, point="mains-neutral")
    sitting.quiet()

    assert chassis(judged(tmp_path, sitting)).level is Level.UNDECIDED


def test_a_chain_that_failed_at_the_end_proves_nothing(tmp_path: Path) -> None:
    sitting = Sitting()
    sitting.quiet()
    sitting.read(3.0, point="mains-line")

    assert chassis(judged(tmp_path, sitting)).level is Level.UNDECIDED


@pytest.mark.parametrize("source", ["isolating-transformer", "variac", "lamp-limiter"])
def test_fed_from_anything_but_the_mains_is_undecided_with_the_reason(tmp_path: Path, source: str) -> None:
    sitting = Sitting()
    sitting.quiet()
    found = chassis(judged(tmp_path, sitting, statements={"fed_from": source}))

    assert found.level is Level.UNDECIDED and source.replace("-", " ") in found.statement


def test_without_nominal_mains_nothing_is_proved(tmp_path: Path) -> None:
    sitting = Sitting()
    sitting.quiet()

    assert chassis(judged(tmp_path, sitting, card={"nominal_mains": ""})).level is Level.UNDECIDED


def test_ac_and_dc_each_below_but_not_together_is_caution(tmp_path: Path) -> None:
    """20/30 + 30/60 = 1.17."""
    sitting = Sitting()
    sitting.quiet(volts=20.0)
    sitting.read(30.0, point="chassis", plug="1", switch="on", coupling="dc")
    found = chassis(judged(tmp_path, sitting))

    assert found.level is Level.CAUTION and "together" in found.statement


@pytest.mark.parametrize(("volts", "level"), [(59.0, Level.WITHIN), (61.0, Level.CAUTION), (121.0, Level.DANGER)])
def test_dc_by_its_own_limits(tmp_path: Path, volts: float, level: Level) -> None:
    """Without AC to add: the states' AC reads nothing. 59 V raised by 30 kΩ/10 MΩ stays below 60 V."""
    sitting = Sitting(nominal=253.0)  # 1.1 x nominal is then what the socket gives scaled for
    sitting.writer.rows.clear()
    sitting.read(253.0 * 1.1, point="mains-line")
    sitting.quiet(volts=0.0)
    sitting.read(volts, point="chassis", plug="1", switch="on", coupling="dc")

    inputs = [*METER["inputs"], {"quantity": "voltage", "coupling": "dc", "resistance_ohm": 1e7, "capacitance_F": None}]
    assert chassis(judged(tmp_path, sitting, meters=[{**METER, "inputs": inputs}])).level is level


def test_a_strict_card_halves_the_margin(tmp_path: Path) -> None:
    sitting = Sitting()
    sitting.quiet(volts=24.0)

    assert chassis(judged(tmp_path, sitting, card={"limits": {"strict": True}})).level is Level.CAUTION


def test_a_lowered_limit_shows_as_changed_by_the_user(tmp_path: Path) -> None:
    sitting = Sitting()
    sitting.quiet(volts=20.0)
    found = chassis(judged(tmp_path, sitting, card={"limits": {"touch_voltage_ac": "15 V"}}))

    assert found.level is Level.CAUTION and found.limit == 15.0 and found.limit_changed_by_user


def test_a_raised_limit_never_makes_it_within(tmp_path: Path) -> None:
    sitting = Sitting()
    sitting.quiet(volts=35.0)
    found = chassis(judged(tmp_path, sitting, card={"limits": {"touch_voltage_ac": "45 V"}}))

    assert found.level is Level.CAUTION and "default limit decides" in found.statement


def test_no_accuracy_line_counts_three_percent_and_ten_counts(tmp_path: Path) -> None:
    """Half width 3 % of 28 V + 10 x 0.1 V = 1.84 V; U = 2·1.84/√3 = 2.12 V; 28 + 2.12 reaches 30 V."""
    sitting = Sitting()
    sitting.quiet(("1", "on"))
    sitting.writer.read([28.0] * 4, u=None, point="chassis", plug="1", switch="on")
    meter = {**METER, "accuracy": []}
    found = chassis(judged(tmp_path, sitting, meters=[meter]))
    state = next(s for s in found.states if (s.plug, s.switch) == ("1", "on"))

    assert state.expanded_uncertainty == pytest.approx(2.1247, abs=0.001)
    assert found.level is Level.CAUTION and "3 % + 10 counts" in found.statement


def test_the_loading_guard_of_an_unknown_input_is_six_percent(tmp_path: Path) -> None:
    """30 V over 0.5 mA is 60 kΩ: 6 % on 1 MΩ, 0.63 % on 10 MΩ beside 200 pF at 50 Hz."""
    guards = []
    for name, inputs in (("known", METER["inputs"]), ("unknown", [])):
        sitting = Sitting()
        sitting.quiet(volts=10.0)
        found = chassis(judged(tmp_path / name, sitting, meters=[{**METER, "inputs": inputs}]))
        guards.append(found.states[0].loading_guard)

    assert guards == [pytest.approx(0.0708, abs=0.001), pytest.approx(0.6, abs=0.01)]


def test_only_the_latest_stage_is_judged(tmp_path: Path) -> None:
    home = home_of(tmp_path)
    before, after = Sitting(), Sitting()
    before.states(dict.fromkeys(STATES, 228.0))
    after.quiet()
    before.writer.write(home / "20260302T142501Z-a", stage="before-fit")
    after.writer.start = after.writer.start.replace(day=9)
    after.writer.write(home / "20260309T142501Z-a", stage="after-fit")
    found = assess(load_radio(home))

    assert found.stage == "after-fit" and found.sessions == ("20260309T142501Z-a",)
    assert chassis(found).level is Level.WITHIN
