"""Constructed wires for the tests: frames of every family with what they say, cut and spoiled at will."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache

from hypothesis import strategies as st

from drivers.decode import ascii_status, numbered, packed, polled_text, scpi_numbers, stream16, text_line
from drivers.decode.families import Decode, build
from drivers.framing import Frame, Framer, Skipped
from drivers.profile import Packed, load
from drivers.reading import Reading

Item = Frame | Skipped
_PACKED = load("packed-4").decode
assert isinstance(_PACKED, Packed)
PACKED: Packed = _PACKED


def displays(digits: int = 4, places: int = 3) -> st.SearchStrategy[str]:
    """What a display of so many digits can show, such as "-023.4"."""
    return st.builds(
        lambda count, after, minus: ("-" if minus else "") + point(count, after, digits),
        st.integers(0, 10**digits - 1), st.integers(0, places), st.booleans(),
    )  # fmt: skip


def point(count: int, places: int, digits: int) -> str:
    """The digits of a count with the point so many places from the right."""
    text = f"{count:0{digits}d}"
    return f"{text[:-places]}.{text[-places:]}" if places else text


def _packed(count: int, code: int, lit: Iterable[str], parity: bool) -> bytes:
    return packed.encode(f"{count:04d}", code, 0x3B, " ".join(lit), PACKED, parity=parity)


_LIT = st.sampled_from(["V ac auto", "mV dc", "mA ac", "A dc hold", "kohm auto", "Hz", "nF", "V dc low-battery"])
#: Frames of each family as bytes.
FRAMES: dict[str, st.SearchStrategy[bytes]] = {
    "numbered-lcd": st.builds(numbered.encode, displays(), _LIT),
    "ascii-status": st.builds(ascii_status.encode, displays(), _LIT, bar=st.integers(0, 255)),
    "polled-text": st.builds(
        polled_text.encode, displays(4).filter(lambda d: "." in d), st.sampled_from(["mV dc", "V ac", "Mohm", "mA ac"]),
        stop_bit=st.booleans(),
    ),
    "packed-4": st.builds(
        _packed, st.integers(0, 9999), st.integers(0x30, 0x34),
        st.sets(st.sampled_from(["ac", "auto", "sign", "low-battery"])), st.booleans(),
    ),
    "stream-16": st.builds(stream16.encode, displays(8), st.sampled_from(["18", "34", "50", "53", "38", "31"])),
    "scpi-bench": st.builds(
        lambda values: scpi_numbers.encode(*values),
        st.lists(st.floats(-1e6, 1e6, allow_nan=False), min_size=1, max_size=3),
    ),
    "text-line": st.builds(
        lambda number, unit: text_line.encode(("", number, unit)), displays(), st.sampled_from([" V", " mV ac", "mA"]),
    ),
}  # fmt: skip


def opened(name: str) -> tuple[Framer, Decode]:
    """Framer and decoder of a shipped profile; a free-running line meter is past its first line."""
    framer, decode = build(_PROFILES(name))
    if name == "text-line":
        framer.feed(b"\r\n")
    return framer, decode


def cut(wire: bytes, cuts: Iterable[int]) -> list[bytes]:
    """The wire in pieces of these lengths, and the rest."""
    pieces = []
    for length in cuts:
        pieces.append(wire[:length])
        wire = wire[length:]
    return [*pieces, wire]


def everything(framer: Framer, chunks: Iterable[bytes]) -> list[Item]:
    return [item for chunk in chunks for item in framer.feed(chunk)]


def frames(items: Iterable[Item]) -> list[bytes]:
    return [item.raw for item in items if isinstance(item, Frame)]


def readings(decode: Decode, items: Iterable[Item]) -> list[Reading]:
    """What the frames say, each a second after the other."""
    return [item for n, raw in enumerate(frames(items)) for item in decode(raw, float(n)) if isinstance(item, Reading)]


_PROFILES = cache(load)


def said(name: str, raw: bytes) -> list[tuple[object, ...]]:
    """What one frame says by itself, without its time."""
    _, decode = build(_PROFILES(name))
    return told(decode(raw, 0.0))


def told(found: Iterable[Reading | Skipped]) -> list[tuple[object, ...]]:
    return [(r.quantity, r.coupling, r.status, r.value, r.flags) for r in found if isinstance(r, Reading)]
