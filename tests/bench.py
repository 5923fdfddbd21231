"""All benches, one after the other: `make bench`. Timings are ratios against a bare baseline in the same run.

Each `tests/bench_*.py` has a `main()` that prints its figures; `python -m tests.bench decode rectifier` runs some.
"""

from __future__ import annotations

import importlib
import sys
import time
import traceback
from pathlib import Path


def names() -> list[str]:
    """The benches there are."""
    return sorted(path.stem.removeprefix("bench_") for path in Path(__file__).parent.glob("bench_*.py"))


def run(wanted: list[str]) -> int:
    """Run some benches, or all; the number that failed."""
    failed = 0
    for name in wanted or names():
        print(f"\n== {name}", flush=True)
        began = time.perf_counter()
        try:
            importlib.import_module(f"tests.bench_{name}").main()
        except SystemExit as exc:
            failed += bool(exc.code)
        except Exception:  # noqa: BLE001 - one bench that fails must not hide the others
            traceback.print_exc()
            failed += 1
        print(f"-- {name}: {time.perf_counter() - began:.1f} s", flush=True)
    return failed


if __name__ == "__main__":
    sys.exit(1 if run(sys.argv[1:]) else 0)
