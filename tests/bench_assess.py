"""What assessing a million rows costs, as a whole process, beside a bare one that only reads the file with pandas.

Run with `python -m tests.bench_assess`; the figures go to standard output. Both run in turn, and the least of each
counts, since other work on the machine only ever adds. The assessment may take twice the bare time, within 1 GB.
"""

from __future__ import annotations

import random
import resource
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.report_samples import CARD, SITTING
from tests.sessions import COLUMNS, SessionWriter, write_card

ROWS = 1_000_000
ROUNDS = 3
#: Allowed over the bare time, and for the memory. [1], [bytes]
ALLOWED, MEMORY = 2.0, 1e9
#: Point, plug, switch, burden, quantity, coupling, load, level, unit, u, resolution; each for as long as the others.
STATES = (
    ("mains-line", "", "", "", "voltage", "ac", "", 121.0, "V", 0.7, 0.1),
    ("chassis", "1", "on", "", "voltage", "ac", "", 0.8, "V", 0.02, 0.01),
    ("chassis", "1", "off", "", "voltage", "ac", "", 0.4, "V", 0.02, 0.01),
    ("chassis", "2", "on", "", "voltage", "ac", "", 118.4, "V", 0.7, 0.1),
    ("chassis", "2", "off", "", "voltage", "ac", "", 61.2, "V", 0.4, 0.1),
    ("chassis", "2", "on", "100 kohm", "voltage", "ac", "", 92.0, "V", 0.6, 0.1),
    ("chassis", "2", "on", "10 kohm", "voltage", "ac", "", 32.0, "V", 0.3, 0.1),
    ("secondary", "", "", "", "voltage", "ac", "none", 11.3, "V", 0.05, 0.01),
    ("secondary", "", "", "", "current", "ac", "loudest", 0.094, "A", 0.0004, 0.0001),
    ("secondary", "", "", "", "voltage", "ac", "loudest", 9.35, "V", 0.05, 0.01),
)
#: The bare process: what any program pays that holds the same columns. Categories, times parsed, C engine.
BARE = """
import sys
import pandas as pd
text = ["meter", "quantity", "coupling", "unit", "status", "flags", "point", "plug", "switch", "load", "burden",
        "arrangement", "step"]
frame = pd.read_csv(sys.argv[1], engine="c", dtype={name: "category" for name in text}, parse_dates=["time"])
print(len(frame))
"""
ASSESS = "import sys; from logger.cli import run; sys.exit(run(['assess', sys.argv[1], '--json']))"


def million_rows(root: Path, rows: int = ROWS) -> Path:
    """A session's folder with so many readings in ten states."""
    folder = write_card(root / "set-5", CARD)
    path = SessionWriter().write(folder / SITTING, stage="after-fit")
    start, noise = datetime(2026, 3, 2, 14, 25, 1, tzinfo=UTC), random.Random(5)
    with (path / "readings.csv").open("w", encoding="utf-8", newline="") as file:
        file.write(",".join(COLUMNS) + "\r\n")
        for number in range(rows):
            state = STATES[number * len(STATES) // rows]
            point, plug, switch, burden, quantity, coupling, load, level, unit, u, count = state
            value = round(level + noise.gauss(0, count), 6)
            stamp = (start + timedelta(seconds=number / 10)).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
            file.write(
                f"{stamp},{number / 10:.6f},v,{quantity},{coupling},{value:g},{unit},ok,{u:g},600,{count:g},auto,"
                f"{point},{plug},{switch},{load},{burden},,\r\n"
            )
    return path


def timed(code: str, argument: Path) -> float:
    """Seconds of a fresh process."""
    begin = time.perf_counter()
    done = subprocess.run([sys.executable, "-c", code, str(argument)], capture_output=True, check=False)
    if done.returncode not in (0, 1) or not done.stdout:  # a process that fell over is no fast one
        raise RuntimeError(done.stderr.decode())
    return time.perf_counter() - begin


def measure(rows: int = ROWS) -> dict[str, float]:
    """Least seconds of both, and the largest memory of the assessment's process."""
    with tempfile.TemporaryDirectory() as place:
        path = million_rows(Path(place), rows)
        bare, whole = [], []
        for _ in range(ROUNDS):
            bare.append(timed(BARE, path / "readings.csv"))
            whole.append(timed(ASSESS, path))
        memory = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss * 1024.0
    return {"bare_s": min(bare), "assess_s": min(whole), "ratio": min(whole) / min(bare), "memory_B": memory}


def main() -> None:
    found = measure()
    print(
        f"assess {ROWS:,} rows: {found['assess_s']:.2f} s, bare pandas read {found['bare_s']:.2f} s, ratio "
        f"{found['ratio']:.2f} (allowed {ALLOWED:g}); memory {found['memory_B'] / 1e6:.0f} MB (allowed "
        f"{MEMORY / 1e6:.0f} MB)"
    )


if __name__ == "__main__":
    main()
