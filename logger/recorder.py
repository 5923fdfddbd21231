"""Meters to one session: a reader thread for each port, one writer, and a thread that sees the disk's word.

The backlog is bounded; a full one makes the readers wait, which is counted and shown, and no row is dropped. A disk
that refuses costs no row either while the program lives: what is not written waits and is tried again.
"""

from __future__ import annotations

import contextlib
import heapq
import logging
import math
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Collection, Mapping, Sequence
from datetime import UTC, datetime

from drivers.faults import MeterEvent
from drivers.meter import Batch
from drivers.reading import Reading, Status
from logger.backlog import Backlog
from logger.cells import cell, stamp
from logger.recording import Counters, DiskWord, Listener, Source, ended
from logger.rows import Rows
from logger.session import SessionWriter, event_line
from logger.tags import Tags as Tags

log = logging.getLogger(__name__)

#: Rows are handed to the system at least so often, and seen to be on the disk at least so often. [s]
FLUSH, SYNC = 0.02, 1.0
#: With nothing to write the writer looks after the wall clock only so often. [s]
IDLE = 0.1
#: Readings that may wait for the writer before its readers have to. At the fastest that this program runs, some 100,000
#: a second, they are 10 ms: less than what may be missing after a kill.
BACKLOG = 1000
#: Rows kept in memory while the disk refuses; beyond it the readers wait.
HELD_BACK = 200_000
#: A wall clock that moves against the monotonic one by more than this makes an event. [s]
CLOCK_STEP = 0.5
#: A slower drift is followed, by no more than this, so that time stamps never run backwards. [s/s]
CLOCK_SLEW = 5e-4
#: A reader that waits for the writer must get the interpreter back within a few of these. [s] Source: measured, three
#: meters beside a busy thread: 1.9 ms to the listener at p99, against 18 ms with the default of 5 ms.
SWITCH_INTERVAL = 5e-4


class _Progress:
    """How far one meter has come."""

    def __init__(self, meter: Source, count: int | None) -> None:
        self.meter, self.left = meter, count
        self.reached = 0.0  #: elapsed time of what it brought last [s]
        self.over = False  #: past the end that was set
        self.done = False


class Recorder:
    """Runs the meters of one session and writes what they give."""

    def __init__(
        self, writer: SessionWriter, meters: Sequence[Source], tags: Tags, *,
        clock: Callable[[], float], wall: Callable[[], float] | None = time.time, listener: Listener | None = None,
        count: int | None = None, until: float | None = None, in_order: bool = False, taken: Collection[str] = (),
    ) -> None:  # fmt: skip
        """
        Args:
            clock: seconds since the session began, monotonic.
            wall: seconds since 1970; None: the start plus the elapsed time (a replay has no other wall clock).
            count: readings of each meter after which it is done. until: elapsed time after which all are done.
            in_order: read all meters in one thread, the one furthest behind first, and write in order of elapsed time;
                for wire logs that are played without waiting, which would otherwise race one another.
            taken: meters whose every value is a take, since a person settled on it before typing it.
        """
        self.writer, self.meters, self.tags, self.listener = writer, tuple(meters), tags, listener
        self.counters = Counters(by_meter=dict.fromkeys((meter.role for meter in meters), 0))
        self.lost: set[str] = set()
        self.latest = 0.0  #: elapsed time of the newest row of any file [s]
        self._clock, self._wall, self._count, self._until = clock, wall, count, until
        self._in_order = in_order
        self._taken, self._takes = frozenset(taken), 0
        self._start = writer.header.start.timestamp()
        self._offset = self._start
        self._checked = 0.0
        self._queue: Backlog[tuple[str, Batch | None]] = Backlog(BACKLOG)
        self._stop = threading.Event()
        self._threads: list[threading.Thread] = []
        # The wire first: whatever row is on the disk then has its bytes there, and a take has its rows.
        self._lines: dict[str, list[str]] = {"wire": [], "readings": [], "events": []}
        self._rows = {meter.role: Rows(cell(meter.role)) for meter in meters}
        self._services: list[threading.Thread] = []
        self._written = threading.Event()
        self._scheduled: deque[tuple[float, Mapping[str, str]]] = deque()
        self._disk = DiskWord()
        self._complained = False

    def start(self) -> None:
        """Start the threads."""
        sys.setswitchinterval(min(sys.getswitchinterval(), SWITCH_INTERVAL))
        if self._in_order:
            self._threads = [threading.Thread(target=self._read_in_order, name="replay", daemon=True)]
        else:
            self._threads = [
                threading.Thread(target=self._read, args=(_Progress(m, self._count),), name=m.role, daemon=True)
                for m in self.meters
            ]
        self._services = [
            threading.Thread(target=self._write, name="writer", daemon=True),
            threading.Thread(target=self._sync, name="sync", daemon=True),
        ]
        for thread in (*self._services, *self._threads):
            thread.start()

    @property
    def running(self) -> bool:
        """Whether any meter is still being read."""
        return any(thread.is_alive() for thread in self._threads)

    def stop(self) -> None:
        """Ask all meters to finish, and wait until they have: what is noted then comes after their last readings."""
        self._stop.set()
        for thread in self._threads:
            thread.join()

    def finish(self) -> None:
        """Wait until everything that was read is written, as far as the disk takes it."""
        self.stop()
        if self._services:
            self._queue.put(("", None), 0)
        self._written.set()
        for thread in self._services:  # the sync too: the files are closed next
            thread.join()

    @property
    def last_time(self) -> datetime:
        """The wall clock at the newest row, as its time stamp has it."""
        return datetime.fromtimestamp(self._offset + self.latest, UTC)

    def note(self, kind: str, detail: Mapping[str, str], *, meter: str = "", elapsed: float | None = None) -> None:
        """Write an event that no meter sent."""
        at = self._clock() if elapsed is None else elapsed
        if self._services and threading.current_thread() is self._services[0]:  # it must not wait for itself
            self._take_event(meter, MeterEvent(elapsed=at, kind=kind, detail=dict(detail)))
            return
        self._put(meter, Batch(readings=[], events=[MeterEvent(elapsed=at, kind=kind, detail=dict(detail))], wire=[]))

    def set_tags(self, tags: Mapping[str, str], *, elapsed: float | None = None, role: str = "") -> None:
        """Put tags in force for the rows that arrive from now on, of one meter or of all, and note it."""
        at = self._clock() if elapsed is None else elapsed
        self.tags.set(tags, at, role)
        self.note("tag", {name: value for name, value in tags.items() if value}, elapsed=at, meter=role)

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
        # An event weighs as much as a reading: a program that only notes cannot run away either.
        if self._queue.put((role, batch), len(batch.readings) + len(batch.events) + 1):
            self.counters.waits += 1

    # -- the readers

    def _read(self, progress: _Progress) -> None:
        """One meter's thread."""
        role = progress.meter.role
        while not progress.done:
            batch = self._next(progress)
            if batch.readings or batch.events or batch.wire:
                self._put(role, batch)

    def _read_in_order(self) -> None:
        """The thread of all meters of a replay: a batch goes out when no meter can bring an earlier one any more."""
        every = [_Progress(meter, self._count) for meter in self.meters]
        held: list[tuple[float, int, str, Batch]] = []
        turn = 0
        while active := [each for each in every if not each.done]:
            behind = min(active, key=lambda each: each.reached)
            batch = self._next(behind)
            if batch.readings or batch.events or batch.wire:
                turn += 1
                heapq.heappush(held, (behind.reached, turn, behind.meter.role, batch))
            safe = min((each.reached for each in every if not each.done), default=math.inf)
            while held and held[0][0] <= safe:
                _, _, role, ready = heapq.heappop(held)
                self._put(role, ready)

    def _next(self, progress: _Progress) -> Batch:
        """What one meter gives next; with its last, it is done and its port let go of."""
        meter = progress.meter
        try:
            if self._stop.is_set() or meter.finished or progress.left == 0 or progress.over:
                progress.done = True
                batch = meter.close()
            else:
                batch = meter.read()
            self._cut(progress, batch)
        except Exception:
            log.exception("meter %s", meter.role)
            progress.done = True
            batch = ended(self._clock())
            with contextlib.suppress(Exception):
                meter.close()
        times = [batch.readings[-1].elapsed] if batch.readings else []
        times += [batch.wire[-1].elapsed] if batch.wire else []
        progress.reached = max(progress.reached, *times) if times else progress.reached
        return batch

    def _cut(self, progress: _Progress, batch: Batch) -> None:
        """Leave out what came after the last reading that was asked for, or after the end."""
        if progress.left is not None:
            batch.readings = batch.readings[: progress.left]
            progress.left -= len(batch.readings)
        until = self._until
        if until is None:
            return
        if batch.readings and batch.readings[-1].elapsed > until:
            batch.readings = [reading for reading in batch.readings if reading.elapsed <= until]
            progress.over = True
        elif self._wall is None:
            progress.over = progress.over or bool(batch.wire and batch.wire[-1].elapsed > until)
        else:
            progress.over = progress.over or self._clock() > until

    # -- the writer

    def _write(self) -> None:
        """The writer's thread: batches to lines, lines to files every 20 ms."""
        due = time.monotonic() + FLUSH
        while True:
            if self.unwritten > HELD_BACK and not self._stop.is_set():
                time.sleep(FLUSH)  # the queue fills and the readers wait: nothing is dropped
            else:
                waiting = any(self._lines.values())
                item = self._queue.get(max(0.0, due - time.monotonic()) if waiting else IDLE)
                if item is not None:
                    due = due if waiting else time.monotonic() + FLUSH
                    role, batch = item
                    if batch is None:
                        break
                    try:
                        self._take(role, batch)
                    except Exception:
                        log.exception("writer")
            if time.monotonic() >= due:
                self._check_wall()
                self._flush()
                due = time.monotonic() + FLUSH
        self._flush()

    def _sync(self) -> None:
        """The thread that hears the disk's word, since a sync can take longer than a reader may wait."""
        while not self._written.wait(SYNC):
            try:
                self.writer.sync()
            except OSError as exc:
                # For good: after a failed sync the next one succeeds, and what it was to save may be gone.
                self._heard("sync", exc.strerror or str(exc))

    def _take(self, role: str, batch: Batch) -> None:
        lines = self._lines
        if batch.wire:
            self.latest = max(self.latest, batch.wire[-1].elapsed)
        if batch.wire and self.writer.keeps_wire:
            meter = self._rows_of(role).meter
            lines["wire"] += [f"{w.elapsed:.6f},{meter},{w.direction},{w.data.hex()}\r\n" for w in batch.wire]
        readings = batch.readings
        if readings:
            self._take_scheduled(readings[-1].elapsed)
            rows = self._rows_of(role)
            for group, (tags, cells) in self.tags.grouped(readings, role):
                lines["readings"] += rows.lines(group, self._offset, cells)
                if role in self._taken:
                    self._take_each(role, group)
                self.counters.rows += len(group)
                if self.listener is not None:
                    self._tell(role, group, tags)
            self.latest = max(self.latest, readings[-1].elapsed)
            self.counters.by_meter[role] = self.counters.by_meter.get(role, 0) + len(readings)
        for event in batch.events:
            self._take_event(role, event)

    def _take_each(self, role: str, readings: Sequence[Reading]) -> None:
        """What a person read and typed was settled by their eye: each value is a take of its one row."""
        for row, reading in enumerate(readings, start=self.counters.rows):
            if reading.value is not None and reading.status is Status.OK:
                self._takes += 1
                detail = {"id": self._takes, "step": "", "quantity": reading.quantity, "coupling": reading.coupling,
                          "value": repr(reading.value), "unit": reading.unit, "rows": row}  # fmt: skip
                event = MeterEvent(reading.elapsed, "take", {key: str(told) for key, told in detail.items()})
                self._line_event(role, event)

    def _rows_of(self, role: str) -> Rows:
        rows = self._rows.get(role)
        if rows is None:
            rows = self._rows[role] = Rows(cell(role))
        return rows

    def _tell(self, role: str, readings: Sequence[Reading], tags: Mapping[str, str]) -> None:
        assert self.listener is not None
        try:
            self.listener.readings(role, readings, tags)
        except Exception as exc:  # noqa: BLE001 - it is logged there
            self._complain(exc)

    def _tell_event(self, role: str, event: MeterEvent) -> None:
        if self.listener is None:
            return
        try:
            self.listener.event(role, event.kind, event.elapsed, event.detail)
        except Exception as exc:  # noqa: BLE001 - it is logged there
            self._complain(exc)

    def _complain(self, exc: Exception) -> None:
        """A screen that fails, such as one whose window was closed, must not end the recording."""
        if not self._complained:
            self._complained = True
            log.error("listener", exc_info=exc)

    def _take_event(self, role: str, event: MeterEvent) -> None:
        if event.kind == "gap":
            self.counters.gaps += 1
        if event.kind == "port-lost":
            self.lost.add(role)
        elif event.kind == "port-back":
            self.lost.discard(role)
        self._line_event(role, event)
        self._tell_event(role, event)

    def _line_event(self, role: str, event: MeterEvent) -> None:
        self.latest = max(self.latest, event.elapsed)
        time_stamp = stamp(self._offset + event.elapsed)
        self._lines["events"].append(event_line(event.elapsed, time_stamp, event.kind, role, event.detail))

    def _check_wall(self) -> None:
        """Keep the wall clock's place against the monotonic one; a step becomes an event, not a jump in elapsed_s."""
        if self._wall is None:
            return
        for _ in range(3):  # a pause between the two readings (the lid, a stopped process) would look like a step
            before = self._clock()
            wall = self._wall()
            elapsed = self._clock()
            if elapsed - before < 0.01:
                break
        else:
            return
        step = wall - elapsed - self._offset
        if abs(step) > CLOCK_STEP:
            self._offset += step
            self._take_event("", MeterEvent(elapsed=elapsed, kind="clock-step", detail={"step_s": f"{step:.3f}"}))
        else:
            most = CLOCK_SLEW * max(0.0, elapsed - self._checked)
            self._offset += min(most, max(-most, step))
        self._checked = elapsed

    def _flush(self) -> None:
        refused = ""
        for name, lines in self._lines.items():
            if not lines:
                continue
            try:
                self.writer.append(name, lines)
                lines.clear()
            except OSError as exc:
                refused = exc.strerror or str(exc)
                break  # a row must not stand on the disk without the bytes that it came from
        self._heard("write", refused)

    def _heard(self, where: str, reason: str) -> None:
        """The disk's word: told once when it begins to refuse, and noted when it takes everything again."""
        began, ended = self._disk.heard(where, reason, self._clock())
        self.counters.disk = self._disk.reason
        if began is not None:
            self._tell_event("", began)
        if ended is not None:
            self._line_event("", ended)
            self._tell_event("", MeterEvent(elapsed=self._clock(), kind="disk", detail={"reason": "takes rows again"}))

    @property
    def unwritten(self) -> int:
        """Rows that the disk has not taken yet."""
        return len(self._lines["readings"])


def now_utc() -> datetime:
    """The wall clock, in UTC."""
    return datetime.now(UTC)
