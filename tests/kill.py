"""kill -9 of a recording at full speed, again and again, and what must hold after each."""

from __future__ import annotations

import csv
import random
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from pathlib import Path

from logger.keeping import check_session
from logger.mending import mend
from tests.recording import PtyMeter, Recording

#: What may be missing after a kill. [s]
MOST_MISSING = 0.2
#: Beyond it even a busy machine is no reason. [s]
MOST_MISSING_WHEN_BUSY = 2.0


@dataclass(frozen=True, slots=True)
class Killed:
    """What came of one run."""

    problem: str = ""  #: what did not hold, or nothing
    missing: float = 0.0  #: age of the newest row that is there, of the meter that lost most, at the kill [s]


def killed_once(folder: Path, seed: int) -> Killed:
    """One run with three meters."""
    meters = [PtyMeter() for _ in range(3)]
    recording = Recording(folder, meters)
    try:
        for meter in meters:
            meter.start()
        session = recording.session()
        time.sleep(random.Random(seed).uniform(0.0, 0.25))
        moment = time.time()
        recording.kill()
    finally:
        recording.process.kill()
        for meter in meters:
            meter.close()
    return _judged(session, moment)


def _judged(session: Path, moment: float) -> Killed:
    before = {path.name: path.read_bytes() for path in session.iterdir()}
    raw = before["readings.csv"]
    torn = len(raw) - (raw.rfind(b"\n") + 1)
    made = mend(session)
    if {path.name: path.read_bytes() for path in session.iterdir()} != before:
        return Killed("mending changed the original")
    report = check_session(made.folder)
    if not report.ok:
        return Killed(f"the mended session does not pass: {report.problems}")
    if made.rows != raw.count(b"\n") - 1 or (torn and not made.lost):
        flushed = raw.count(b"\n") - 1
        return Killed(f"{flushed} whole rows were flushed, {made.rows} are there")
    with (made.folder / "readings.csv").open(encoding="utf-8", newline="") as file:
        numbers: dict[str, list[int]] = {}
        newest: dict[str, str] = {}
        for row in csv.DictReader(file):
            numbers.setdefault(row["meter"], []).append(int(float(row["value"])))
            newest[row["meter"]] = row["time"]
    for role in ("m0", "m1", "m2"):
        got = numbers.get(role, [])
        if not got or got != list(range(got[0], got[0] + len(got))):
            holes = [(a, b) for a, b in pairwise(got) if b != a + 1]
            return Killed(f"meter {role}: lines are missing in the middle: {holes[:3]} of {len(got)}")
    return Killed(missing=moment - min(datetime.fromisoformat(time).timestamp() for time in newest.values()))


def killed(folder: Path, runs: int, side_by_side: int = 1) -> list[Killed]:
    """What came of so many runs."""
    with ThreadPoolExecutor(side_by_side) as pool:
        return list(pool.map(killed_once, [folder / f"run-{n}" for n in range(runs)], range(runs)))
