"""A recorded conversation, decoded by listening to it alone: what `check` and `redecode` make of a wire log.

Nothing is asked and nothing waited for: the bytes that went each way, with their times, are all there is. The same
framers and decoders work as at the bench, so that an unchanged profile gives the readings that were recorded.
"""

from __future__ import annotations

import re
import struct
from typing import Protocol

import msgspec

from drivers.accuracy import Accuracies
from drivers.decode.families import build
from drivers.decode.modbus_registers import readings, spans
from drivers.decode.tables import Modbus, Scpi
from drivers.exchange import ERROR, LINE
from drivers.faults import Faults
from drivers.framing import Frame, Skipped
from drivers.modbus import READ_INPUT, crc, request
from drivers.port import WirePiece, wire_bytes
from drivers.profile import Profile
from drivers.reading import Coupling, Quantity, Reading
from drivers.scpi import FUNCTIONS, WHICH_FUNCTION, table_for

_QUIET = 0.02  #: after so long a CR at the end of what came was a line's end, as at the bench [s]
_FUNCTION_OF = {name: function for function, name in FUNCTIONS.items()}
_ERROR_QUESTION = b"SYST:ERR?"


class Overheard(Protocol):
    """One meter's part of a wire log, piece by piece."""

    faults: Faults

    def sent(self, elapsed: float, data: bytes, /) -> list[Reading]:
        """The computer sent this."""
        ...

    def came(self, elapsed: float, data: bytes, /) -> list[Reading]:
        """The meter sent this."""
        ...

    def cut(self) -> list[Reading]:
        """The port was lost, or the log ends: bytes before never join those after."""
        ...


def overheard(profile: Profile) -> Overheard:
    """A listener for a meter of this profile. Raises: ValueError: it has no lead (typed)."""
    if isinstance(profile.decode, Scpi):
        return _Conversation(profile, profile.decode)
    if isinstance(profile.decode, Modbus):
        return _Registers(profile, profile.decode)
    return _Frames(profile)


class _Frames:
    """A meter whose frames stand for themselves."""

    def __init__(self, profile: Profile) -> None:
        self.faults = Faults()
        self._profile = profile
        self._begin()

    def _begin(self) -> None:
        self._framer, self._decode = build(self._profile)
        self._flush = getattr(self._framer, "flush", None)
        self._last = 0.0
        self.faults.opened()

    def sent(self, _elapsed: float, _data: bytes, /) -> list[Reading]:
        return []

    def came(self, elapsed: float, data: bytes, /) -> list[Reading]:
        found = self._held(elapsed)
        self._last = elapsed
        return found + self._take(self._framer.feed(data), elapsed)

    def _held(self, now: float) -> list[Reading]:
        """A line whose CR was not followed by anything for a while."""
        if self._flush is None or now - self._last <= _QUIET or not self._framer.pending.endswith(b"\r"):
            return []
        return self._take(self._flush(), self._last)

    def _take(self, items: list[Frame | Skipped], elapsed: float) -> list[Reading]:
        found = []
        for item in items:
            if isinstance(item, Skipped):
                self.faults.skipped(item.raw, item.reason, elapsed)
                continue
            self.faults.framed(1)
            for one in self._decode(item.raw, elapsed):
                if isinstance(one, Reading):
                    self.faults.flush()
                    found.append(one)
                else:
                    self.faults.skipped(one.raw, one.reason, elapsed)
        self.faults.tick(elapsed)
        return found

    def cut(self) -> list[Reading]:
        found = self._held(float("inf"))
        for gone in self._framer.finish():
            self.faults.skipped(gone.raw, gone.reason, self._last)
        self.faults.flush()
        self._begin()
        return found


class _Conversation:
    """An instrument that answers in SCPI: what was asked says what an answer is."""

    def __init__(self, profile: Profile, table: Scpi) -> None:
        self.faults = Faults()
        self._profile, self._table = profile, table
        self._end = wire_bytes(table.write_end)
        self._set(table.quantity, table.coupling)
        self._begin()

    def _begin(self) -> None:
        self._buffer = b""
        self._asked = self._wants_error = False
        self._owed = 0
        self._message = b""
        self._verifying = False
        self._setting_up = True
        self._baseline: bytes | None = None  # what it calls the function that was set
        self._held: list[Reading] = []  # until it says that it is still on that function

    def _set(self, quantity: Quantity, coupling: Coupling) -> None:
        table = table_for(self._table, quantity, coupling)
        self._decode = build(msgspec.structs.replace(self._profile, decode=table))[1]

    def sent(self, _elapsed: float, data: bytes, /) -> list[Reading]:
        self._message += data
        if not self._message.endswith(self._end):
            return []
        message, self._message = self._message[: len(self._message) - len(self._end)], b""
        self._owed += self._wants_error  # given up: its answer may still come
        self._wants_error = message == _ERROR_QUESTION
        self._buffer = b""
        text = message.decode("latin-1")
        self._verifying = bool(text) and text in (self._table.verify, WHICH_FUNCTION)
        if text.startswith("CONF:") or (text and text == self._table.configure):
            self._setting_up, self._baseline = True, None
        self._asked = self._is_reading_query(text)
        if self._asked:
            self._setting_up = False
            self._held.clear()
        return []

    def _is_reading_query(self, message: str) -> bool:
        table = self._table
        if message == table.configure and table.configure:
            self._set(table.quantity, table.coupling)
        elif message.startswith("CONF:") and message[5:] in _FUNCTION_OF:
            self._set(*_FUNCTION_OF[message[5:]])
        elif message.startswith("MEAS:") and message[5:-1] in _FUNCTION_OF:
            self._set(*_FUNCTION_OF[message[5:-1]])
            return True
        return message in (table.read, table.fallback) and bool(message)

    def came(self, elapsed: float, data: bytes, /) -> list[Reading]:
        self._buffer += data
        found: list[Reading] = []
        while match := LINE.match(self._buffer):
            self._buffer = self._buffer[match.end() :]
            found += self._line(match[1], elapsed)
        if self._asked and self._table.samples > 1 and b"," in self._buffer:
            values, _, self._buffer = self._buffer.rpartition(b",")
            found += self._decoded(values, elapsed)
        return found

    def _line(self, line: bytes, elapsed: float) -> list[Reading]:
        if self._wants_error and ERROR.fullmatch(line.strip()):
            self._wants_error = False
            return []
        if self._verifying:
            return self._verified(line.strip())
        if not self._asked:
            return []
        if self._owed and re.fullmatch(rb"\s*[+-]?\d{1,3}\s*", line):
            self._owed -= 1
            return []
        held = len(self._held)
        found = self._decoded(line, elapsed)
        self._asked = not found and len(self._held) == held
        return found

    def _verified(self, answer: bytes) -> list[Reading]:
        """Readings count if the instrument is still on the function that was set."""
        if not answer or answer in (self._table.verify.encode("latin-1"), WHICH_FUNCTION.encode()):  # an echo
            return []
        self._verifying = False
        held, self._held = self._held, []
        if self._setting_up:
            self._baseline = answer
        return held if answer == self._baseline else []

    def _decoded(self, line: bytes, elapsed: float) -> list[Reading]:
        found = [item for item in self._decode(line, elapsed) if isinstance(item, Reading)]
        if self._baseline is None:
            return found
        self._held += found
        return []

    def cut(self) -> list[Reading]:
        found: list[Reading] = []
        if self._buffer.endswith(b"\r"):
            found = self.came(0.0, b"\n")
        self._begin()
        return found


class _Registers:
    """A Modbus module: what was asked says which registers a reply holds."""

    def __init__(self, profile: Profile, table: Modbus) -> None:
        self.faults = Faults()
        self._table = table
        self._fit = Accuracies.of(profile).fit
        self._spans = {request(table.unit_id, start, count): (start, count) for start, count in spans(table)}
        self._asked: tuple[int, int] | None = None
        self._buffer = b""

    def sent(self, _elapsed: float, data: bytes, /) -> list[Reading]:
        self._asked, self._buffer = self._spans.get(data), b""
        return []

    def came(self, elapsed: float, data: bytes, /) -> list[Reading]:
        if self._asked is None:
            return []
        self._buffer += data
        start, count = self._asked
        head, size = bytes((self._table.unit_id, READ_INPUT, 2 * count)), 5 + 2 * count
        at = self._buffer.find(head)
        while at >= 0:
            whole = self._buffer[at : at + size]
            if len(whole) == size and crc(whole[:-2]) == whole[-2:]:
                self._asked = None
                words = struct.unpack(f">{count}H", whole[3:-2])
                return readings(self._table, words, elapsed, start=start, fit=self._fit)
            at = self._buffer.find(head, at + 1)
        return []

    def cut(self) -> list[Reading]:
        self._asked, self._buffer = None, b""
        return []


def pieces_of(piece: WirePiece, listener: Overheard) -> list[Reading]:
    """What one piece of a wire log brings."""
    act = listener.sent if piece.direction == "tx" else listener.came
    return act(piece.elapsed, piece.data)
