"""Read the input registers of a Modbus RTU module: one request, one checked reply.

Only function 04 is ever sent. The frame is a dozen lines, and the well-known library opens ports of its own: it could
neither share the port object nor be fed a wire log, so it stands as the reference in the tests instead.
Source: MODBUS over Serial Line V1.02 (frame, CRC); MODBUS Application Protocol V1.1b3, 6.4 and 7 (PDU, exceptions).
"""

from __future__ import annotations

import struct
from collections.abc import Callable

from drivers.decode.tables import Modbus, Register
from drivers.faults import Faults
from drivers.port import Port
from drivers.reading import UNITS, Coupling, Quantity, Reading, Status

READ_INPUT = 4
_EXCEPTIONS = {1: "function not known", 2: "address not known", 3: "value refused", 4: "device failure"}
_WIDTH = {"u16": 1, "u32-low-first": 2, "u32-high-first": 2, "f32-high-first": 2, "f32-low-first": 2}
_LAYOUT = {"u16": ">H", "u32-low-first": ">I", "u32-high-first": ">I", "f32-high-first": ">f", "f32-low-first": ">f"}

#: The standard uncertainty of a value: (quantity, coupling, value) -> u, or None without an accuracy line.
Uncertainty = Callable[[Quantity, Coupling, float, float | None], float | None]


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


def value_of(register: Register, start: int, data: bytes) -> float:
    """A register's value, scaled, from the data of a reply that begins at `start`."""
    at = 2 * (register.address - start)
    raw = data[at : at + 2 * _WIDTH[register.kind]]
    if register.kind.endswith("low-first"):
        raw = raw[2:] + raw[:2]
    (value,) = struct.unpack(_LAYOUT[register.kind], raw)
    # 2301 times 0.1 as 230.1, not 230.10000000000002
    return float(f"{value * register.scale:.12g}")


class Registers:
    """The conversation with one module."""

    def __init__(
        self,
        port: Port,
        table: Modbus,
        faults: Faults,
        *,
        interval: float = 1.0,
        timeout: float = 1.0,
        uncertainty: Uncertainty | None = None,
    ) -> None:
        self.readings: list[Reading] = []
        self.identity = ""
        self._port, self._table, self._faults, self._u = port, table, faults, uncertainty
        self._interval, self._timeout = interval, timeout
        self._start = min((each.address for each in table.registers), default=0)
        end = max((each.address + _WIDTH[each.kind] for each in table.registers), default=1)
        self._count = end - self._start
        self._request = request(table.unit_id, self._start, self._count)
        self._buffer = b""
        self._asked: float | None = None
        self._due = 0.0
        self._told = 0

    @property
    def finished(self) -> bool:
        """Whether a replayed log has nothing more to say."""
        return self._port.finished or self._port.exhausted(self._request)

    def open(self) -> None:
        """Nothing is sent before the first request."""

    def step(self, wait: float) -> None:
        """Ask when it is time to, and take in what comes. Raises: PortLostError."""
        now = self._port.now()
        if self._asked is None:
            due = max(self._due, self._port.not_before(self._request))
            if now < due:
                self._drop(self._port.read(min(wait, due - now)), "bytes that nobody asked for")
                return
            self._port.write(self._request)
            self._asked, self._buffer = now, b""
            self._due = max(due + self._interval, now)
        self._buffer += self._port.read(wait)
        self._harvest()
        if self._asked is not None and self._port.now() - self._asked > self._timeout:
            self._drop(self._buffer, "no valid reply")
            self._buffer, self._asked = b"", None

    def _harvest(self) -> None:
        """Look for the one reply that was asked for; a request echoed by the adapter goes before it."""
        size = 2 * self._count
        head = bytes((self._table.unit_id, READ_INPUT, size))
        refusal = bytes((self._table.unit_id, READ_INPUT | 0x80))
        for at in range(len(self._buffer)):
            rest = self._buffer[at:]
            whole = rest[: 5 + size]
            if rest.startswith(head) and len(whole) == 5 + size and crc(whole[:-2]) == whole[-2:]:
                self._settle(at, len(whole))
                self._take(whole[3:-2])
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

    def _take(self, data: bytes) -> None:
        self._faults.flush()
        self._faults.framed(1)
        self._told = 0
        for register in self._table.registers:
            self.readings.append(self._reading(register, value_of(register, self._start, data)))

    def _reading(self, register: Register, value: float) -> Reading:
        finite = abs(value) < 1e30  # a float register may hold NaN or infinity
        resolution = None if register.kind.startswith("f32") else register.scale
        known = self._u is not None and finite
        return Reading(
            elapsed=self._port.stamp,
            quantity=register.quantity,
            coupling=register.coupling,
            unit=UNITS[register.quantity],
            status=Status.OK if finite else Status.INVALID,
            value=value if finite else None,
            u=self._u(register.quantity, register.coupling, value, resolution) if known and self._u else None,
            resolution=resolution,
            channel=register.channel,
        )

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
        """What was cut off is told."""
        self._drop(self._buffer, "a reply that was cut off")
        self._buffer = b""
