"""A million random and mutated bytes over every family: readings or faults, and never another exception.

`fuzz` is called with more bytes by the bench.
"""

from __future__ import annotations

import random
from collections import Counter

import pytest

from drivers.decode import ascii_status, numbered, packed, polled_text, scpi_numbers, stream16, text_line
from drivers.decode.families import build
from drivers.framing import Frame, Skipped
from drivers.profile import load
from drivers.reading import Reading, Status
from tests.wires import PACKED

GOOD: dict[str, list[bytes]] = {
    "numbered-lcd": [numbered.encode("123.4", "V ac auto"), numbered.encode(" 0.L ", "Mohm")],
    "ascii-status": [ascii_status.encode("-12.34", "mA dc", bar=13), ascii_status.encode("OL", "V ac hold")],
    "polled-text": [polled_text.encode("-399.9", "mV dc"), polled_text.encode("O.L", "V ac", stop_bit=True)],
    "packed-4": [packed.encode("1234", 0x31, 0x3B, "ac auto", PACKED, parity=p) for p in (False, True)],
    "stream-16": [stream16.encode("230.1", "50"), stream16.encode("-5.67", "37")],
    "scpi-bench": [scpi_numbers.encode(117.4), scpi_numbers.encode(-0.001, Status.OVERLOAD, Status.INVALID)],
    "text-line": [text_line.encode(("", "117.4", " mV ac")), text_line.encode(("V: ", "12.34", " V")),
                  text_line.encode(("", "OL", " V ac"))],
}  # fmt: skip


def noise(name: str, draw: random.Random, length: int) -> bytes:
    """Whole frames, frames with a byte changed, lost or doubled, and bytes of no meaning."""
    pieces: list[bytes] = []
    gathered = 0
    while gathered < length:
        kind, raw = draw.random(), bytearray(draw.choice(GOOD[name]))
        if kind < 0.15:
            raw = bytearray(draw.randbytes(draw.randrange(1, 40)))
        elif kind < 0.8:
            at = draw.randrange(len(raw))
            raw[at : at + draw.randrange(3)] = draw.randbytes(draw.randrange(3))
        pieces.append(bytes(raw))
        gathered += len(raw)
    return b"".join(pieces)


def fuzz(name: str, length: int, seed: int) -> Counter[str]:
    """Feed so many bytes in pieces of random length, check that nothing is lost, count readings by status."""
    draw = random.Random(seed)
    wire = noise(name, draw, length)
    framer, decode = build(load(name))
    found: Counter[str] = Counter()
    at = given = 0
    while at < len(wire):
        step = draw.randrange(1, 300)
        for item in framer.feed(wire[at : at + step]):
            given += len(item.raw)
            for said in decode(item.raw, at / 1000) if isinstance(item, Frame) else [item]:
                if isinstance(said, Skipped):
                    found["skipped"] += 1
                else:
                    check(said)
                    found[said.status] += 1
        at += step
    if given + len(framer.pending) != len(wire):
        raise AssertionError(f"{len(wire)} bytes in, {given} out, {len(framer.pending)} pending")
    return found


def check(reading: Reading) -> None:
    """A reading is a number that can be stored, or it has none."""
    if reading.value is not None and not -1e300 < reading.value < 1e300:
        raise AssertionError(f"{reading} has a value that is no number")
    if reading.u is not None and not (reading.value is not None and 0 <= reading.u < 1e300):
        raise AssertionError(f"{reading} has an uncertainty that is none")


@pytest.mark.parametrize("name", GOOD)
def test_a_million_bytes_in_all_raise_nothing_and_lose_nothing(name: str) -> None:
    found = fuzz(name, 1_000_000 // len(GOOD) + 1, seed=5)

    # The noise gets far enough to matter: good frames, faults and skipped bytes all come by.
    assert found["ok"] > 500 and found["skipped"] > 500 and found["overload"] > 0


@pytest.mark.parametrize("name", GOOD)
def test_a_decoder_stands_whatever_a_framer_would_never_give_it(name: str) -> None:
    _, decode = build(load(name))
    draw = random.Random(9)
    for good in GOOD[name]:
        for length in range(len(good)):
            assert all(isinstance(found, (Reading, Skipped)) for found in decode(good[:length], 0.0))
    for _ in range(2000):
        assert all(isinstance(found, (Reading, Skipped)) for found in decode(draw.randbytes(draw.randrange(40)), 0.0))
