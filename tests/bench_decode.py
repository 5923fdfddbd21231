"""What framing and decoding cost, each beside a bare loop over the same bytes in the same run.

Run with: python -m tests.bench_decode
"""

from __future__ import annotations

import random
import re
import time
from collections.abc import Callable

from drivers.decode import numbered, scpi_numbers, text_line
from drivers.decode.families import build
from drivers.framing import Frame
from drivers.profile import load

FRAMES = 60_000
#: A port gives what has gathered; this is a usual read.
CHUNK = 4096


def timed(work: Callable[[], int]) -> float:
    """Seconds for one unit, the best of three runs."""
    best = float("inf")
    for _ in range(3):
        start = time.perf_counter()
        count = work()
        best = min(best, (time.perf_counter() - start) / count)
    return best


def ours(profile: str, wire: bytes) -> int:
    """Readings from the wire, by framer and decoder of the profile."""
    framer, decode = build(load(profile))
    count = 0
    for start in range(0, len(wire), CHUNK):
        for item in framer.feed(wire[start : start + CHUNK]):
            if item.__class__ is Frame:
                count += len(decode(item.raw, 1.0))
    return count


def bare_lines(wire: bytes) -> int:
    """The same numbers by split and float alone."""
    count, rest = 0, b""
    for start in range(0, len(wire), CHUNK):
        *lines, rest = (rest + wire[start : start + CHUNK]).split(b"\n")
        for line in lines:
            float(line.split()[0])
            count += 1
    return count


def bare_frames(wire: bytes) -> int:
    """The same frames found by one regular expression, nothing decoded."""
    pattern = re.compile(b"".join(rb"[\x%x0-\x%xf]" % (n, n) for n in range(1, 15)))
    return len(pattern.findall(wire))


def wires() -> dict[str, bytes]:
    """A wire for each profile, from a fixed seed."""
    draw = random.Random(7)
    counts = [draw.randrange(10_000) for _ in range(FRAMES)]
    return {
        "numbered-lcd": b"".join(numbered.encode(f"{n / 10:05.1f}", "V ac auto") for n in counts),
        "scpi-bench": b"".join(scpi_numbers.encode(n / 10) for n in counts),
        "text-line": b"\r\n" + b"".join(text_line.encode(("", f"{n / 10:.1f}", " V ac")) for n in counts),
    }


def rates() -> dict[str, tuple[float, float]]:
    """For each profile: seconds for one reading, ours and bare."""
    out = {}
    for name, wire in wires().items():
        bare = bare_frames if name == "numbered-lcd" else bare_lines
        lead = wire.removeprefix(b"\r\n")
        out[name] = (timed(lambda n=name, w=wire: ours(n, w)), timed(lambda b=bare, w=lead: b(w)))  # type: ignore[misc]  # defaults bind the loop's values
    return out


def main() -> None:
    """Print one line for each profile."""
    for name, (cost, bare) in rates().items():
        print(f"{name}: {1 / cost:,.0f} readings/s, {cost * 1e6:.2f} µs each")
        print(f"    bare {bare * 1e6:.2f} µs, ratio {cost / bare:.1f}")


if __name__ == "__main__":
    main()
