"""Eight hours of ten readings a second, played at full speed: `python -m tests.bench_eight_hours`."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from tests.eight_hours import played

#: Memory may grow by no more from a tenth of the way to the end. [B]
FLAT = 8e6


def main() -> None:
    """Memory and rows; the exit status says whether nothing was lost and memory was flat."""
    with tempfile.TemporaryDirectory() as name:
        count, night = played(Path(name), 8)
    print(f"{night.rows} of {count} readings in {night.seconds:.1f} s; memory {night.early / 1e6:.1f} MB after a "
          f"tenth, {night.late / 1e6:.1f} MB at most afterwards, {night.after_check / 1e6:.1f} MB after the check; "
          f"session {'passes' if night.whole else f'FAILS: {night.problems}'}")  # fmt: skip
    if night.rows != count or not night.whole or night.late - night.early > FLAT:
        sys.exit(1)


if __name__ == "__main__":
    main()
