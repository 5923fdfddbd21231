"""kill -9 of a recording at full speed, again and again, and what must hold after each."""

from __future__ import annotations

import csv
import random
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from itertools import pairwise
from pathlib import Path

from logger.keeping import check_session
from logger.mending import mend
from tests.recording import PtyMeter, Recording

#: What may be missing after a kill: the bench holds it, on a machine that does nothing else. [s]
MOST_MISSING = 0.2
#: What a test lets pass, since a busy machine may not give the recorder its turn for so long. [s]
MOST_MISSING_WHEN_BUSY = 2.0


def killed_once(folder: Path, seed: int, most: float) -> str:
    """One run with three meters; what did not hold, or nothing."""
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
    return _judged(session, moment, most)


def _judged(session: Path, moment: float, most: float) -> str:
    before = {path.name: path.read_bytes() for path in session.iterdir()}
    raw = before["readings.csv"]
    torn = len(raw) - (raw.rfind(b"\n") + 1)
    made = mend(session)
    if {path.name: path.read_bytes() for path in session.iterdir()} != before:
        return "mending changed the original"
    report = check_session(made.folder)
    if not report.ok:
        return f"the mended session does not pass: {report.problems}"
    if made.rows != raw.count(b"\n") - 1 or (torn and not made.lost):
        flushed = raw.count(b"\n") - 1
        return f"{flushed} whole rows were flushed, {made.rows} are there"
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
            return f"meter {role}: lines are missing in the middle: {holes[:3]} of {len(got)}"
        age = moment - datetime.fromisoformat(newest[role]).timestamp()
        if age > most:
            return f"meter {role}: its last row was read {age:.3f} s before the kill"
    return ""


def killed(folder: Path, runs: int, side_by_side: int = 1, most: float = MOST_MISSING) -> list[str]:
    """What did not hold, of so many runs."""
    folders = [folder / f"run-{n}" for n in range(runs)]
    with ThreadPoolExecutor(side_by_side) as pool:
        found = list(pool.map(killed_once, folders, range(runs), [most] * runs))
    return [f"run {n}: {text}" for n, text in enumerate(found) if text]
