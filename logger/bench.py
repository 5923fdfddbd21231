"""What a screen shows of a running sitting: each meter's last value and minute, the alarm, what happened.

It listens to the recorder in the writer's thread and must not hold it up: it keeps, counts and hands on.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from analysis.limits import TouchLimits
from drivers.reading import Quantity, Reading, Status
from logger.alarm import Alarm, AlarmWatch

#: What the range and the trace cover. [s]
MINUTE = 60.0
#: Points of a trace; the extremes of what lies between are kept.
TRACE_STEP = 0.25
_EVENTS = 50


class NoteWriter(Protocol):
    """Writes an event."""

    def __call__(self, kind: str, detail: Mapping[str, str], *, meter: str = "", elapsed: float | None = None) -> None:
        """Write it."""
        ...


@dataclass(slots=True)
class MeterState:
    """One meter as it is shown."""

    role: str
    last: Reading | None = None
    seen: float = 0.0  #: when the last reading came, by this computer's monotonic clock [s]
    lost: bool = False
    trace: deque[tuple[float, float, float]] = field(default_factory=deque)  #: elapsed, least, most
    channel: str = ""  #: the one of several that is shown: its first of volts, else its first

    def take(self, reading: Reading) -> None:
        """One more reading."""
        before = self.last
        volts = before is not None and before.quantity is Quantity.VOLTAGE
        if before is None or (reading.quantity is Quantity.VOLTAGE and not volts):
            self.channel = reading.channel
        elif reading.channel != self.channel:
            return
        if before is not None and (before.quantity, before.coupling) != (reading.quantity, reading.coupling):
            self.trace.clear()
        self.last, self.seen, self.lost = reading, time.monotonic(), False
        value = reading.value
        if value is not None and reading.status is Status.OK:
            if self.trace and reading.elapsed - self.trace[-1][0] < TRACE_STEP:
                at, low, high = self.trace[-1]
                self.trace[-1] = (at, min(low, value), max(high, value))
            else:
                self.trace.append((reading.elapsed, value, value))
        while self.trace and self.trace[0][0] < reading.elapsed - MINUTE:
            self.trace.popleft()

    @property
    def span(self) -> tuple[float, float] | None:
        """Least and most of the last minute."""
        points = list(self.trace)
        if not points:
            return None
        return min(low for _, low, _ in points), max(high for _, _, high in points)


@dataclass(frozen=True, slots=True)
class Happened:
    """One thing worth a line."""

    elapsed: float
    text: str


class Bench:
    """Listens to one sitting.

    Args:
        roles: of the meters, in the order in which they are shown.
        limits: of the radio, for the alarm.
    """

    def __init__(self, roles: Sequence[str], limits: TouchLimits) -> None:
        self.meters = {role: MeterState(role) for role in roles}
        self.watch = AlarmWatch(limits)
        self.tags: Mapping[str, str] = {}  #: of the newest row
        self.rows = self.gaps = 0
        self.disk = ""
        self.events: deque[Happened] = deque(maxlen=_EVENTS)
        self.note: NoteWriter | None = None  #: writes an event; the recorder's own way
        self.on_readings: list[Callable[[str, Sequence[Reading], int, Mapping[str, str]], None]] = []
        self.on_alarm: list[Callable[[Alarm], None]] = []  #: called at once, in the writer's thread
        self.on_anything: list[Callable[[str, str, float, Mapping[str, str]], None]] = []  #: every event as it is
        self.on_event: list[Callable[[Happened], None]] = []

    @property
    def alarms(self) -> list[Alarm]:
        """The alarms that are on, the severe first."""
        return sorted(self.watch.active.copy().values(), key=lambda alarm: not alarm.severe)

    def readings(self, role: str, readings: Sequence[Reading], tags: Mapping[str, str]) -> None:
        """Readings of one meter, stamped with the tags in force."""
        first, self.rows, self.tags = self.rows, self.rows + len(readings), tags
        state = self.meters.get(role)
        for reading in readings:
            alarm = self.watch.feed(role, reading, tags)
            if alarm is not None:
                if self.note is not None:
                    self.note("alarm", alarm.detail, meter=role, elapsed=alarm.elapsed)
                for tell in self.on_alarm:
                    tell(alarm)
            if state is not None:
                state.take(reading)
        for hand_on in self.on_readings:
            hand_on(role, readings, first, tags)

    def event(self, role: str, kind: str, elapsed: float, detail: Mapping[str, str]) -> None:
        """Something happened."""
        for hear in self.on_anything:
            hear(role, kind, elapsed, detail)
        if kind == "gap":
            self.gaps += 1
        elif kind == "disk":
            self.disk = detail.get("reason", "")
        elif kind in ("port-lost", "port-back") and role in self.meters:
            self.meters[role].lost = kind == "port-lost"
        if kind in ("start", "end", "tag", "alarm", "take", "skip", "note"):
            return  # told elsewhere, in better words
        words = " ".join(f"{name}={value}" for name, value in detail.items())
        happened = Happened(elapsed, f"{kind.upper()} {role} {words}".replace("  ", " ").strip())
        self.events.append(happened)
        for tell in self.on_event:
            tell(happened)
