"""Meters to one session: a reader thread for each port, one writer, and a thread that sees the disk's word.

Queues are bounded; a full one makes the readers wait, which is counted and shown, and no row is dropped. A disk that
refuses costs no row either while the program lives: what is not written waits and is tried again.
"""

from __future__ import annotations

import logging
import math
import queue
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Protocol

from drivers.faults import MeterEvent
from drivers.meter import Batch
from drivers.reading import Reading
from logger.cells import cell, stamp
from logger.session import TAGS, SessionWriter, event_line, reading_line

log = logging.getLogger(__name__)

#: Rows are handed to the system at least so often, and seen to be on the disk at least so often. [s]
FLUSH, SYNC = 0.1, 1.0
#: Batches that may wait for the writer before its readers have to.
QUEUE = 256
#: Rows kept in memory while the disk refuses; beyond it the readers wait.
HELD_BACK = 500_000
#: A wall clock that moves against the monotonic one by more than this makes an event. [s]
CLOCK_STEP = 0.5


class Source(Protocol):
    """What the recorder needs of a meter."""

    role: str

    @property
    def finished(self) -> bool:
        """Whether it has no more to give."""
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


class Tags:
    """The tags in force, with the moment from which each set holds."""

    def __init__(self, extra: Sequence[str] = ()) -> None:
        self.names = (*TAGS, *extra)
        self._since: list[float] = [float("-inf")]
        self._sets: list[dict[str, str]] = [{}]
        self._cells: list[str] = [self._line({})]

    def _line(self, tags: Mapping[str, str]) -> str:
        return "".join("," + cell(tags.get(name, "")) for name in self.names)

    def set(self, tags: Mapping[str, str], since: float) -> None:
        """Put a whole set of tags in force from a moment on. Raises: ValueError: a tag without a column."""
        unknown = set(tags) - set(self.names)
        if unknown:
            raise ValueError(f"no column for tag {', '.join(sorted(unknown))}")
        self._sets.append(dict(tags))
        self._cells.append(self._line(tags))
        self._since.append(max(since, self._since[-1]))  # last, so that a reader never finds an index without its set

    @property
    def now(self) -> dict[str, str]:
        """The set that was put in force last."""
        return self._sets[-1]

    def at(self, elapsed: float) -> tuple[Mapping[str, str], str]:
        """The tags in force at a moment, and their finished cells."""
        index = len(self._since) - 1
        while self._since[index] > elapsed:
            index -= 1
        return self._sets[index], self._cells[index]


class Recorder:
    """Runs the meters of one session and writes what they give."""

    def __init__(
        self, writer: SessionWriter, meters: Sequence[Source], tags: Tags, *,
        clock: Callable[[], float], wall: Callable[[], float] | None = time.time, listener: Listener | None = None,
        count: int | None = None, until: float | None = None,
    ) -> None:  # fmt: skip
        """
        Args:
            clock: seconds since the session began, monotonic.
            wall: seconds since 1970; None: the start plus the elapsed time (a replay has no other wall clock).
            count: readings of each meter after which it is done. until: elapsed time after which all are done.
        """
        self.writer, self.meters, self.tags, self.listener = writer, tuple(meters), tags, listener
        self.counters = Counters(by_meter=dict.fromkeys((meter.role for meter in meters), 0))
        self.lost: set[str] = set()
        self.latest = 0.0  #: elapsed time of the newest reading [s]
        self._clock, self._wall, self._count, self._until = clock, wall, count, until
        self._start = writer.header.start.timestamp()
        self._offset = self._start
        self._queue: queue.Queue[tuple[str, Batch] | None] = queue.Queue(QUEUE)
        self._stop = threading.Event()
        self._threads: list[threading.Thread] = []
        self._lines: dict[str, list[str]] = {"readings": [], "events": [], "wire": []}
        self._roles = {meter.role: cell(meter.role) for meter in meters}
        self._writer_thread: threading.Thread | None = None
        self._written = threading.Event()
        self._scheduled: deque[tuple[float, Mapping[str, str]]] = deque()

    def start(self) -> None:
        """Start the threads."""
        self._threads = [threading.Thread(target=self._read, args=(m,), name=m.role, daemon=True) for m in self.meters]
        self._writer_thread = threading.Thread(target=self._write, name="writer", daemon=True)
        self._writer_thread.start()
        threading.Thread(target=self._sync, name="sync", daemon=True).start()
        for thread in self._threads:
            thread.start()

    @property
    def running(self) -> bool:
        """Whether any meter is still being read."""
        return any(thread.is_alive() for thread in self._threads)

    def stop(self) -> None:
        """Ask all meters to finish."""
        self._stop.set()

    def finish(self) -> None:
        """Wait until everything that was read is written, as far as the disk takes it."""
        self._stop.set()
        for thread in self._threads:
            thread.join()
        if self._writer_thread is not None:
            self._queue.put(None)
            self._writer_thread.join()
        self._written.set()

    def note(self, kind: str, detail: Mapping[str, str], *, meter: str = "", elapsed: float | None = None) -> None:
        """Write an event that no meter sent."""
        at = self._clock() if elapsed is None else elapsed
        self._put(meter, Batch(readings=[], events=[MeterEvent(elapsed=at, kind=kind, detail=dict(detail))], wire=[]))

    def set_tags(self, tags: Mapping[str, str], *, elapsed: float | None = None) -> None:
        """Put tags in force for the rows that arrive from now on, and note it."""
        at = self._clock() if elapsed is None else elapsed
        self.tags.set(tags, at)
        self.note("tag", {name: value for name, value in tags.items() if value}, elapsed=at)

    def accept(self, role: str, batch: Batch) -> None:
        """Write what a meter gave before the threads ran, such as its conversation at opening."""
        self._put(role, batch)

    def schedule(self, changes: Sequence[tuple[float, Mapping[str, str]]]) -> None:
        """Tags that are known beforehand, as in a replayed sitting: (elapsed, tags), in order of time."""
        for since, tags in changes:
            self.tags.set(tags, since)
            self._scheduled.append((since, {name: value for name, value in tags.items() if value}))

    def _take_scheduled(self, elapsed: float) -> None:
        while self._scheduled and self._scheduled[0][0] <= elapsed:
            since, detail = self._scheduled.popleft()
            self._take_event("", MeterEvent(elapsed=since, kind="tag", detail=dict(detail)))

    def _put(self, role: str, batch: Batch) -> None:
        try:
            self._queue.put_nowait((role, batch))
        except queue.Full:
            self.counters.waits += 1
            self._queue.put((role, batch))

    def _read(self, meter: Source) -> None:
        """One meter's thread."""
        left = self._count
        try:
            while not (self._stop.is_set() or meter.finished or left == 0):
                batch = meter.read()
                late = self._until is not None and self._past(batch)
                if left is not None:
                    batch.readings = batch.readings[:left]
                    left -= len(batch.readings)
                if batch.readings or batch.events or batch.wire:
                    self._put(meter.role, batch)
                if late:
                    break
        except Exception:
            log.exception("meter %s", meter.role)
            self.lost.add(meter.role)
            self.note("port-lost", {"reason": "an internal fault ended this meter; see the log"}, meter=meter.role)
        finally:
            self._put(meter.role, meter.close())

    def _past(self, batch: Batch) -> bool:
        """Cut a batch at the end of the recording; whether the end was reached."""
        assert self._until is not None
        until = self._until
        newest = max((reading.elapsed for reading in batch.readings), default=0.0)
        if newest <= until:
            recorded = self._wall is None
            return (max((piece.elapsed for piece in batch.wire), default=0.0) if recorded else self._clock()) > until
        batch.readings = [reading for reading in batch.readings if reading.elapsed <= until]
        return True

    def _write(self) -> None:
        """The writer's thread: batches to lines, lines to files every 100 ms."""
        due = time.monotonic() + FLUSH
        while True:
            try:
                item = self._queue.get(timeout=max(0.0, due - time.monotonic()))
                if item is None:
                    break
                self._take(*item)
            except queue.Empty:
                pass
            if time.monotonic() >= due:
                self._flush()
                due = time.monotonic() + FLUSH
        self._take_scheduled(math.inf)
        self._flush()

    def _sync(self) -> None:
        """The thread that hears the disk's word, since a sync can take longer than a reader may wait."""
        while not self._written.wait(SYNC):
            try:
                self.writer.sync()
            except OSError as exc:
                self._disk_refused(exc)

    def _take(self, role: str, batch: Batch) -> None:
        lines = self._lines
        if batch.readings:
            self._check_wall()
            self._take_scheduled(batch.readings[-1].elapsed)
            meter, wall = self._roles.get(role) or cell(role), self._offset
            rows = lines["readings"]
            tags, cells = self.tags.at(batch.readings[0].elapsed)
            group: list[Reading] = []
            for reading in batch.readings:
                now, now_cells = self.tags.at(reading.elapsed)
                if now is not tags:
                    self._tell(role, group, tags)
                    tags, cells, group = now, now_cells, []
                group.append(reading)
                rows.append(reading_line(reading, stamp(wall + reading.elapsed), meter, cells))
            self._tell(role, group, tags)
            self.latest = max(self.latest, batch.readings[-1].elapsed)
            self.counters.rows += len(batch.readings)
            self.counters.by_meter[role] = self.counters.by_meter.get(role, 0) + len(batch.readings)
        for event in batch.events:
            self._take_event(role, event)
        if batch.wire and self.writer.keeps_wire:
            meter = self._roles.get(role) or cell(role)
            lines["wire"] += [f"{w.elapsed:.6f},{meter},{w.direction},{w.data.hex()}\r\n" for w in batch.wire]

    def _tell(self, role: str, readings: list[Reading], tags: Mapping[str, str]) -> None:
        if readings and self.listener is not None:
            self.listener.readings(role, readings, tags)

    def _take_event(self, role: str, event: MeterEvent) -> None:
        if event.kind == "gap":
            self.counters.gaps += 1
        if event.kind == "port-lost":
            self.lost.add(role)
        elif event.kind == "port-back":
            self.lost.discard(role)
        line = event_line(event.elapsed, stamp(self._offset + event.elapsed), event.kind, role, event.detail)
        self._lines["events"].append(line)
        if self.listener is not None:
            self.listener.event(role, event.kind, event.elapsed, event.detail)

    def _check_wall(self) -> None:
        """Keep the wall clock's place against the monotonic one; a step becomes an event, not a jump in elapsed_s."""
        if self._wall is None:
            return
        elapsed = self._clock()
        offset = self._wall() - elapsed
        step = offset - self._offset
        if abs(step) > CLOCK_STEP:
            self._offset = offset
            detail = {"step_s": f"{step:.3f}"}
            self._take_event("", MeterEvent(elapsed=elapsed, kind="clock-step", detail=detail))

    def _flush(self) -> None:
        for name, lines in self._lines.items():
            if not lines:
                continue
            try:
                self.writer.append(name, lines)
            except OSError as exc:
                self._disk_refused(exc)
                if len(lines) > HELD_BACK:
                    time.sleep(FLUSH)  # the queue fills and the readers wait: nothing is dropped
                return
            lines.clear()
        self.counters.disk = ""

    def _disk_refused(self, exc: OSError) -> None:
        reason = exc.strerror or str(exc)
        if not self.counters.disk and self.listener is not None:
            self.listener.event("", "disk", self._clock(), {"reason": reason})
        self.counters.disk = reason

    @property
    def unwritten(self) -> int:
        """Rows that the disk did not take."""
        return len(self._lines["readings"])


def now_utc() -> datetime:
    """The wall clock, in UTC."""
    return datetime.now(UTC)
