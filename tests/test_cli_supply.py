"""The commands `supply`, `compare` and `report` as somebody at the bench would type them."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest

from logger.cli import run
from tests.sessions import SessionWriter
from tests.test_aux_findings import LOADS, VOLTS, card, hum, meter, secondary, written


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """A benchbook with one radio, one sitting of it: the secondary, then hum."""
    sitting = SessionWriter()
    secondary(sitting, LOADS, VOLTS)
    hum(sitting, {"A": 0.004, "B": 0.002})
    written(tmp_path, sitting, card(), [meter(rms="true", coupling="acdc")])
    return tmp_path


def document(capsys: pytest.CaptureFixture[str]) -> dict[str, object]:
    found = json.loads(capsys.readouterr().out)
    assert isinstance(found, dict)
    return found


def test_supply_gives_its_figures_as_one_document(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """0.131 A true RMS with a margin of 2 at 9 V are 2.358 VA; (10.5 − 8.73)/8.73 is the regulation."""
    assert run(["supply", "set-5", "--margin", "2", "--benchbook", str(bench), "--json"]) == 0

    found = document(capsys)

    assert found["design_current_A"] == pytest.approx(0.131)
    assert found["true_rms_factor"] == 1.0 and found["margin"] == 2.0
    assert found["required_secondary_A"] == pytest.approx(0.262) and found["required_VA"] == pytest.approx(2.358)
    assert found["next_standard_VA"] == 2.8
    assert found["off_load_V"] == pytest.approx(10.5) and found["on_load_V"] == pytest.approx(8.73)
    assert found["regulation"] == pytest.approx((10.5 - 8.73) / 8.73)
    resistance, at_mains = found["winding_resistance_ohm"], found["at_mains"]
    assert isinstance(resistance, float) and resistance > 0
    assert isinstance(at_mains, list)
    assert [(row["mains_V"], row["load"]) for row in at_mains] == [
        (pytest.approx(108), "loudest"), (pytest.approx(120), "loudest"), (pytest.approx(132), "none")
    ]  # fmt: skip
    assert {*at_mains[0]["rails"][0]} == {"name", "mean_V", "min_V", "max_V", "ripple_Vpp"}


def test_compare_gives_difference_and_interval(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    call = ["compare", "set-5", "--by", "arrangement", "--point", "speaker", "--benchbook", str(bench)]
    assert run([*call, "--json"]) == 0

    found = document(capsys)

    keys = {"point", "quantity", "a", "b", "difference_dB", "interval_dB", "confidence", "margin_dB", "outcome"}
    assert keys <= {*found}
    assert found["difference_dB"] == pytest.approx(20 * math.log10(2), abs=0.3)
    assert found["outcome"] == "different" and found["margin_dB"] == 1.0
    assert run([*call, "--a", "B", "--b", "A"]) == 0
    said = capsys.readouterr().out
    assert "different" in said and "-6." in said


def test_a_session_can_be_named_instead_of_its_radio(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    session = next((bench / "set-5").glob("2026*"))
    assert run(["supply", str(session), "--json"]) == 0
    assert document(capsys)["design_current_A"] == pytest.approx(0.131)


def test_people_are_told_what_is_missing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    written(tmp_path, SessionWriter())
    assert run(["supply", "set-5", "--benchbook", str(tmp_path)]) == 0
    said = capsys.readouterr().out
    assert "nothing was measured at point secondary" in said and "loudest" in said


REFUSED = (
    (["supply", "set-5", "--margin", "0.5"], "margin"),
    (["supply", "set-5", "--margin", "nan"], "margin"),
    (["supply", "set-9"], "set-5"),
    (["compare", "set-5", "--margin", "1"], "unit"),
    (["compare", "set-5", "--margin", "-1dB"], "above zero"),
    (["compare", "set-5", "--by", "weather"], "arrangement"),
    (["compare", "set-5", "--by", "value"], "arrangement"),
    (["compare", "set-5", "--point", "moon"], "speaker"),
    (["compare", "set-5", "--quantity", "loudness"], "voltage"),
    (["compare", "set-5", "--a", "A", "--b", "C"], "A, B"),
    (["compare", "set-5", "--a", "A", "--b", "A"], "A, B"),
)


@pytest.mark.parametrize(("call", "word"), REFUSED, ids=[" ".join(call) for call, _ in REFUSED])
def test_nonsense_is_refused_in_one_line(
    bench: Path, call: list[str], word: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run([*call, "--benchbook", str(bench)]) == 2
    said = capsys.readouterr()
    assert said.out == "" and said.err.count("\n") == 1 and word in said.err


def test_the_report_shows_supply_and_hum(bench: Path) -> None:
    assert run(["report", "set-5", "--compare", "--benchbook", str(bench)]) == 0
    page = (bench / "set-5" / "report" / "report.html").read_text("utf-8")
    for title in ("Current of the auxiliary transformer, by load", "Load line of the auxiliary transformer",
                  "Rails against mains", "Gain that does not clip", "Comparison of arrangements"):  # fmt: skip
        assert title in page
    assert "nameplate 5 VA, 1.77 VA asked for" in page
