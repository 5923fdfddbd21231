"""200 times kill -9 of a recording of three meters at full speed: `python -m tests.bench_kill`."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from tests.kill import MOST_MISSING, killed

RUNS = 200


def main() -> None:
    """All runs; the exit status says whether each of them lost nothing."""
    with tempfile.TemporaryDirectory() as name:
        runs = killed(Path(name), RUNS)
    most = max(run.missing for run in runs)
    late = sum(run.missing > MOST_MISSING for run in runs)
    problems = [f"run {n}: {run.problem}" for n, run in enumerate(runs) if run.problem]
    print("\n".join(problems) or f"{RUNS} kills: every flushed row is there, every mended session passes")
    print(f"newest row at the kill: at most {1e3 * most:.0f} ms old; {late} of {RUNS} over {1e3 * MOST_MISSING:.0f} ms")
    if problems or late:
        sys.exit(1)


if __name__ == "__main__":
    main()
