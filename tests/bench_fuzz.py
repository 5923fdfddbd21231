"""Bench: two million random and mutated bytes through each decoder; an exception or a lost byte ends it."""

from __future__ import annotations

import time

from tests.test_fuzz_decoders import GOOD, fuzz

LENGTH = 2_000_000


def main() -> None:
    """Print what came out of each family's noise."""
    for name in GOOD:
        began = time.perf_counter()
        found = fuzz(name, LENGTH, seed=2026)
        seconds = time.perf_counter() - began
        print(
            f"{name:14} {LENGTH:,} bytes in {seconds:.1f} s: " + ", ".join(f"{n} {k}" for k, n in sorted(found.items()))
        )


if __name__ == "__main__":
    main()
