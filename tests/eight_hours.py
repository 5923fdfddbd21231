"""A night's wire log, played at full speed through the whole program, with its memory watched."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from tests.sessions import write_card

_CHILD = """
import json, sys, threading, time
from pathlib import Path
import psutil
from logger.benchmeter import meter_of
from logger.keeping import check_session
from logger.radio import Benchbook
from logger.sitting import Plan, Sitting
from datetime import datetime, timezone
book, wire = sys.argv[1:3]
process = psutil.Process()
sizes = []
meter = meter_of("v=text-line@replay://" + wire + "?meter=v&speed=0")
plan = Plan(radio="set-5", meters=[meter], tags={"point": "chassis"}, name="night",
            start=datetime(2026, 3, 2, 20, tzinfo=timezone.utc))
sitting = Sitting(Benchbook(Path(book)), plan)
loaded = process.memory_info().rss
begin = time.monotonic()
def wait(sitting):
    while sitting.recorder.running:
        sizes.append((sitting.writer.rows, process.memory_info().rss))
        time.sleep(0.05)
outcome = sitting.run(wait)
taken = time.monotonic() - begin
report = check_session(outcome.folder)
print(json.dumps({"rows": outcome.counters.rows, "seconds": taken, "ok": report.ok, "problems": report.problems,
    "compared": report.compared, "checked_rss": process.memory_info().rss, "loaded_rss": loaded, "sizes": sizes}))
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Night:
    """What came of it."""

    rows: int
    seconds: float
    whole: bool
    problems: tuple[str, ...]
    early: int  #: memory when a tenth was written [B]
    late: int  #: most memory afterwards [B]
    after_check: int  #: memory when the session had been checked [B]


def wire_log(path: Path, hours: float, per_second: int = 10) -> int:
    """Constructed: so many hours of lines; how many readings they hold."""
    count = round(hours * 3600 * per_second)
    with path.open("w", encoding="ascii", newline="") as file:
        file.write("elapsed_s,meter,direction,hex\r\n")
        for n in range(count + 1):  # the first one may have lost its head, and is no reading
            text = b"%.1f V ac\n" % (117 + n % 40 / 10)
            file.write(f"{n / per_second:.6f},v,rx,{text.hex()}\r\n")
    return count


def played(folder: Path, hours: float) -> tuple[int, Night]:
    """Play a night; how many readings there should be, and what came of it."""
    write_card(folder / "set-5")
    count = wire_log(folder / "wire.csv", hours)
    done = subprocess.run(
        [sys.executable, "-c", _CHILD, str(folder), quote(str(folder / "wire.csv"))], capture_output=True, text=True,
        env={**os.environ, "MALLOC_ARENA_MAX": "2"}, check=False,
    )  # fmt: skip
    if done.returncode:
        raise RuntimeError(done.stderr)
    told = json.loads(done.stdout)
    sizes = [size for rows, size in told["sizes"] if rows >= count / 10] or [told["loaded_rss"]]
    return count, Night(rows=told["rows"], seconds=told["seconds"], whole=told["ok"],
                        problems=tuple(told["problems"]), early=sizes[0], late=max(sizes),
                        after_check=told["checked_rss"])  # fmt: skip
