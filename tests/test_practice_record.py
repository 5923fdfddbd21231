"""What was read on a practice bench never counts beside what was read on a radio, and is said to be simulated."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from analysis.assess import assess
from analysis.finding import Level
from analysis.table import load_radio
from logger.cli import run
from logger.radio import Benchbook
from logger.sitting import stage_of
from logger.summarising import fresh
from tests.sessions import METER
from tests.test_unread_sessions import first_line, home, sitting

__all__ = ["home"]
PRACTICE = {**METER, "port": "PRACTICE://transformer-230?meter=v"}


@pytest.mark.parametrize("stage", ["before-fit", "after-fit"])
@pytest.mark.parametrize(("real", "practised", "level"), [(3.1, 117.0, Level.WITHIN), (117.0, 3.1, Level.DANGER)])
def test_a_later_practice_sitting_neither_clears_nor_condemns_a_radio(
    home: Path, capsys: pytest.CaptureFixture[str], real: float, practised: float, level: Level, stage: str
) -> None:
    """Limit 30 V AC: 3.1 V is within it and 117 V above it, at whatever stage the practice was."""
    own = sitting(home, 0, real, METER)
    other = sitting(home, 1, practised, PRACTICE, stage)

    found = assess(load_radio(home))

    touch, record = found.of("touch-voltage:chassis"), found.of("record")
    assert touch is not None and touch.level is level and found.sessions == (own,) and found.stage == "before-fit"
    assert record is not None and record.level is Level.CAUTION and other in record.statement
    assert "practice bench" in record.statement
    assert (fresh(home).level, fresh(home).simulated) == (str(found.level), False)
    assert "SIMULATED" not in first_line(capsys, "assess", "set-5", "--benchbook", str(home.parent))


def test_practice_alone_is_judged_as_ever_and_said_to_be_simulated(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sitting(home, 0, 117.0, PRACTICE)
    book = str(home.parent)

    found = assess(load_radio(home))

    assert found.level is Level.DANGER and fresh(home).simulated and fresh(home).level == "danger"
    assert first_line(capsys, "assess", "set-5", "--benchbook", book).startswith("SIMULATED. ")
    assert "SIMULATED" in first_line(capsys, "archive", "--benchbook", book)
    assert "SIMULATED" in (home.parent / "index.html").read_text("utf-8")
    assert run(["assess", "set-5", "--benchbook", book, "--json"]) == 1
    keys = {"radio", "stage", "sessions", "level", "fully_measured", "missing", "findings"}  # design.md, JSON shapes
    assert json.loads(capsys.readouterr().out).keys() == keys


def test_a_practice_sitting_alone_can_be_assessed_in_a_radio_with_others(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sitting(home, 0, 3.1, METER)
    other = sitting(home, 1, 117.0, PRACTICE)
    assert first_line(capsys, "assess", str(home / other)).startswith("SIMULATED. ")


def test_the_stage_of_a_new_sitting_is_not_that_of_a_practice(home: Path) -> None:
    book = Benchbook(home.parent)
    sitting(home, 1, 3.1, PRACTICE, "after-fit")
    assert stage_of(book, "set-5", "") == "after-fit"
    sitting(home, 0, 3.1, METER, "before-fit")
    assert stage_of(book, "set-5", "") == "before-fit"
