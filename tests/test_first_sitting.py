"""The first sitting that the help tells of, and what is said where nothing was measured."""

from __future__ import annotations

import io
import json
import re
from pathlib import Path

import pytest

from logger.cli import run
from tests.sessions import write_card


def test_the_first_sitting_of_the_help_can_be_within(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """One session: the socket first, then the four states, tags typed in between. 3 V is below 30 V in each."""
    assert run([]) == 0
    told = " ".join(capsys.readouterr().out.split())
    steps = ("radio add set-1 --mains '120 V' --frequency '60 Hz'", "log set-1", "point=mains-", "point=chassis plug=1",
             "assess set-1")  # fmt: skip
    assert sorted(map(told.index, steps)) == [told.index(step) for step in steps] and told.count("log set-1 ") == 1

    book = ["--benchbook", str(tmp_path)]
    assert run(["radio", "add", "set-1", "--mains", "120 V", "--frequency", "60 Hz", *book]) == 0
    states = [f"point=chassis plug={plug} switch={switch}\n3.1 V ac" for plug in (1, 2) for switch in ("on", "off")]
    monkeypatch.setattr("sys.stdin", io.StringIO("\n".join(["120.1 V ac", states[0], "y", *states[1:], "q", ""])))
    assert run(["log", "set-1", "--meter", "v=typed", "--tag", "point=mains-line", "--plain", *book]) == 0
    capsys.readouterr()
    run(["assess", "set-1", "--json", *book])
    found = json.loads(capsys.readouterr().out)
    assert found["fully_measured"], found["missing"]
    assert [f["level"] for f in found["findings"] if f["id"] == "touch-voltage:chassis"] == ["within"]


def test_nothing_measured_is_undecided_and_said_in_the_first_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_card(tmp_path / "set-5")
    assert run(["assess", "set-5", "--benchbook", str(tmp_path)]) == 0
    assert capsys.readouterr().out.splitlines()[0] == "set-5: UNDECIDED (NOTHING MEASURED)"

    assert run(["assess", "set-5", "--benchbook", str(tmp_path), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["level"] == "undecided" and {f["level"] for f in found["findings"]} == {"undecided"}


def test_the_list_of_commands_is_whole_and_every_option_says_what_it_takes(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    run(["--help"])
    listed = capsys.readouterr().out.partition("Commands:")[2]
    names = [line.split()[0] for line in listed.splitlines() if line.strip()]
    assert len(names) == 21 and "..." not in listed
    for name in names:
        run([name, "--help"])
        assert not re.findall(r"(?m)^ +--\S+ <str>", capsys.readouterr().out), name
