"""Free logging through the command, on a real pseudo-terminal and over TCP, with real pyserial on them."""

from __future__ import annotations

import csv
import io
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from logger.cli import run
from logger.tags import changes_in
from tests.instruments import PtyEnd, ScpiInstrument, TcpEnd, behind

ROOT = Path(__file__).resolve().parent.parent
VALUES = ("+1.17400000E+02", "+1.17500000E+02", "+9.90000000E+37", "+1.17300000E+02")
pty_only = pytest.mark.skipif(os.name == "nt", reason="pseudo-terminals are POSIX")


@pytest.fixture
def book(tmp_path: Path) -> Path:
    """A benchbook with one radio."""
    folder = tmp_path / "book"
    call = ["radio", "add", "set-1", "--points", "chassis", "--mains", "120 V", "--frequency", "60 Hz"]
    assert run([*call, "--benchbook", str(folder)]) == 0
    return folder


def session(book: Path) -> tuple[list[dict[str, str]], list[dict[str, str]], dict[str, Any]]:
    """Readings, events and descriptor of the one session there is."""
    (folder,) = [path.parent for path in book.glob("set-1/*/readings.csv")]
    tables = []
    for name in ("readings.csv", "events.csv"):
        with (folder / name).open(newline="", encoding="utf-8") as file:
            tables.append(list(csv.DictReader(file)))
    return tables[0], tables[1], json.loads((folder / "datapackage.json").read_text("utf-8"))


@pytest.mark.parametrize("end", [pytest.param(PtyEnd, marks=pty_only), TcpEnd])
def test_a_bench_meter_is_asked_and_recorded(book: Path, end: Callable[..., Any]) -> None:
    """Answers in pieces of three bytes; the third is an overload, which is no number."""
    instrument = ScpiInstrument(VALUES, piece=3)
    with behind(end, instrument) as port:
        status = run([
            "log", "set-1", "--meter", f"v=scpi-bench@{port}", "--tag", "point=chassis", "--tag", "plug=1", "--tag",
            "switch=on", "--count", "4", "--link-isolated", "--plain", "--benchbook", str(book),
        ])  # fmt: skip
    rows, events, head = session(book)

    assert status == 0
    assert any(word.startswith("CONF") for word in instrument.heard) and "READ?" in instrument.heard
    assert [row["value"] for row in rows] == ["117.4", "117.5", "", "117.3"]
    assert [row["status"] for row in rows] == ["ok", "ok", "overload", "ok"]
    assert {row["coupling"] for row in rows} == {"ac"} and {row["unit"] for row in rows} == {"V"}
    assert {(row["point"], row["plug"], row["switch"]) for row in rows} == {("chassis", "1", "on")}
    assert all(float(row["u"]) > 0 for row in rows if row["status"] == "ok")
    assert [event["kind"] for event in events if event["kind"] in ("start", "end")] == ["start", "end"]
    assert head["close"] and head["meters"][0]["identity"]
    assert head["statements"] == {"link_isolated": True, "fed_from": "mains"}
    assert {resource["name"]: resource["rows"] for resource in head["resources"]}["readings"] == 4


def test_a_lead_that_may_tie_the_chassis_to_the_computer_stops_the_command(
    book: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nobody is there to type the word, so it is refused before the port is touched."""
    status = run(["log", "set-1", "--meter", "v=scpi-bench@/dev/never-opened", "--tag", "point=chassis",
                  "--benchbook", str(book)])  # fmt: skip

    assert status == 2
    assert "isolated" in capsys.readouterr().err
    assert not list(book.glob("set-1/*/readings.csv"))


def test_what_is_typed_is_recorded_like_any_other_meter(
    book: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A slip of the decimal point is asked about; a changed tag stamps what follows."""
    typed = "117.4 V ac\n1174 V ac\n117.3 V ac\nplug=2\n0.85 V ac\ny\nOL V ac\nfour\nq\n"
    monkeypatch.setattr("sys.stdin", io.StringIO(typed))
    status = run(["log", "set-1", "--meter", "v=typed", "--tag", "point=chassis", "--tag", "plug=1", "--plain",
                  "--benchbook", str(book)])  # fmt: skip
    rows, events, _ = session(book)
    said = capsys.readouterr().out

    assert status == 0
    assert [(row["value"], row["status"], row["plug"]) for row in rows] == [
        ("117.4", "ok", "1"), ("117.3", "ok", "1"), ("0.85", "ok", "2"), ("", "overload", "2"),
    ]  # fmt: skip
    assert "Is it right?" in said and "is no value" in said
    assert any(event["kind"] == "tag" and "plug=2" in event["detail"] for event in events)
    takes = [event["detail"] for event in events if event["kind"] == "take"]  # settled by the reader's eye
    assert [f"rows={n}" in take for n, take in enumerate(takes)] == [True] * 3
    from analysis.assess import assess
    from analysis.table import load_radio

    states = assess(load_radio(book / "set-1")).findings[0].states
    assert {(s.plug, s.value) for s in states if s.value is not None} == {("1", 117.3)}


@pytest.mark.parametrize(
    ("typed", "rows"),
    [
        (("3 V ac", "230 V ac", "plug=2", "0.4 V ac", "y"), [("3", "1"), ("230", "1"), ("0.4", "2")]),  # never lost
        (("3 V ac", "230 V ac", "q"), [("3", "1"), ("230", "1")]),
        (("3 V ac", "230 V ac", "230 V ac"), [("3", "1"), ("230", "1")]),  # the same once more is a yes
        (("3 V ac", "230 V ac", "231 V ac"), [("3", "1"), ("231", "1")]),
        (("3 V ac", "300 V ac", "3.1 V ac"), [("3", "1"), ("3.1", "1")]),  # a slip of the decimal point
        (("3 V ac", "230 V ac", "4.7 kohm"), [("3", "1"), ("230", "1"), ("4700", "1")]),
        (("3 V ac", "230 V ac", "what", "y"), [("3", "1"), ("230", "1")]),
        (("3 V ac", "plug=2", "OL", "q"), [("3", "1")]),  # of what, nobody knows: it is asked
    ],
)
def test_a_value_in_doubt_is_recorded_unless_another_one_stands_in_its_place(
    book: Path, monkeypatch: pytest.MonkeyPatch, typed: tuple[str, ...], rows: list[tuple[str, str]]
) -> None:
    """What nobody took back may be what hurts: a live part that read far from the point before."""
    monkeypatch.setattr("sys.stdin", io.StringIO("\n".join(typed) + "\n"))
    assert run(["log", "set-1", "--meter", "v=typed", "--tag", "point=chassis", "--tag", "plug=1", "--plain",
                "--benchbook", str(book)]) == 0  # fmt: skip
    table, events, _ = session(book)

    assert [(f"{float(row['value']):g}", row["plug"]) for row in table] == rows
    assert len([event for event in events if event["kind"] == "take"]) == len(rows)
    noted = [event for event in events if event["kind"] == "note" and "in its place" in event["detail"]]
    assert bool(noted) is (typed[-1] in ("231 V ac", "3.1 V ac"))


@pty_only
def test_tags_change_in_the_middle_of_a_session_of_a_meter_with_a_lead(book: Path) -> None:
    """Proof and points in one session, as the proof must be of the same session; `q` ends it."""
    with behind(PtyEnd, ScpiInstrument(("+1.20000000E+02",))) as port:
        process = subprocess.Popen(
            [sys.executable, str(ROOT / "chassislog.py"), "log", "set-1", "--meter", f"v=scpi-bench@{port}", "--plain",
             "--tag", "point=mains-line", "--link-isolated", "--benchbook", str(book)],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, stdin=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert process.stdin is not None and process.stdout is not None
        shown = iter(process.stdout.readline, "")
        for line, *wanted in (
            ("", "V AC", "point=mains-line"), ("point=chassis plug=1 switch=on", "V AC", "point=chassis plug=1"),
            ("plug=3", "says nothing"), ("burden=100 kohm", "V AC", "burden=100 kohm"), ("hello", "changes no tag"),
        ):  # fmt: skip
            process.stdin.write(f"{line}\n")
            process.stdin.flush()
            assert any(all(word in text for word in wanted) for text in shown)
        process.stdin.write("q\n")
        process.stdin.close()
        process.stdin = None
        _, err = process.communicate(timeout=20)
    rows, _, head = session(book)

    assert process.returncode == 0 and head["close"], err
    assert [*dict.fromkeys((row["point"], row["plug"], row["burden"]) for row in rows)] == [
        ("mains-line", "", ""), ("chassis", "1", ""), ("chassis", "1", "100 kohm"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "changes"),
    [
        ("plug=2", {"plug": "2"}), ("point=aerial plug=2", {"point": "aerial", "plug": "2"}),
        ("burden=100 kohm switch=off", {"burden": "100 kohm", "switch": "off"}), ("burden=", {"burden": ""}),
        ("117.4 V ac", {}), ("v 4.7 kohm", {}), ("now plug=2", {}),
    ],
)  # fmt: skip
def test_a_typed_line_names_the_tags_that_it_changes(text: str, changes: dict[str, str]) -> None:
    assert changes_in(text) == changes


@pty_only
def test_ctrl_c_closes_the_session(book: Path) -> None:
    """In a process of its own, in the middle of a recording that would go on for ever."""
    with behind(PtyEnd, ScpiInstrument(("+1.00000000E+00",))) as port:
        process = subprocess.Popen(
            [sys.executable, str(ROOT / "chassislog.py"), "log", "set-1", "--meter", f"v=scpi-bench@{port}", "--plain",
             "--benchbook", str(book)],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, stdin=subprocess.DEVNULL, text=True,
        )  # fmt: skip
        until = time.monotonic() + 20
        while time.monotonic() < until and not any(
            len(p.read_bytes().splitlines()) > 2 for p in book.glob("set-1/*/readings.csv")
        ):
            time.sleep(0.05)
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=20)
    rows, events, head = session(book)

    assert process.returncode == 0, err
    assert rows and head["close"]
    assert events[-1]["kind"] == "end" and "interrupted" in events[-1]["detail"]


def test_own_tags_have_columns_and_text_survives(book: Path, tmp_path: Path) -> None:
    """A tag that a spreadsheet would run is guarded on disk, and comes back as it was."""
    wire = tmp_path / "wire.csv"
    wire.write_text("elapsed_s,meter,direction,hex\r\n0.5,v,rx,1b2035455b637f8a97a0b0c0d4e0\r\n", "utf-8")
    status = run(["log", "set-1", "--meter", f"v=numbered-lcd@replay://{wire}?meter=v&speed=0", "--tag-column", "valve",
                  "--tag", "valve==1+1", "--tag", 'load=said, "so"', "--plain", "--benchbook", str(book)])  # fmt: skip
    rows, _, _ = session(book)

    assert status == 0
    assert rows[0]["valve"] == "'=1+1" and rows[0]["load"] == 'said, "so"'
    from analysis.table import load_radio

    frame = load_radio(book / "set-1").sessions[0].readings.frame
    assert list(frame["valve"]) == ["=1+1"]


@pytest.mark.parametrize("wire", [True, False])
@pytest.mark.parametrize("cut", [0.5, 7200.0])
def test_a_replay_without_a_start_closes_after_its_last_row(book: Path, tmp_path: Path, cut: float, wire: bool) -> None:
    """Two hours are replayed in no time: the close goes by the recorded time, as the rows do, not by the wall clock."""
    log = tmp_path / "wire.csv"
    lines = [f"{second},v,rx,{f'117.{n} V ac{chr(10)}'.encode().hex()}" for n, second in enumerate([0.2, 0.3, cut])]
    log.write_text("\r\n".join(["elapsed_s,meter,direction,hex", *lines, f"{cut + 9},v,rx,31", ""]), "utf-8")
    status = run(["log", "set-1", "--meter", f"v=text-line@replay://{log}?speed=0", "--plain", "--benchbook", str(book),
                  *([] if wire else ["--no-wire"])])  # fmt: skip
    rows, events, head = session(book)
    close = datetime.fromisoformat(head["close"])

    assert status == 0 and float(rows[-1]["elapsed_s"]) == cut
    assert all(datetime.fromisoformat(row["time"]) <= close for row in (*rows, *events))
    after = (close - datetime.fromisoformat(head["start"])).total_seconds()
    assert cut + 9 <= after < cut + 120  # and not long after: a replay asks on for a minute at most
