"""A cable pulled in the middle of a three-meter log, and put back: through the command, on real pseudo-terminals.

A pseudo-terminal behind a symbolic link stands for an adapter that comes back under another number.
"""

from __future__ import annotations

import csv
import os
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from logger.cli import run
from tests.instruments import PtyEnd, ScpiInstrument

pytestmark = pytest.mark.skipif(os.name == "nt", reason="pseudo-terminals are POSIX")


def until(true: Callable[[], bool], seconds: float = 20.0) -> None:
    """Wait for something that threads do. Raises: AssertionError: it did not come."""
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "it did not happen in time"
        time.sleep(0.02)


def rows_of(book: Path, name: str = "readings.csv") -> list[dict[str, str]]:
    """The rows that are on disk so far."""
    for path in book.glob(f"set-1/*/{name}"):
        with path.open(newline="", encoding="utf-8") as file:
            return list(csv.DictReader(file))
    return []


def counted(instrument: ScpiInstrument) -> int:
    """How many readings an instrument gave."""
    return sum(word == "READ?" for word in instrument.heard)


def test_the_others_do_not_notice_and_the_lost_one_comes_back(tmp_path: Path) -> None:
    book, link = tmp_path / "book", tmp_path / "ttyADAPTER"
    assert run(["radio", "add", "set-1", "--benchbook", str(book)]) == 0
    numbers = tuple(f"{i / 10:+.8E}" for i in range(1, 2000))  # no two alike, so that an invented row would show
    instruments = {role: ScpiInstrument(numbers) for role in ("a", "b", "c", "c again")}
    ends = {role: PtyEnd(instruments[role]) for role in ("a", "b", "c")}
    link.symlink_to(ends["c"].name)
    before: list[int] = []

    def pull_and_put_back() -> None:
        until(lambda: sum(row["meter"] == "c" for row in rows_of(book)) >= 3)
        before.append(counted(instruments["a"]))
        ends.pop("c").close()
        link.unlink()
        until(lambda: any(row["kind"] == "port-lost" for row in rows_of(book, "events.csv")))
        until(lambda: counted(instruments["a"]) >= before[0] + 3)  # the others go on meanwhile
        ends["c again"] = PtyEnd(instruments["c again"])
        link.symlink_to(ends["c again"].name)

    hand = threading.Thread(target=pull_and_put_back, daemon=True)
    hand.start()
    meters = [word for role, end in (("a", ends["a"].name), ("b", ends["b"].name), ("c", str(link)))
              for word in ("--meter", f"{role}=scpi-bench@{end}")]  # fmt: skip
    status = run(["log", "set-1", *meters, "--for", "6s", "--plain", "--benchbook", str(book)])
    hand.join(timeout=20)
    for end in ends.values():
        end.close()
    rows, events = rows_of(book), rows_of(book, "events.csv")

    assert status == 0
    for kind in ("port-lost", "port-back"):
        assert [event["meter"] for event in events if event["kind"] == kind] == ["c"]
    for role in ("a", "b"):  # every answer that was asked for, in order; the last may still have been under way
        got = [float(row["value"]) for row in rows if row["meter"] == role]
        sent = [float(number) for number in numbers[: counted(instruments[role])]]
        assert got in (sent, sent[:-1])
    lost = [float(row["value"]) for row in rows if row["meter"] == "c"]
    sent = [float(n) for role in ("c", "c again") for n in numbers[: counted(instruments[role])]]
    assert len(lost) > 4 and all(value in sent for value in lost)
    again = [float(number) for number in numbers[: counted(instruments["c again"])]]
    assert lost[-1] in again[-2:]
