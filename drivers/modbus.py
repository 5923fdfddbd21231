"""Read the input registers of a Modbus RTU module: one request, one checked reply.

Only function 04 is ever sent. The frame is a dozen lines, and the well-known library opens ports of its own: it could
neither share the port object nor be fed a wire log, so it stands as the reference in the tests instead.
Source: MODBUS over Serial Line V1.02 (frame, CRC); MODBUS Application Protocol V1.1b3, 6.4 and 7 (PDU, exceptions).
"""

from __future__ import annotations

import struct

from drivers.decode.modbus_registers import readings, spans
from drivers.decode.showing import Fit, no_fit
from drivers.decode.tables import Modbus
from drivers.faults import Faults
from drivers.port import Port
from drivers.reading import Coupling, Quantity, Reading

READ_INPUT = 4
_EXCEPTIONS = {1: "function not known", 2: "address not known", 3: "value refused", 4: "device failure"}


def crc(data: bytes) -> bytes:
    """The two check bytes, low one first: x^16 + x^15 + x^2 + 1, reflected, from FFFF."""
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ 0xA001 if value & 1 else value >> 1
    return struct.pack("<H", value)


def request(unit_id: int, start: int, count: int) -> bytes:
    """The request for `count` input registers from `start`."""
    body = struct.pack(">BBHH", unit_id, READ_INPUT, start, count)
    return body + crc(body)


class Registers:
    """The conversation with one module: its map is read span by span, each with one request."""

    def __init__(
        self,
        port: Port,
        table: Modbus,
        faults: Faults,
        *,
        interval: float = 1.0,
        timeout: float = 1.0,
        fit: Fit = no_fit,
    ) -> None:
        self.readings: list[Reading] = []
        self.identity = ""
        self._port, self._table, self._faults, self._fit = port, table, faults, fit
        self._interval, self._timeout = interval, timeout
        self._spans = spans(table)
        self._turn = 0  # the span that is asked for, or is next
        self._buffer = b""
        self._asked: float | None = None
        self._due = 0.0
        self._told = 0

    @property
    def _request(self) -> bytes:
        return request(self._table.unit_id, *self._spans[self._turn])

    @property
    def finished(self) -> bool:
        """Whether a replayed log has nothing more to say."""
        return self._port.finished or (bool(self._spans) and self._port.exhausted(self._request))

    def open(self) -> None:
        """Nothing is sent before the first request."""

    def step(self, wait: float) -> None:
        """Ask when it is time to, and take in what comes. Raises: PortLostError."""
        now = self._port.now()
        if self._asked is None:
            due = self._due_now() if self._spans else now + wait
            if now < due:
                self._drop(self._port.read(min(wait, due - now)), "bytes that nobody asked for")
                return
            self._port.write(self._request)
            self._asked, self._buffer = now, b""
            if self._turn == 0:
                self._due = max(due + self._interval, now)  # a rhythm without drift, never a burst to catch up
        self._buffer += self._port.read(wait)
        self._harvest()
        if self._asked is not None and self._port.now() - self._asked > self._timeout:
            self._drop(self._buffer, "no valid reply")
            self._buffer, self._asked, self._turn = b"", None, 0

    def _due_now(self) -> float:
        """When the request that is next may go out: a further span at once, the first by the interval."""
        return self._port.due(self._due if self._turn == 0 else 0.0, self._request)

    def _harvest(self) -> None:
        """Look for the one reply that was asked for; a request echoed by the adapter goes before it."""
        start, count = self._spans[self._turn]
        head = bytes((self._table.unit_id, READ_INPUT, 2 * count))
        refusal = bytes((self._table.unit_id, READ_INPUT | 0x80))
        for at in range(len(self._buffer)):
            rest = self._buffer[at:]
            whole = rest[: 5 + 2 * count]
            if rest.startswith(head) and len(whole) == 5 + 2 * count and crc(whole[:-2]) == whole[-2:]:
                self._settle(at, len(whole))
                self._take(start, struct.unpack(f">{count}H", whole[3:-2]))
                return
            if rest.startswith(refusal) and len(rest) >= 5 and crc(rest[:3]) == rest[3:5]:
                self._settle(at, 5)
                self._refused(rest[2])
                return

    def _settle(self, at: int, length: int) -> None:
        before, after = self._buffer[:at], self._buffer[at + length :]
        if before != self._request:
            self._drop(before, "bytes before a reply")
        self._drop(after, "bytes after a reply")
        self._buffer, self._asked = b"", None
        self._turn = (self._turn + 1) % len(self._spans)

    def _take(self, start: int, words: tuple[int, ...]) -> None:
        self._faults.flush()
        self._faults.framed(1)
        self._told = 0
        self.readings += readings(self._table, words, self._port.stamp, start=start, fit=self._fit)

    def _refused(self, code: int) -> None:
        if code != self._told:
            self._told = code
            text = _EXCEPTIONS.get(code, "refused")
            self._faults.event(
                self._port.now(), "instrument-error", code=str(code), text=text, command="read input registers"
            )

    def _drop(self, raw: bytes, reason: str) -> None:
        if raw:
            self._faults.skipped(raw, reason, self._port.stamp)

    def measure(self, quantity: Quantity, coupling: Coupling) -> None:
        """All that it measures is read with each request."""

    def end(self) -> None:
        """What was cut off is no reply."""
        self._faults.left(self._buffer)
        self._buffer = b""
