"""Bench: the judge on 20,000 simulated radios."""

from __future__ import annotations

import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor

from tests.test_simulated_radios import Tally, judge_many

STEP = 250


def main(count: int = 20_000) -> None:
    """Print the tally; exit status 1 if something that must hold does not."""
    total: Tally = Counter()
    with ProcessPoolExecutor() as pool:
        for part in pool.map(judge_many, [range(at, min(at + STEP, count)) for at in range(0, count, STEP)]):
            total += part
    print(f"simulated radios: {count}")
    for name, number in sorted(total.items()):
        print(f"  {number:7d}  {name}")
    print(f"  false alarms {100 * total['false alarm'] / max(1, total['clear']):.2f} % of the clear points, limit 1 %")
    print(f"  kind right {100 * total['kind right'] / max(1, total['kind due']):.2f} % where due, limit 98 %")
    never = ("within though hazardous", "within though hazardous, unseen and untold", "within on lacking evidence",
             "isolated though hazardous", "undecided though nothing lacked")  # fmt: skip
    late = total["false alarm"] > 0.01 * total["clear"] or total["kind right"] < 0.98 * total["kind due"]
    if late or any(total[name] for name in never):
        sys.exit(1)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20_000)
