"""A meter that sends several values in one line: recorded, checked, decoded again, and walked by its channels."""

from __future__ import annotations

from pathlib import Path

import pytest

from analysis.card import BurdenBox, RadioCard
from analysis.table import load_session
from drivers.profile import load
from drivers.reading import Coupling, Quantity, Reading, Status
from logger.acts import Note, SetTags
from logger.agenda import Agenda
from logger.bench import MeterState
from logger.burdening import Burdening
from logger.cells import meter_of
from logger.keeping import check_session
from logger.plan import read_plan
from logger.redecoding import redecode
from logger.walker import Walker
from tests.test_keeping import lines, record
from tests.walk_table import TWO_RAILS

#: The board of README.
BOARD = r"""
schema = 1
title = "A two-channel board"
isolation = "isolated"
[decode]
family = "text-line"
pattern = '(?P<channel>U1|I1) (?P<value>[-+.\d]+) (?P<unit>V|A)'
[decode.channels]
U1 = { quantity = "voltage", coupling = "ac" }
I1 = { quantity = "current", coupling = "ac" }
"""


@pytest.fixture
def board(tmp_path: Path) -> str:
    path = tmp_path / "board.toml"
    path.write_text(BOARD, encoding="utf-8")
    return str(path)


def test_a_session_of_channels_is_whole_and_decodes_again_to_itself(tmp_path: Path, board: str) -> None:
    folder = record(tmp_path / "set-5", lines(30, text="t=1 U1 {:.1f} VAC I1 0.0561 A\n"), profile=board)

    report = check_session(folder)
    made = redecode(folder, {"v": load(board)})

    assert report.ok and report.compared == {"v": 58}, report.problems  # 30 lines less the one without a head, twice
    assert made.by_meter == made.before == {"v": 58}
    old, new = (load_session(place).readings.frame for place in (folder, made.folder))
    assert old.equals(new) and set(new["meter"]) == {"v.U1", "v.I1"}
    assert check_session(made.folder, {"v": load(board)}).ok


def both(at: float) -> tuple[Reading, Reading]:
    volts = Reading(elapsed=at, quantity=Quantity.VOLTAGE, coupling=Coupling.DC, status=Status.OK, unit="V", value=12.0,
                    resolution=0.1, channel="U1")  # fmt: skip
    amperes = Reading(elapsed=at, quantity=Quantity.CURRENT, coupling=Coupling.DC, status=Status.OK, unit="A",
                      value=0.05, resolution=1e-3, channel="I1")  # fmt: skip
    return volts, amperes


def test_a_plan_reads_the_channel_that_it_asks_for_and_the_others_do_not_disturb() -> None:
    card = RadioCard(schema=1, id="set-1", points=("chassis",), nominal_mains="230 V", frequency="50 Hz")
    walker = Walker(Agenda(read_plan(TWO_RAILS, "mine.toml"), card, BurdenBox(), {}, burdening=Burdening(card=card)))
    acts, row = walker.start(0.0), 0
    tags: dict[str, str] = {}
    for turn in range(12):
        for reading in both(turn * 0.3):
            acts += walker.reading("v", reading, row, tags, reading.elapsed)
            tags = next((dict(act.tags) for act in reversed(acts) if isinstance(act, SetTags)), {})
            row += 1

    (take,) = (act for act in acts if isinstance(act, Note) and act.kind == "take")
    assert take.role == "v.U1" and take.detail["value"] == "12" and walker.view.step != "plus"


def test_of_several_channels_the_volts_are_shown() -> None:
    volts, amperes = both(1.0)
    state = MeterState("v")
    for reading in (amperes, volts, amperes):
        state.take(reading)

    assert state.last is volts


@pytest.mark.parametrize(
    ("name", "found"),
    [("v", ("v", "")), ("v.U1", ("v", "U1")), ("a.b", ("a.b", "")), ("a.b.U1", ("a.b", "U1")), ("w.U1", ("w.U1", ""))],
)
def test_a_row_names_its_meter_and_channel(name: str, found: tuple[str, str]) -> None:
    assert meter_of(name, {"v", "a.b"}) == found
