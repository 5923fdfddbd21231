"""The archive of many sessions beside the bare reading of their files: `python -m tests.bench_archive`."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.sessions import SessionWriter, write_card

#: Its own process and imports included, on two cores. Wanted: the first in 3 × the bare time, the second in 1 s.
RADIOS, SESSIONS = 200, 10

_BARE = """
import sys, time
from pathlib import Path
begin = time.monotonic()
import pandas as pd
for path in sorted(Path(sys.argv[1]).glob("*/*/*.csv")):
    pd.read_csv(path)
print(time.monotonic() - begin)
"""
_ARCHIVE = "import sys; from logger.cli import run; sys.exit(run(sys.argv[1:]))"


def benchbook(folder: Path, radios: int, sessions: int, rows: int = 40) -> None:
    """Radios that all read alike, each with as many sessions; a session has `rows` × 12 readings."""
    for radio in range(radios):
        name = f"radio-{radio}"
        home = write_card(
            folder / name, f'schema = 1\nid = "{name}"\nnominal_mains = "120 V"\nplug = "reversible"\n'
            'switch = "single"\npoints = ["chassis", "aerial"]\n',
        )  # fmt: skip
        for number in range(sessions):
            start = datetime(2026, 3, 2, 9, tzinfo=UTC) + timedelta(days=number)
            writer = SessionWriter(start=start)
            writer.read([120.1 + n % 3 / 10 for n in range(rows)], point="mains-line")
            for point in ("chassis", "aerial"):
                for plug in ("1", "2"):
                    for switch in ("on", "off"):
                        values = [3.1 + n % 3 / 10 for n in range(rows)]
                        writer.read(values, point=point, plug=plug, switch=switch)
            writer.read([120.2] * (3 * rows), point="mains")
            writer.write(home / f"{start:%Y%m%dT%H%M%SZ}-log", radio=name)


def _timed(*arguments: str) -> float:
    begin = time.monotonic()
    subprocess.run([sys.executable, "-c", _ARCHIVE, *arguments], check=True, stdout=subprocess.DEVNULL)
    return time.monotonic() - begin


def figures(radios: int, sessions: int) -> tuple[float, float, float]:
    """Seconds: bare reading with pandas, first archive, second archive."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        benchbook(folder, radios, sessions)
        told = subprocess.run([sys.executable, "-c", _BARE, name], check=True, capture_output=True, text=True)
        first = _timed("archive", "--benchbook", name, "--json")
        time.sleep(2.1)  # files younger than this are hashed again
        _timed("archive", "--benchbook", name, "--json")
        return float(told.stdout), first, _timed("archive", "--benchbook", name, "--json")


def main() -> None:
    """The figures for 2,000 sessions."""
    bare, first, second = figures(RADIOS, SESSIONS)
    print(f"{RADIOS * SESSIONS} sessions of 480 readings: pandas alone {bare:.2f} s; first archive {first:.2f} s "
          f"({first / bare:.2f} of it, wanted 3); second {second:.2f} s (wanted 1)")  # fmt: skip


if __name__ == "__main__":
    main()
