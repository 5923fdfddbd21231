"""200 times kill -9 of a recording of three meters at full speed: `python -m tests.bench_kill`."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from tests.kill import killed

RUNS = 200


def main() -> None:
    """All runs; the exit status says whether each of them lost nothing."""
    with tempfile.TemporaryDirectory() as name:
        failed = killed(Path(name), RUNS, side_by_side=1)
    print("\n".join(failed) or f"{RUNS} kills: every flushed row is there, mended sessions pass, nothing older is lost")
    if failed:
        sys.exit(1)


if __name__ == "__main__":
    main()
