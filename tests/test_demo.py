"""The demo: constructed wire logs through the real decoders, against the circuits that they were constructed from.

Expected values come from fixtures/demo-truth.json, which a script computed from the circuits, not from the program.
"""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from analysis.assess import assess
from analysis.assessment import Assessment
from analysis.table import load_radio
from logger.cli import run

TRUTH: dict[str, Any] = json.loads(
    (Path(__file__).resolve().parent.parent / "fixtures" / "demo-truth.json").read_text("utf-8")
)["radios"]
STATES = [("1", "on"), ("1", "off"), ("2", "on"), ("2", "off")]


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's benchbook."""
    out = tmp_path_factory.mktemp("demo") / "book"
    assert run(["demo", "--out", str(out)]) == 0
    return out


def assessed(demo: Path, radio: str, capsys: pytest.CaptureFixture[str]) -> tuple[int, dict[str, Any]]:
    """`assess --json` by the command."""
    capsys.readouterr()
    status = run(["assess", radio, "--benchbook", str(demo), "--json"])
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return status, found


def finding(found: dict[str, Any], id: str) -> dict[str, Any]:
    return next(f for f in found["findings"] if f["id"] == id)


def true_volts(radio: str, point: str, plug: str, switch: str, burden: str = "") -> float:
    rows = [
        r for readings in TRUTH[radio]["readings"].values() for r in readings
        if (r.get("point"), r.get("plug"), r.get("switch"), r.get("burden") or "") == (point, plug, switch, burden)
        and r.get("voltage_V") is not None
    ]  # fmt: skip
    assert rows, "the truth file knows this state"
    return float(rows[0]["voltage_V"])


def test_the_live_chassis_is_danger_with_all_four_states_as_they_are(
    demo: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status, found = assessed(demo, "series-heater-120", capsys)
    chassis = finding(found, "touch-voltage:chassis")
    alone = {(s["plug"], s["switch"]): s for s in chassis["states"] if s["burden_ohm"] is None}

    assert status == 1 and found["level"] == "danger" and found["fully_measured"]
    assert chassis["level"] == "danger"
    for plug, switch in STATES:
        true = true_volts("series-heater-120", "chassis", plug, switch)
        assert alone[plug, switch]["value"] == pytest.approx(true, rel=0.005, abs=0.001)
    kind = finding(found, "chassis-kind")
    assert (kind["kind"], kind["pin"]) == ("tied-through-switch", 1)


def test_the_high_reading_that_collapses_is_told_with_its_burden_reading(
    demo: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status, found = assessed(demo, "transformer-230", capsys)
    chassis = finding(found, "touch-voltage:chassis")
    loaded = [s for s in chassis["states"] if s["burden_ohm"] is not None]
    alone = [s for s in chassis["states"] if s["burden_ohm"] is None]

    assert status == 0
    assert max(s["value"] for s in alone) > chassis["limit"] == 30.0
    assert any(s["outcome"] == "above" for s in alone)
    assert loaded and "burden reading was taken" in chassis["statement"]
    for state in loaded:
        ohms = state["burden_ohm"]
        written = next(b for b in ("1 Mohm", "100 kohm", "10 kohm", "2 kohm") if float(b.split()[0]) *
                       {"Mohm": 1e6, "kohm": 1e3}[b.split()[1]] == ohms)  # fmt: skip
        true = true_volts("transformer-230", "chassis", state["plug"], state["switch"], written)
        assert state["value"] == pytest.approx(true, rel=0.005, abs=0.001)
    current = finding(found, "touch-current:chassis")
    sources = [s for s in TRUTH["transformer-230"]["sources"] if s["point"] == "chassis"]
    worst = max(s["touch_current_A"] for s in sources)
    assert (
        current["low"] - current["expanded_uncertainty"] <= worst <= current["high"] + current["expanded_uncertainty"]
    )


def without(demo: Path, radio: str, tmp_path: Path, gone: Any) -> Assessment:
    """The demo's radio with some rows of its sessions taken out, assessed."""
    shutil.copytree(demo / radio, tmp_path / radio)
    if (demo / "burdens.toml").is_file():
        shutil.copyfile(demo / "burdens.toml", tmp_path / "burdens.toml")
    for path in (tmp_path / radio).glob("*/readings.csv"):
        with path.open(newline="", encoding="utf-8") as file:
            rows = list(csv.DictReader(file))
        kept = [row for row in rows if not gone(row)]
        with path.open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, rows[0].keys())
            writer.writeheader()
            writer.writerows(kept)
    return assess(load_radio(tmp_path / radio))


@pytest.mark.parametrize(("plug", "switch"), STATES)
@pytest.mark.parametrize("radio", list(TRUTH))
def test_a_state_that_was_not_measured_is_named_and_never_within(
    demo: Path, tmp_path: Path, radio: str, plug: str, switch: str
) -> None:
    found = without(demo, radio, tmp_path, lambda row: (row["plug"], row["switch"]) == (plug, switch))

    for matrix in [f for f in found.findings if f.id.startswith("touch-voltage:")]:
        assert matrix.level != "within"
        assert f"plug {plug}, switch {switch}" in matrix.missing
        assert f"plug {plug}, switch {switch}" in matrix.statement
    assert not found.fully_measured


def test_without_the_proof_of_the_chain_nothing_is_within_and_it_says_so(demo: Path, tmp_path: Path) -> None:
    """In the transformer set, with the states that prove by themselves taken out too."""
    nominal = TRUTH["transformer-230"]["nominal_mains_V"]

    def gone(row: dict[str, str]) -> bool:
        proves = row["point"] == "mains-line" or (
            row["quantity"] == "voltage" and float(row["value"] or 0) >= 0.8 * nominal
        )
        return proves and row["point"] != "mains"

    found = without(demo, "transformer-230", tmp_path, gone)
    for matrix in [f for f in found.findings if f.id.startswith("touch-voltage:")]:
        assert matrix.level != "within"
        assert "chain is not proved" in matrix.statement


def test_pandas_opens_the_readings_with_no_options(demo: Path) -> None:
    for path in demo.glob("*/*/readings.csv"):
        frame = pd.read_csv(path)
        assert len(frame) > 0 and {"time", "value", "point", "plug"} <= set(frame.columns)
        assert frame["value"].dtype.kind == "f"


def test_the_sessions_are_valid_data_packages(demo: Path) -> None:
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library's own, on import
        from frictionless import validate

        for path in demo.glob("*/*/datapackage.json"):
            report = validate(str(path))
            assert report.valid, report.flatten(["type", "message"])


def test_a_demo_again_gives_the_same_bytes_and_leaves_strangers_alone(
    demo: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    again = tmp_path / "again"
    assert run(["demo", "--out", str(again)]) == 0
    assert run(["demo", "--out", str(again)]) == 0  # its own folder is made anew
    for path in sorted(demo.rglob("*")):
        if path.is_file():
            assert (again / path.relative_to(demo)).read_bytes() == path.read_bytes(), path
    stranger = tmp_path / "stranger"
    stranger.mkdir()
    (stranger / "letter.txt").write_text("mine", "utf-8")
    capsys.readouterr()

    assert run(["demo", "--out", str(stranger)]) == 2
    assert (stranger / "letter.txt").read_text("utf-8") == "mine"
    assert len(capsys.readouterr().err.strip().splitlines()) == 1
