"""What the bytes that came say about the line: text, parity in the top bit, or a wrong speed.

A receiver that is too fast sees each bit of the sender several times, so that its bytes hardly change from bit to bit;
one that is too slow sees bytes that change at random.
"""

from __future__ import annotations

from enum import StrEnum

_TEXT = frozenset(b"\t\r\n") | frozenset(range(0x20, 0x7F))
_FEW = 16  #: fewer bytes than these say nothing


class Line(StrEnum):
    """How the bytes look."""

    UNKNOWN = "unknown"
    TEXT = "text"
    ODD = "odd parity in bit 7"
    EVEN = "even parity in bit 7"
    HIGH = "bit 7 always set"
    TOO_FAST = "port set too fast"
    OTHER = "no text"


_SAID = {
    Line.UNKNOWN: "Too few bytes came to tell why.",
    Line.TEXT: "The bytes are readable text, so the line settings fit; it is another format.",
    Line.ODD: "The bytes are text with odd parity: set bytesize 7, parity O.",
    Line.EVEN: "The bytes are text with even parity: set bytesize 7, parity E.",
    Line.HIGH: "The bytes are text with a stop bit in place of bit 7: set bytesize 7, stopbits 2.",
    Line.TOO_FAST: "The bytes look like a slower line: set a lower speed.",
    Line.OTHER: "The speed or the parity is wrong (perhaps a higher speed), or it is another format.",
}


def _share(data: bytes, fits: frozenset[int]) -> float:
    return sum(byte in fits for byte in data) / len(data)


def _changes(byte: int) -> int:
    """How often the line changes from start bit through the data bits, lowest first, to the stop bit."""
    bits = byte << 1 | 0x200
    return ((bits ^ bits >> 1) & 0x1FF).bit_count()


_CALM = frozenset(byte for byte in range(256) if _changes(byte) <= 3)
_ODD = frozenset(byte for byte in range(256) if byte.bit_count() % 2)
_EVEN = frozenset(range(256)) - _ODD
_HIGH = frozenset(range(128, 256))


def judge_line(data: bytes) -> Line:
    """How these bytes look."""
    if len(data) < _FEW:
        return Line.UNKNOWN
    if _share(data, _TEXT) > 0.95:
        return Line.TEXT
    if _share(bytes(byte & 0x7F for byte in data), _TEXT) > 0.95:
        for fits, verdict in ((_HIGH, Line.HIGH), (_ODD, Line.ODD), (_EVEN, Line.EVEN)):
            if _share(data, fits) > 0.95:
                return verdict
    return Line.TOO_FAST if _share(data, _CALM) > 0.7 else Line.OTHER


def say(line: Line) -> str:
    """The same for a person."""
    return _SAID[line]
