"""Exit status, by design.md: 2 where the call was wrong or refused, 3 where a meter, port or file failed."""

from __future__ import annotations

import io
import subprocess
import sys
from pathlib import Path

import pytest

from logger.cli import run
from tests.sessions import SessionWriter, write_card


@pytest.fixture
def book(tmp_path: Path) -> Path:
    home = write_card(tmp_path / "book" / "set-5")
    writer = SessionWriter()
    writer.read([120.0, 120.1, 120.0], point="mains-line")
    writer.write(home / "20260302T142501Z-log")
    (home / "wires.csv").write_text("elapsed_s,meter,direction,hex\n0.1,a,rx,31\n0.2,b,rx,32\n", "utf-8")
    (tmp_path / "junk.zip").write_bytes(b"no zip")
    (tmp_path / "binary.csv.toml").write_bytes(b"elapsed_s,meter,direction,hex\n\xff\xfe\x00")
    (tmp_path / "binary.csv").write_bytes(b"elapsed_s,meter,direction,hex\n\xff\xfe\x00")
    return tmp_path / "book"


@pytest.mark.parametrize(("status", "call", "said"), [
    (3, "pack set-5 {}/none/x.zip", "cannot be packed"),
    (3, "archive --csv {}/none/x.csv", "CSV cannot be written"),
    (3, "demo --out {}/junk.zip/x", "cannot be written"),
    (3, "unpack {}/junk.zip", "cannot be read as a zip"),
    (3, "meters try text-line {}/none", "was not found"),
    (3, "meters try text-line replay://{}/binary.csv", "it is not UTF-8 text at byte"),
    (2, "meters try typed {}/none", "A typed meter has no port"),
    (2, "meters try text-line bogus://", "no kind of port called bogus://"),
    (2, "meters try text-line junk://x", "no kind of port called junk://"),
    (2, "meters try text-line replay://{}/book/set-5/wires.csv?meter=c", "no meter 'c'"),
    (2, "meters try text-line replay://{}/book/set-5/wires.csv", "several meters"),
    (2, "meters try text-line socket://nowhere", "is not complete"),
    (2, "meters show {}/binary.csv.toml", "it is not UTF-8 text at byte 30"),
    (2, "walk set-5 --plan {}/binary.csv.toml --meter v=typed", "it is not UTF-8 text at byte 30"),
    (2, "unpack {}/book", "is a folder. Name a zip"),
    (2, "supply set-5 --margin x", "Invalid value for '--margin': Expected a number."),
    (2, "log set-5 --meter v=typed --count x", "Expected a whole number."),
    (2, "archive --engine junk", "'junk' is no address of a cluster. Write tcp://HOST:PORT"),
])  # fmt: skip
def test_a_wrong_call_is_2_and_a_failure_is_3(
    book: Path, capsys: pytest.CaptureFixture[str], status: int, call: str, said: str
) -> None:
    words = call.format(book.parent).split()
    more = [] if words[0] in ("meters", "demo") else ["--benchbook", str(book)]

    assert run([*words, *more]) == status

    told = capsys.readouterr()
    assert told.out == "" and len(told.err.splitlines()) == 1 and said in told.err and "Errno" not in told.err


def test_a_cluster_that_is_not_there_is_one_line_and_no_traceback(book: Path) -> None:
    """A process of its own: what a client that never connected prints comes when it is thrown away."""
    call = [sys.executable, "-m", "chassislog", "archive", "--engine", "tcp://127.0.0.1:1", "--benchbook", str(book)]
    done = subprocess.run(call, capture_output=True, text=True, timeout=120)

    assert (done.returncode, done.stdout) == (3, "")
    assert done.stderr.splitlines() == [
        "chassislog: No cluster answers at tcp://127.0.0.1:1. Check the address of its scheduler."
    ]


@pytest.mark.parametrize(("status", "call", "said"), [
    (3, "assess {}/torn", "cannot be judged: readings.csv is gone"),
    (2, "assess {}/set-5/radio.toml", "radio.toml is a file. Name a radio by its id"),
    (2, "report {}/set-5/20260302T142501Z-log", "is a folder, and not of a radio. Name a radio by its id"),
    (2, "pack none x.zip", "There is no radio and no session 'none'."),
    (2, "walk learner-1 --practice ", "--practice names no scenario. Write one of autotransformer-240"),
    (2, "log set-5 --meter v=typed --name a/b", "'a/b' cannot be a session's name."),
    (2, "walk set-5 --meter v=typed --name a\\b", "cannot be a session's name."),
])  # fmt: skip
def test_an_answer_says_what_is_really_wrong(
    book: Path, capsys: pytest.CaptureFixture[str], status: int, call: str, said: str
) -> None:
    (book / "torn").mkdir()
    (book / "torn" / "wire.csv").write_text("elapsed_s,meter,direction,hex\n", "utf-8")
    (book / "torn" / "datapackage.json").write_text("{{}}", "utf-8")
    before = sorted(book.rglob("*"))

    assert run([*call.format(book).split(" "), "--benchbook", str(book)]) == status

    told = capsys.readouterr()
    assert told.out == "" and len(told.err.splitlines()) == 1 and said in told.err
    assert sorted(book.rglob("*")) == before


@pytest.mark.parametrize(("typed", "status"), [("", 3), ("5 V ac\n", 3), ("5 V ac\n5.1 V ac\n", 0), ("q\n", 0)])
def test_a_count_that_is_not_reached_is_no_success_unless_somebody_ended_it(
    book: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], typed: str, status: int
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO(typed))

    found = run(["log", "set-5", "--meter", "v=typed", "--count", "2", "--plain", "--benchbook", str(book)])

    assert found == status and ("--count 2 was not reached" in capsys.readouterr().err) == (status == 3)


@pytest.mark.parametrize("since", ["2026-13-01", "2026-02-31", "0000-01-01", "2026-1-1", "yesterday"])
def test_a_day_that_is_not_in_the_calendar_is_refused(
    book: Path, capsys: pytest.CaptureFixture[str], since: str
) -> None:
    assert run(["report", "set-5", "--since", since, "--benchbook", str(book)]) == 2
    assert "Write it as 2026-01-31." in capsys.readouterr().err and not (book / "set-5" / "report").exists()


@pytest.mark.parametrize(("since", "none"), [("2030-01-01", True), ("2026-03-03", True), ("2026-03-02", False)])
def test_a_report_of_days_without_a_session_says_so(
    book: Path, capsys: pytest.CaptureFixture[str], since: str, none: bool
) -> None:
    """The only session began on 2 March 2026."""
    assert run(["report", "set-5", "--since", since, "--benchbook", str(book)]) == 0

    said = f"No session is from {since} or later; the last began on 2026-03-02."
    assert (said in capsys.readouterr().err) == none
    page = (book / "set-5" / "report" / "report.html").read_text("utf-8")
    assert since in page and ("no sitting is from then on" in page) == none
