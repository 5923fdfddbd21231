"""What the recorder needs of its meters, whom it tells, what it counts, and what the disk says."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from drivers.faults import MeterEvent
from drivers.meter import Batch
from drivers.reading import Reading


class Source(Protocol):
    """What the recorder needs of a meter."""

    role: str

    @property
    def finished(self) -> bool:
        """Whether nothing more will come of it."""
        ...

    def read(self) -> Batch:
        """What came since the last call, after a short wait at most; never raises for a lost port."""
        ...

    def close(self) -> Batch:
        """Let go of the port."""
        ...


class Listener(Protocol):
    """Somebody who wants to know what was recorded, as it is."""

    def readings(self, role: str, readings: Sequence[Reading], tags: Mapping[str, str]) -> None:
        """Readings of one meter, stamped with the tags in force."""
        ...

    def event(self, role: str, kind: str, elapsed: float, detail: Mapping[str, str]) -> None:
        """Something happened."""
        ...


@dataclass(slots=True)
class Counters:
    """What is shown of the recorder's state."""

    rows: int = 0
    by_meter: dict[str, int] = field(default_factory=dict)
    waits: int = 0  #: times a reader had to wait for the writer
    gaps: int = 0
    disk: str = ""  #: what the disk said last; empty: it takes everything


class DiskWord:
    """What the disk said last, from the writer's and the sync's thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._reasons: dict[str, str] = {}
        self._since = 0.0
        self.reason = ""

    def heard(self, where: str, reason: str, elapsed: float) -> tuple[MeterEvent | None, MeterEvent | None]:
        """Events for the beginning and for the end of a refusal; mostly none."""
        if not reason and not self.reason:
            return None, None
        with self._lock:
            self._reasons[where] = reason
            before, self.reason = self.reason, next(filter(None, self._reasons.values()), "")
            if self.reason and not before:
                self._since = elapsed
                return MeterEvent(elapsed=elapsed, kind="disk", detail={"reason": self.reason}), None
            if before and not self.reason:
                detail = {"reason": before, "until": f"{elapsed:.6f}"}
                return None, MeterEvent(elapsed=self._since, kind="disk", detail=detail)
        return None, None


def ended(elapsed: float) -> Batch:
    """The last of a meter that failed in a way that nobody thought of."""
    detail = {"reason": "an internal fault ended this meter; see the log"}
    return Batch(readings=[], events=[MeterEvent(elapsed=elapsed, kind="port-lost", detail=detail)], wire=[])
