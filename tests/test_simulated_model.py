"""The simulated radios themselves, against closed forms and published rows, so that their truth can be relied on."""

from __future__ import annotations

import csv
import hashlib
import json
import math
import tomllib
from pathlib import Path

import pytest

from tests.simulated import FAULTS, simulate
from tests.simulated_circuit import (
    STATES,
    Circuit,
    Element,
    Source,
    State,
    body_current,
    body_impedance,
    pin_ohms,
    solve,
)
from tests.simulated_files import tables, write_benchbook
from tests.simulated_meter import COLUMNS, Meter, reading_of
from tests.simulated_radio import SimulatedRadio
from tests.simulated_sets import FAMILIES
from tests.simulated_truth import judge_truth, resistive_current

METER = Meter(ohms=10e6, farads=100e-12)


def behind(volts: float, frequency: float, farads: float = 0.0, ohms: float = math.inf) -> Source:
    """The mains behind a capacitor, a resistor, or both side by side, as the network solver sees it."""
    circuit = Circuit(
        elements=(Element("pin-a", "x", ohms, farads), Element("a", "b", 1000.0)),
        points={"x": "x"}, mains=volts, frequency=frequency,
    )  # fmt: skip
    return solve(circuit)["x"]["1", "on"]


@pytest.mark.parametrize(
    ("nanofarads", "at_230", "milliamperes_230", "at_120", "milliamperes_120", "milliamperes_100"),
    [
        # V = full mains behind C, computed from I = V/|Z + 2 kΩ| and a meter of 10 MΩ ∥ 100 pF
        (0.1, 61, 0.0072, 36, 0.0045, 0.0031),
        (0.47, 166, 0.034, 90, 0.021, 0.015),
        (1, 201, 0.072, 106, 0.045, 0.031),
        (2.2, 218, 0.159, 114, 0.100, 0.069),
        (4.7, 225, 0.340, 117, 0.213, 0.148),
        (10, 228, 0.72, 119, 0.45, 0.31),
        (22, 229, 1.59, 119, 1.00, 0.69),
        (47, 230, 3.39, 120, 2.12, 1.48),
        (100, 230, 7.21, 120, 4.51, 3.14),
        (200, 230, 14.3, 120, 8.95, 6.23),
    ],
)
def test_mains_behind_a_capacitor_reads_and_drives_what_the_closed_form_says(
    nanofarads: float, at_230: float, milliamperes_230: float, at_120: float, milliamperes_120: float,
    milliamperes_100: float,
) -> None:  # fmt: skip
    for volts, frequency, shown, milliamperes in (
        (230.0, 50.0, at_230, milliamperes_230), (120.0, 60.0, at_120, milliamperes_120),
        (100.0, 50.0, None, milliamperes_100),
    ):  # fmt: skip
        source = behind(volts, frequency, nanofarads * 1e-9)
        assert body_current(source, frequency) * 1e3 == pytest.approx(milliamperes, rel=0.03)
        if shown is not None:
            assert reading_of(source, METER, frequency) == pytest.approx(shown, abs=0.7)


@pytest.mark.parametrize(
    ("volts", "frequency", "farads", "ohms", "readings", "milliamperes"),
    [
        # volts at 10 MΩ alone, with 100 kΩ, 10 kΩ, 2 kΩ beside it, and the current into 2 kΩ, to five digits
        (230, 50, 1e-9, math.inf, (219.165, 7.1507, 0.7218, 0.1445), 0.0723),
        (230, 50, 10e-9, math.inf, (229.884, 68.313, 7.2149, 1.4448), 0.7226),
        (230, 50, 0.1e-6, 220e3, (229.895, 210.632, 66.822, 14.439), 7.2211),
        (120, 60, 0.2e-6, 220e3, (119.990, 118.012, 70.277, 17.764), 8.8839),
        (230, 50, 0.0, 1300.0, (229.970, 227.019, 203.516, 139.383), 69.697),
        (120, 60, 0.0, 100.0, (119.999, 119.879, 118.811, 114.285), 57.143),
        (230, 50, 0.0, 1e6, (209.091, 20.721, 2.2750, 0.4590), 0.2295),
        (120, 60, 0.05e-6, 470e3, (119.927, 101.312, 21.898, 4.5292), 2.2651),
    ],
)
def test_burden_readings_of_the_published_rows(
    volts: float, frequency: float, farads: float, ohms: float, readings: tuple[float, ...], milliamperes: float
) -> None:
    source = behind(volts, frequency, farads, ohms)
    meter = Meter(ohms=10e6)
    got = [reading_of(source, meter, frequency, burden) for burden in (None, 100e3, 10e3, 2e3)]

    assert got == pytest.approx(readings, rel=4e-4)  # printed to four or five digits
    assert abs(source.volts / (source.ohms + 2000)) * 1e3 == pytest.approx(milliamperes, rel=1e-3)


def test_the_body_network_has_the_terminal_impedance_of_iec_60990() -> None:
    assert abs(body_impedance(50)) == pytest.approx(1990.0, abs=0.05)
    assert abs(body_impedance(60)) == pytest.approx(1985.7, abs=0.05)


def test_the_resistive_figure_is_the_upper_bound_of_the_worked_rows() -> None:
    """Two readings at 10 MΩ and 100 kΩ: 0.964 mA for 10 nF, 20.63 mA for 0.1 µF ∥ 220 kΩ, both into 2 kΩ."""
    assert resistive_current(229.884, 68.313, 100e3, 10e6, 1e-6) == pytest.approx(0.964e-3, rel=2e-3)
    assert resistive_current(229.895, 210.632, 100e3, 10e6, 1e-6) == pytest.approx(20.63e-3, rel=2e-3)


def tied(*, switched_a: bool, switched_b: bool) -> dict[State, Source]:
    """A series-heater set, 120 V, leg A on pin 1 tied to chassis, 800 Ω of hot heaters, 200 Ω cold."""
    circuit = Circuit(
        elements=(Element("a", "c", 0.1), Element("a", "b", 800.0, ohms_off=200.0), Element("c", "e", 1e10, 50e-12)),
        points={"chassis": "c"}, mains=120.0, frequency=60.0, neutral=1.0,
        switched_a=switched_a, switched_b=switched_b,
    )  # fmt: skip
    return solve(circuit)["chassis"]


@pytest.mark.parametrize(
    ("switched_a", "switched_b", "volts"),
    [
        # leg A on the line in plug 1: states 1 on, 1 off, 2 on, 2 off (the trade's table of chassis states)
        (True, False, (121.0, 1.0, 1.0, 121.0)),
        (False, True, (121.0, 121.0, 1.0, 1.0)),
        (False, False, (121.0, 121.0, 1.0, 1.0)),
    ],
)
def test_four_readings_tell_which_leg_the_switch_breaks(
    *, switched_a: bool, switched_b: bool, volts: tuple[float, ...]
) -> None:
    sources = tied(switched_a=switched_a, switched_b=switched_b)

    assert [abs(sources[state].volts) for state in STATES] == pytest.approx(
        volts, abs=0.03
    )  # the cord drops millivolts


def test_a_switch_in_the_chassis_leg_leaves_the_mains_behind_the_cold_heaters() -> None:
    sources = tied(switched_a=True, switched_b=False)

    assert abs(sources["2", "off"].ohms) == pytest.approx(200.1, rel=2e-3)
    assert abs(sources["1", "on"].ohms) < 0.2


def test_a_double_pole_switch_leaves_the_chassis_floating_on_strays_alone() -> None:
    sources = tied(switched_a=True, switched_b=True)

    assert all(body_current(sources[way, "off"], 60) < 2e-6 for way in ("1", "2"))
    assert abs(sources["1", "on"].volts) == pytest.approx(121.0, rel=1e-3)


def test_two_equal_capacitors_give_half_the_mains_behind_both_of_them() -> None:
    """Thévenin: V/2 behind 2C, so the same current V·ω·C as one capacitor gives."""
    circuit = Circuit(
        elements=(Element("a", "c", 1e12, 4.7e-9), Element("b", "c", 1e12, 4.7e-9), Element("a", "b", 50, henries=4)),
        points={"chassis": "c"}, mains=230.0, frequency=50.0,
    )  # fmt: skip
    source = solve(circuit)["chassis"]["1", "on"]

    assert abs(source.volts) == pytest.approx(115.0, rel=1e-3)
    assert abs(source.ohms) == pytest.approx(1 / (2 * math.pi * 50 * 9.4e-9), rel=1e-3)


def test_a_transformer_set_off_in_the_neutral_leg_can_read_higher_than_on() -> None:
    """The whole primary sits at line then, and both strays push the same way."""
    circuit = Circuit(
        elements=(Element("a", "b", 100, henries=5), Element("a", "c", 1e11, 150e-12), Element("b", "c", 1e11, 50e-12),
                  Element("c", "e", 1e11, 50e-12)),
        points={"chassis": "c"}, mains=230.0, frequency=50.0, switched_b=True,
    )  # fmt: skip
    sources = solve(circuit)["chassis"]

    assert abs(sources["1", "off"].volts) > abs(sources["1", "on"].volts)
    # on: 150 pF to line, 50 to neutral, 50 to earth; off: 200 to line, 50 to earth
    assert abs(sources["1", "on"].volts) == pytest.approx(230 * 150 / 250, rel=0.01)
    assert abs(sources["1", "off"].volts) == pytest.approx(230 * 200 / 250, rel=0.02)


def test_pin_resistances_of_a_tied_chassis() -> None:
    circuit = Circuit(
        elements=(Element("a", "c", 0.1), Element("a", "b", 800.0, ohms_off=200.0)), points={"chassis": "c"},
        mains=120.0, frequency=60.0, switched_a=True,
    )  # fmt: skip
    ohms = pin_ohms(circuit)

    assert ohms["p1", "on"] == pytest.approx(0.13)
    assert ohms["p2", "on"] == ohms["p2", "off"] == pytest.approx(200.1, rel=1e-3)
    assert ohms["p1", "off"] > 1e9 and ohms["pe", "on"] > 1e9


def test_what_an_isolating_transformer_feeds_reads_next_to_nothing_through_a_body() -> None:
    circuit = Circuit(
        elements=(Element("a", "c", 0.1), Element("a", "b", 800.0)), points={"chassis": "c"}, mains=120.0,
        frequency=60.0, floating_feed=(300e-12, 300e-12),
    )  # fmt: skip
    source = solve(circuit)["chassis"]["1", "on"]

    # half the mains behind both strays together
    assert abs(source.volts) == pytest.approx(60.0, rel=0.01)
    assert body_current(source, 60) == pytest.approx(60 * 2 * math.pi * 60 * 600e-12, rel=0.02)


def shape(radio: SimulatedRadio) -> str:
    return json.dumps([tables(radio), radio.card, radio.proof], default=str)


def test_a_seed_gives_the_same_radio_and_another_seed_another() -> None:
    assert shape(simulate(7)) == shape(simulate(7)) != shape(simulate(8))


def test_every_reading_lies_inside_its_meter_s_accuracy_line() -> None:
    """Faultless sittings, voltage rows of proved states: |shown − true| is within the line, as its maker promises."""
    seen = 0
    for seed in range(60):
        radio = simulate(seed, faults=frozenset())
        meter, frequency = radio.meter, radio.made.circuit.frequency
        for sitting in radio.sittings:
            if sitting.stage == "before-fit" and len(radio.sittings) > 1:
                continue
            for row in sitting.rows:
                state = (str(row["plug"]), str(row["switch"]))
                if row["plug"] and not row["burden"] and row["value"] is not None:
                    true = reading_of(radio.sources[str(row["point"])][state], meter, frequency)
                    count = float(str(row["resolution"]))
                    half = meter.of_reading * true + meter.digits * count
                    assert abs(float(str(row["value"])) - true) <= half + 1e-9
                    seen += 1
    assert seen > 1000


def test_every_family_and_every_fault_is_met_and_truth_is_never_both_hazardous_and_clear() -> None:
    families: set[str] = set()
    faults: set[str] = set()
    for seed in range(400):
        radio = simulate(seed)
        expected = judge_truth(radio)
        families.add(radio.made.family)
        faults |= radio.faults
        for truth in expected.points.values():
            assert not (truth.hazards and truth.clear and not radio.faults)
            assert "missing-states" not in radio.faults or any(p.evidence_lacking for p in expected.points.values())
    assert families == set(FAMILIES) and faults == set(FAULTS)


def test_dead_sockets_and_lifted_clips_never_leave_a_proved_chain() -> None:
    for seed in range(40):
        for fault in ("dead-socket", "clip-off", "no-nominal", "isolating-transformer"):
            expected = judge_truth(simulate(seed, faults=frozenset({fault})))
            assert all(truth.within_is_false for truth in expected.points.values()), fault


def test_a_faultless_complete_sitting_lacks_no_evidence() -> None:
    for seed in range(60):
        radio = simulate(seed, faults=frozenset())
        if len(radio.proof) == 1:
            assert not any(p.evidence_lacking for p in judge_truth(radio).points.values())


def test_a_written_benchbook_has_the_columns_hashes_and_counts_of_the_format(tmp_path: Path) -> None:
    radio = simulate(11, family="series-chassis-leg", faults=frozenset())
    home = write_benchbook(radio, tmp_path)
    card = tomllib.loads((home / "radio.toml").read_text("utf-8"))
    box = tomllib.loads((tmp_path / "burdens.toml").read_text("utf-8"))
    folders = sorted(path for path in home.iterdir() if path.is_dir())

    assert card["points"] == list(radio.sources) and card["schema"] == 1
    assert all(set(entry) == {"value", "tolerance", "power", "voltage"} for entry in box["burden"])
    assert len(folders) == len(radio.sittings)
    for folder, sitting in zip(folders, radio.sittings, strict=True):
        package = json.loads((folder / "datapackage.json").read_text("utf-8"))
        assert {r["path"] for r in package["resources"]} == {"readings.csv", "events.csv"}
        assert ("close" in package) == sitting.closed
        for resource in package["resources"]:
            content = (folder / resource["path"]).read_bytes()
            assert resource["hash"] == f"sha256:{hashlib.sha256(content).hexdigest()}"
            assert resource["bytes"] == len(content)
        with (folder / "readings.csv").open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        assert tuple(rows[0]) == COLUMNS and len(rows) == len(sitting.rows)
        assert all((row["value"] != "") == (row["status"] in ("ok", "held")) for row in rows)
        assert [row["time"] for row in rows] == sorted(row["time"] for row in rows)
