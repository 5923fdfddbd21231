"""A meter that sends by itself, or one frame for each request: bytes to frames to readings.

`Talk` is what every way of talking with a meter offers; SCPI and Modbus have modules of their own.
"""

from __future__ import annotations

from typing import Protocol

from drivers.decode.families import Decode
from drivers.faults import Faults
from drivers.framing import Frame, Framer, Skipped
from drivers.port import Port
from drivers.reading import Coupling, Quantity, Reading

_QUIET = 0.02  #: after so long a CR at the end of what came was a line's end, not half of a CR LF [s]


class Talk(Protocol):
    """One way of getting readings through a port. What was got stands in `readings` until it is taken."""

    readings: list[Reading]
    identity: str

    def open(self) -> None:
        """Begin the conversation on an open port. Raises: PortLostError."""

    def step(self, wait: float) -> None:
        """Move on: read what is there or comes within `wait`, ask when it is time to. Raises: PortLostError."""

    def measure(self, quantity: Quantity, coupling: Coupling) -> None:
        """Set the instrument to another function, where it can be told so. Raises: PortLostError."""

    def end(self) -> None:
        """No byte follows. Does not raise."""

    @property
    def finished(self) -> bool:
        """Whether a replayed log has nothing more for this conversation."""


class Listener:
    """Frames as they come. With a request, one frame is asked for at a time."""

    def __init__(
        self,
        port: Port,
        framer: Framer,
        decode: Decode,
        faults: Faults,
        *,
        request: bytes = b"",
        interval: float = 0.0,
        timeout: float = 2.0,
    ) -> None:
        self.readings: list[Reading] = []
        self.identity = ""
        self._port, self._framer, self._decode, self._faults = port, framer, decode, faults
        self._request, self._interval, self._timeout = request, interval, timeout
        self._asked: float | None = None  # when the request in flight was sent
        self._due = 0.0
        self._flush = getattr(framer, "flush", None)
        self._last = 0.0

    @property
    def finished(self) -> bool:
        return self._port.finished or (bool(self._request) and self._port.exhausted(self._request))

    def open(self) -> None:
        self._faults.opened()

    def step(self, wait: float) -> None:
        if self._request:
            wait = self._ask(wait)
        held = self._flush is not None and self._framer.pending.endswith(b"\r")
        data = self._port.read(min(wait, _QUIET) if held else wait)
        if held and (not data or self._port.stamp - self._last > _QUIET):
            self._take(self._flush(), self._last)  # type: ignore[misc]  # `held` says that there is one
        if data:
            self._last = self._port.stamp
            self._take(self._framer.feed(data), self._last)

    def _ask(self, wait: float) -> float:
        """Send the request if it is time to and none is in flight; how long to wait for bytes. [s]"""
        now = self._port.now()
        if self._asked is not None and now - self._asked < self._timeout:
            return min(wait, self._asked + self._timeout - now)
        due = self._port.due(self._due, self._request)
        if now < due:
            return min(wait, due - now)
        self._port.write(self._request)
        self._asked = now
        self._due = max(due + self._interval, now)  # a rhythm without drift, never a burst to catch up
        return wait

    def _take(self, items: list[Frame | Skipped], stamp: float) -> None:
        decode, faults = self._decode, self._faults
        readings = self.readings
        good = 0
        for item in items:
            if isinstance(item, Frame):
                good += 1
                for found in decode(item.raw, stamp):
                    if isinstance(found, Reading):
                        if faults.running:
                            faults.flush()
                        readings.append(found)
                    else:
                        faults.skipped(found.raw, found.reason, stamp)
            else:
                faults.skipped(item.raw, item.reason, stamp)
        if good:
            faults.framed(good)
            self._asked = None

    def measure(self, quantity: Quantity, coupling: Coupling) -> None:
        """A meter that only sends is set by its own knob."""

    def end(self) -> None:
        if self._flush is not None:
            self._take(self._flush(), self._last)
        for gone in self._framer.finish():
            self._faults.left(gone.raw)
