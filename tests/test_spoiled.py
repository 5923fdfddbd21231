"""Sessions whose files are no tables and no descriptor any more: every command ends with a status and a line, and the
files stay as they are."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from pathlib import Path

import pytest

from analysis.descriptor import DEEPEST, descriptor_from
from logger.cells import span_of
from logger.cli import run
from logger.keeping import check_session
from logger.mending import mend
from tests.sessions import SessionWriter, write_card

NOISE = random.Random(7).randbytes(3000)
TAKE = b"2026-03-02T14:25:02.000000Z,1.000000,take,v,id=%b; quantity=voltage; value=1; unit=V; rows=%b\r\n"
SPOILED: dict[str, tuple[str, Callable[[bytes], bytes]]] = {
    "brackets without end": ("datapackage.json", lambda _: b"[" * 100_000),
    "objects in objects": ("datapackage.json", lambda _: b'{"a":' * 50_000 + b"1" + b"}" * 50_000),
    "a list 500 deep": ("datapackage.json", lambda d: d.replace(b"{", b'{"x":' + b"[" * 500 + b"]" * 500 + b",", 1)),
    "noise for a descriptor": ("datapackage.json", lambda _: NOISE),
    "no start": ("datapackage.json", lambda d: d.replace(b'"start"', b'"stort"')),
    **{
        f"{name}, {kind}": (f"{name}.csv", change)
        for name in ("readings", "events", "wire")
        for kind, change in {
            "noise": lambda _: NOISE,
            "noise behind": lambda d: d + NOISE + b"\n",
            "NUL": lambda _: bytes(4096),
            "NUL rows behind": lambda d: d + b"\0\n" * 40,
            "empty rows behind": lambda d: d + b"\r\n" * 3,
            "another encoding": lambda d: d.decode().encode("utf-16"),
            "carriage returns": lambda d: d + b"a\rb\rc,\r\r\n",
            "an open quote": lambda d: d[:150] + b'"' + d[150:],
            "a cell without end": lambda d: d + b"x" * (1 << 24) + b"xx\n",
            "nothing": lambda _: b"",
        }.items()
    },
    "a take of a row that no file has": ("events.csv", lambda d: d + TAKE % (b"9" * 50, b"9" * 14 + b"-" + b"9" * 15)),
    "a take of 5000 digits": ("events.csv", lambda d: d + TAKE % (b"9" * 5000, b"9" * 5000)),
}


@pytest.fixture(params=[True, False], ids=["closed", "interrupted"])
def session(tmp_path: Path, request: pytest.FixtureRequest) -> Path:
    sitting = SessionWriter()
    sitting.take(sitting.read([117.2] * 5, point="chassis", plug="1", switch="on"), 117.2)
    folder = write_card(tmp_path / "book" / "set-5") / "20260302T142501Z-log"
    sitting.write(folder, closed=request.param)
    (folder / "wire.csv").write_bytes(b"elapsed_s,meter,direction,hex\r\n0.500000,v,rx,3131372e320a\r\n")
    return folder


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


@pytest.mark.parametrize("how", SPOILED)
def test_a_status_and_a_line_whatever_was_spoiled(session: Path, how: str, capfd: pytest.CaptureFixture[str]) -> None:
    name, change = SPOILED[how]
    (session / name).write_bytes(change((session / name).read_bytes()))
    before = contents(session)
    book = session.parent.parent

    for line in (["check", str(session)], ["assess", str(session)], ["assess", "set-5"], ["supply", "set-5"],
                 ["archive"], ["pack", "set-5", str(book / "set.zip")], ["unpack", str(book / "set.zip")],
                 ["redecode", str(session), "--meter", "v=text-line"], ["mend", str(session)],
                 ["log", "set-5", "--meter", "v=text-line@replay:///nowhere.csv"]):  # fmt: skip
        status = run([*line, "--benchbook", str(book)])
        told = capfd.readouterr()
        assert status in (0, 1, 2, 3), line
        assert status < 2 or (told.err.count("\n") == 1 and not told.out), (line, told)
        assert "Traceback" not in told.err + told.out and "\0" not in told.err + told.out, (line, told)
        assert contents(session) == before, line


@pytest.mark.parametrize("how", [how for how in SPOILED if how.startswith("events.csv, noise b") or "500" in how])
def test_what_can_still_be_read_is_mended_into_a_whole_copy(session: Path, how: str) -> None:
    """The readings were not touched, so that all five of them must come over."""
    name, change = SPOILED[how]
    (session / name).write_bytes(change((session / name).read_bytes()))

    made = mend(session)

    report = check_session(made.folder)
    assert made.rows == 5 and all(file.agrees and not file.torn for file in report.files) and not report.unreadable


def test_a_descriptor_may_be_as_deep_as_any_of_ours_and_no_deeper_than_makes_sense(session: Path) -> None:
    assert descriptor_from((session / "datapackage.json").read_bytes()) is not None
    for deep in (3, DEEPEST - 2, DEEPEST, DEEPEST + 2, 900, 10**5):
        found = descriptor_from(b'{"a":' + b"[" * deep + b"]" * deep + b"}")
        assert (found is not None) == (deep < DEEPEST), deep
    assert descriptor_from(json.dumps([1]).encode()) is None and descriptor_from(b"\xff\x00{}") is None


def test_the_rows_of_a_take_are_numbers_that_rows_can_have() -> None:
    assert span_of("3-5") == (3, 5) and span_of("7") == (7, 7)
    for text in ("", "-", "-3", "a-b", "3-5-7", "1e3", "9" * 16, "1-" + "9" * 5000):
        assert span_of(text) is None, text
