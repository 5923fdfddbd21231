"""What goes wrong on a meter's line, as data: events, and counters that are shown."""

from __future__ import annotations

from dataclasses import dataclass

import msgspec

_RUN = 1.0  #: a run of garbage that does not end is told once in so long [s]
#: What a framer says of bytes that came before its first whole frame: opening in mid-frame is no fault.
FIRST = ("a partial first frame", "the first line after opening may have lost its head")


class MeterEvent(msgspec.Struct, frozen=True):
    """Something that happened to one meter."""

    elapsed: float
    kind: str  #: gap resync port-lost port-back low-battery instrument-error
    detail: dict[str, str]


@dataclass(slots=True)
class Counters:
    """Totals since the meter was opened."""

    frames: int = 0
    readings: int = 0
    skipped_bytes: int = 0
    resyncs: int = 0
    gaps: int = 0


class Faults:
    """Collects events; a run of garbage becomes one `resync`, told when it ends or once a second."""

    def __init__(self) -> None:
        self.events: list[MeterEvent] = []
        self.counters = Counters()
        self.running = False  #: whether a run of garbage is open
        self._first = True
        self._bytes = 0
        self._since = 0.0
        self._reason = ""

    def event(self, elapsed: float, kind: str, **detail: str) -> None:
        """Something happened."""
        self.events.append(MeterEvent(elapsed, kind, detail))

    def opened(self) -> None:
        """The stream begins anew: what comes before its first whole frame is silent."""
        self._first = True

    def skipped(self, raw: bytes, reason: str, elapsed: float) -> None:
        """These bytes are no reading."""
        self.counters.skipped_bytes += len(raw)
        if self._first and reason in FIRST:
            return
        if not self.running:
            self.running, self._since, self._reason = True, elapsed, reason
        self._bytes += len(raw)

    def left(self, raw: bytes) -> None:
        """These bytes were under way when the stream ended: no reading, and no fault of the line either."""
        self.counters.skipped_bytes += len(raw)

    def framed(self, count: int) -> None:
        """Whole frames came."""
        self._first = False
        self.counters.frames += count

    def tick(self, now: float) -> None:
        """Time goes by: a long run is told."""
        if self.running and now - self._since > _RUN:
            self.flush()

    def flush(self) -> None:
        """End the run of garbage that is open, if any."""
        if self.running:
            self.counters.resyncs += 1
            self.event(self._since, "resync", bytes=str(self._bytes), reason=self._reason)
            self.running, self._bytes = False, 0

    def drained(self) -> list[MeterEvent]:
        """The events since the last call."""
        events, self.events = self.events, []
        return events
