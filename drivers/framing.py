"""Bytes become frames, in objects that hold no port and no clock.

Every byte that is fed comes out again, in order, in a `Frame`, in a `Skipped`, or is still `pending`. How the port
cuts the bytes changes nothing: a frame is found from the bytes alone.
"""

from __future__ import annotations

import re
from typing import Protocol

import msgspec


class Frame(msgspec.Struct, frozen=True, gc=False):
    """One whole frame, as it came."""

    raw: bytes


class Skipped(msgspec.Struct, frozen=True, gc=False):
    """Bytes that are no reading, and why."""

    raw: bytes
    reason: str


class Framer(Protocol):
    """What turns a port's bytes into frames."""

    @property
    def pending(self) -> bytes:
        """Bytes received that may still become a frame."""

    def feed(self, chunk: bytes) -> list[Frame | Skipped]:
        """What has become certain with these bytes."""

    def finish(self) -> list[Skipped]:
        """Whatever is pending at the end of the stream."""


class LineFramer:
    """Lines of text, ended by LF, CR LF or CR.

    A CR at the very end of what has come may be half of a CR LF, so its line waits for the next byte: `flush()` gives
    it when the meter has gone quiet. With `end="cr"` every CR ends its line at once. A line over `limit` is skipped to
    its end. `keep_first=False` is for a meter that talks unasked: its first line may have lost its head, and `30.1`
    cannot be told from the end of `230.1`.
    """

    def __init__(self, *, end: str = "any", limit: int = 4096, keep_first: bool = True) -> None:
        if end not in ("any", "cr"):
            raise ValueError(f"line end {end!r}, expected 'any' or 'cr'")
        self._line = re.compile(rb"[^\r]*\r" if end == "cr" else rb"[^\r\n]*(?:\r\n|\n|\r(?!\n|\Z))")
        self._limit = limit
        self._drop = "" if keep_first else "the first line after opening may have lost its head"
        self._pending = b""

    @property
    def pending(self) -> bytes:
        return self._pending

    def feed(self, chunk: bytes) -> list[Frame | Skipped]:
        data = self._pending + chunk if self._pending else chunk
        lines = self._line.findall(data)
        out: list[Frame | Skipped]
        if self._drop or len(data) > self._limit:
            out = [self._judge(line) for line in lines]
        else:
            out = [Frame(line) for line in lines]
        self._pending = data[sum(map(len, lines)) :]
        if len(self._pending) > self._limit:
            out.append(self._over_long())
        return out

    def _judge(self, line: bytes) -> Frame | Skipped:
        reason, self._drop = self._drop, ""
        if not reason and len(line) > self._limit:
            reason = f"a line of more than {self._limit} bytes"
        return Skipped(line, reason) if reason else Frame(line)

    def _over_long(self) -> Skipped:
        """Give up on the line under way; what is left of it is skipped too, up to its end."""
        keep = 1 if self._pending.endswith(b"\r") else 0  # it may still end the line
        gone = self._pending[: len(self._pending) - keep]
        self._pending = self._pending[len(gone) :]
        self._drop = self._drop or f"a line of more than {self._limit} bytes"
        return Skipped(gone, self._drop)

    def flush(self) -> list[Frame | Skipped]:
        """The line that waits only to see whether an LF follows its CR; for a meter that has gone quiet."""
        if not self._pending.endswith(b"\r"):
            return []
        line, self._pending = self._pending, b""
        return [self._judge(line)]

    def finish(self) -> list[Skipped]:
        gone, self._pending = self._pending, b""
        return [Skipped(gone, "the stream ended inside a line")] if gone else []


#: Bytes without their top bit, which is parity or a second stop bit where a 7-bit line is read as 8N1.
STRIP = bytes(value & 0x7F for value in range(256))


class FixedFramer:
    """Frames of one length, known by what stands at each place.

    `places` has one byte class of a regular expression for each byte; a frame is taken only where all of them fit.
    With `seven_bit` the comparison is made without the top bit, and the frame keeps it for its decoder to check.
    `run` names a class that may not stand right before a frame: a byte too many then spoils the frame, instead of
    shifting it.
    """

    def __init__(self, places: list[bytes], *, seven_bit: bool = False, run: bytes = b"") -> None:
        ahead = b"(?<!" + run + b")" if run else b""
        self._whole = re.compile(ahead + b"".join(places), re.S)
        prefix = b""
        for place in reversed(places[:-1]):
            prefix = place + (b"(?:" + prefix + b")?" if prefix else b"")
        self._tail = re.compile(ahead + prefix + rb"\Z", re.S)
        self._looks_behind = bool(run)
        self._length = len(places)
        self._seven_bit = seven_bit
        self._started = False
        self._behind = b""  # the byte before `_pending`, where it decides
        self._pending = b""

    @property
    def pending(self) -> bytes:
        return self._pending

    def feed(self, chunk: bytes) -> list[Frame | Skipped]:
        lead = len(self._behind)
        data = self._behind + self._pending + chunk
        seen = data.translate(STRIP) if self._seven_bit else data
        out: list[Frame | Skipped] = []
        at, length = lead, self._length
        for match in self._whole.finditer(seen, lead):
            start = match.start()
            if start != at:
                out.append(self._skip(data[at:start]))
            at = start + length
            out.append(Frame(data[start:at]))
            self._started = True
        tail = self._tail.search(seen, max(at, len(seen) - length + 1))
        keep = tail.start() if tail else len(seen)
        if keep != at:
            out.append(self._skip(data[at:keep]))
        self._pending = data[keep:]
        if self._looks_behind:
            self._behind = data[keep - 1 : keep]
        return out

    def _skip(self, raw: bytes) -> Skipped:
        first, self._started = not self._started, True
        if first and len(raw) < self._length:
            return Skipped(raw, "a partial first frame")
        return Skipped(raw, "bytes that make no frame")

    def finish(self) -> list[Skipped]:
        gone, self._pending, self._behind = self._pending, b"", b""
        return [Skipped(gone, "the stream ended inside a frame")] if gone else []


def numbered_framer() -> FixedFramer:
    """14 bytes whose high nibbles count 1 to 14."""
    return FixedFramer([rb"[\x%x0-\x%xf]" % (n, n) for n in range(1, 15)])


def ascii_status_framer() -> FixedFramer:
    """14 bytes by position: sign, four characters, space, point code, four status bytes and a bar of any value, CR LF.

    A status or bar byte may be 0A or 0D, so that a search for line ends would cut frames in two.
    """
    return FixedFramer([rb"[+-]", *[rb"[ -~]"] * 4, rb"\x20", rb"[0-4]", *[rb"."] * 5, rb"\r", rb"\n"])


def polled_text_framer() -> FixedFramer:
    """14 characters: mode, space, sign, value with point, unit, CR or LF; the top bit may be a stop bit."""
    value, unit = rb"[ 0-9.OL-]", rb"[ A-Za-z%]"
    return FixedFramer(
        [rb"[A-Z]", rb"[A-Z]", rb"\x20", rb"[ -]", *[value] * 5, *[unit] * 4, rb"[\r\n]"], seven_bit=True
    )


def packed_framer(packets: int = 9) -> FixedFramer:
    """Packets of 0x30 to 0x3F, exactly so many between line ends; parity may be in the top bit."""
    packet = rb"[0-?]"
    return FixedFramer([*[packet] * packets, rb"\r", rb"\n"], seven_bit=True, run=packet)


def stream_16_framer() -> FixedFramer:
    """16 characters: 02, '4', display, unit code, sign, point, eight digits, 0D."""
    any_text = rb"[ -~]"
    return FixedFramer([rb"\x02", rb"4", rb"[0-9]", any_text, any_text, rb"[01]", rb"[0-9]", *[any_text] * 8, rb"\r"])
