"""A radio with a session that cannot be read: the archive says of it what `assess` says."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from analysis.assess import assess
from analysis.finding import Level
from analysis.table import load_radio
from logger.cli import run
from logger.summarising import fresh
from tests.sessions import METER, SessionWriter, write_card

CARD = 'schema = 1\nid = "set-5"\nnominal_mains = "120 V"\nfrequency = "60 Hz"\npoints = ["chassis"]\n'


def sitting(home: Path, day: int, volts: float, meter: dict[str, object], stage: str = "before-fit") -> str:
    """A session that proves its chain and reads every state of the chassis alike. Returns its name."""
    start = datetime(2026, 3, 2, 9, tzinfo=UTC) + timedelta(days=day)
    writer = SessionWriter(start=start)
    writer.read([120.1, 120.0, 120.2], point="mains-line")
    for plug in ("1", "2"):
        for switch in ("on", "off"):
            writer.read([volts] * 3, point="chassis", plug=plug, switch=switch)
    return writer.write(home / f"{start:%Y%m%dT%H%M%SZ}-log", stage=stage, meters=[meter]).name


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return write_card(tmp_path / "book" / "set-5", CARD)


def first_line(capsys: pytest.CaptureFixture[str], *call: str) -> str:
    run(call)
    return capsys.readouterr().out.splitlines()[0]


@pytest.mark.parametrize("stage", ["before-fit", "after-fit"])
@pytest.mark.parametrize("spoiled", [b"\x00\xff junk\n", None])
@pytest.mark.parametrize("torn", [0, 1])
def test_the_archive_judges_a_radio_with_an_unreadable_session_as_assess_does(
    home: Path, capsys: pytest.CaptureFixture[str], stage: str, spoiled: bytes | None, torn: int
) -> None:
    """One session shows 117 V, the other's readings are junk or gone, be it the earlier or the later."""
    names = [sitting(home, day, 117.0, METER, at) for day, at in enumerate(("before-fit", stage))]
    path = home / names[torn] / "readings.csv"
    path.unlink() if spoiled is None else path.write_bytes(spoiled)

    found = assess(load_radio(home))

    summary = fresh(home)
    assert found.level is Level.DANGER and summary.level == "danger" and summary.missing == found.missing
    assert summary.sessions == 1 and names[torn] in summary.problem
    assert names[torn] in first_line(capsys, "archive", "--benchbook", str(home.parent))


def test_an_unreadable_session_never_makes_the_archive_better_than_assess(home: Path) -> None:
    """Within its limits but for a sitting of an earlier stage, of which nobody knows what it holds."""
    first = sitting(home, 0, 3.1, METER, "before-fit")
    sitting(home, 1, 3.1, METER, "after-fit")
    (home / first / "readings.csv").write_bytes(b"junk\n")

    assert fresh(home).level == str(assess(load_radio(home)).level) != "within"
