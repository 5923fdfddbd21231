"""The wire log of a session through corrected profiles: a new session beside it, with tags, events and takes.

What belongs to a moment is carried over by time: tags to the readings that now stand there, takes to the rows that now
lie in their span, with the value that these rows give. Rows of other meters, typed ones too, stay as they were.
"""

from __future__ import annotations

import bisect
import csv
import heapq
import statistics
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from drivers.profile import Profile, Typed
from drivers.reading import Reading, Status, reason_of
from logger.benchmeter import BenchMeter
from logger.cells import cell, detail_of, meter_of, span_of, uncell
from logger.copying import COLUMNS, NewSession, at, new_session, sole_user
from logger.keeping import KeepError, descriptor_of, require_session
from logger.mending import elapsed_of, quoted_line
from logger.rehear import Rehearing
from logger.rows import Rows
from logger.scan import records, scan
from logger.session import READING_COLUMNS, TAGS, event_line

#: A drift of the wall clock is followed in steps of this. [s]
_DRIFT = 1e-3
#: What can be the value of a take.
_TAKEN = (Status.OK, Status.OVERLOAD)
#: Events that a decoder gave rise to: those of the meters decoded again are found anew, or no longer hold.
_DECODED = ("resync", "low-battery")


@dataclass(frozen=True, slots=True, kw_only=True)
class Redecoded:
    """What decoding again made."""

    folder: Path
    rows: int
    by_meter: Mapping[str, int]  #: readings of the meters decoded again
    before: Mapping[str, int]  #: readings that they had
    remarks: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """For `redecode --json`."""
        return {"session": str(self.folder), "rows": self.rows, "by_meter": dict(self.by_meter),
                "before": dict(self.before), "remarks": list(self.remarks)}  # fmt: skip


def redecode(folder: Path, profiles: Mapping[str, Profile]) -> Redecoded:
    """Decode a session's bytes again.

    Args:
        profiles: the corrected ones, by role; other meters' rows are kept.
    Raises: KeepError: no session, no wire log, no such meter, a torn or held session, or the disk refuses.
    """
    require_session(folder)
    with sole_user(folder):
        descriptor = descriptor_of(folder)
        if descriptor is None or not descriptor.get("close"):
            raise KeepError("This session was interrupted.", f"{folder}.", "Run 'chassislog mend' on it first.")
        if not (folder / "wire.csv").is_file():
            raise KeepError("The bytes of this session were not kept.", f"{folder}.")
        try:
            with new_session(folder, "redecoded") as made:
                return _Redecoding(folder, descriptor, profiles, made).run()
        except (OSError, csv.Error, UnicodeError) as exc:
            raise KeepError(
                f"The session cannot be read: {reason_of(exc)}.", f"{folder}.", "See 'chassislog check'."
            ) from exc


@dataclass
class _Take:
    """A take on its way: its span in time, and what the rows there say now."""

    meter: str
    first: float
    last: float
    rows: list[int] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)


@dataclass
class _Timeline:
    """Something that changes now and then, by time."""

    times: list[float] = field(default_factory=list)
    values: list[str] = field(default_factory=list)

    def sort(self) -> None:
        order = sorted(range(len(self.times)), key=self.times.__getitem__)
        self.times, self.values = [self.times[i] for i in order], [self.values[i] for i in order]

    def steps(self) -> _Steps:
        """A walk along what it holds so far."""
        return _Steps(list(zip(self.times, self.values, strict=True)))

    def at(self, elapsed: float, otherwise: str) -> str:
        place = bisect.bisect_right(self.times, elapsed)
        return self.values[place - 1] if place else otherwise


@dataclass
class _Steps:
    """What held last on a walk forwards in time, which somebody may say otherwise on the way."""

    changes: list[tuple[float, str]]
    place: int = 0
    now: str | None = None

    def upto(self, elapsed: float) -> str | None:
        while self.place < len(self.changes) and self.changes[self.place][0] <= elapsed:
            self.now = self.changes[self.place][1]
            self.place += 1
        return self.now


class _Redecoding:
    def __init__(
        self, folder: Path, descriptor: dict[str, Any], profiles: Mapping[str, Profile], made: NewSession
    ) -> None:
        self.folder, self.descriptor, self.profiles, self.made = folder, descriptor, profiles, made
        self.meters = {str(m.get("role")): m for m in descriptor.get("meters") or [] if isinstance(m, dict)}
        for role, profile in profiles.items():
            if role not in self.meters or isinstance(profile.decode, Typed):
                listed = ", ".join(self.meters) or "none"
                raise KeepError(f"Meter {role!r} has no bytes in this session.", f"{folder}.", f"Meters: {listed}.")
        if not _is_time(str(descriptor.get("start"))):
            raise KeepError("The descriptor does not tell when this session began.", f"{folder}.")
        self.ends = {name: scan(folder / f"{name}.csv") for name in ("readings", "events", "wire")}
        self.columns: tuple[str, ...] = ()
        self.tags = {role: _Timeline() for role in self.meters}  # tags can be in force for one meter's rows alone
        self.offsets = _Timeline()
        self.takes: dict[int, _Take] = {}  #: by row of events.csv
        self.cuts: list[tuple[str, float]] = []
        self.before = dict.fromkeys(profiles, 0)
        self.counts = dict.fromkeys(profiles, 0)
        self.remarks: list[str] = []

    def run(self) -> Redecoded:
        spans = self._read_events()
        self._read_readings(spans)
        heard = Rehearing(self.folder / "wire.csv", self.ends["wire"].end, self.profiles, self.cuts)
        rows = self.made.write("readings", self.columns, self._readings(heard))
        if heard.problems:
            raise KeepError(f"The wire log cannot be decoded: {heard.problems[0]}.", f"{self.folder}.")
        for role in self.profiles:
            if role not in heard.roles:
                raise KeepError(f"Meter {role!r} has no bytes in this session.", f"{self.folder}.")
        self.made.write("events", COLUMNS["events"], iter(self._events(heard)))
        self.made.copy("wire", COLUMNS["wire"], self.ends["wire"].end, self.ends["wire"].rows)
        self._describe()
        place = self.made.finish(self.descriptor)
        return Redecoded(folder=place, rows=rows, by_meter=self.counts, before=self.before,
                         remarks=tuple(self.remarks))  # fmt: skip

    # -- what was there

    def _read_events(self) -> dict[int, list[tuple[int, int]]]:
        """Tags and losses of ports; rows that takes name, each with the take's row and which end it is."""
        spans: dict[int, list[tuple[int, int]]] = {}
        stream = self._records("events", len(COLUMNS["events"]))
        for number, row in enumerate(stream):
            elapsed, kind, meter, detail = float(row[1]), row[2], uncell(row[3]), detail_of(uncell(row[4]))
            if kind == "port-lost":
                self.cuts.append((meter, elapsed))
            elif kind == "tag":
                names = (*TAGS, *self._extra())
                cells = "".join("," + cell(detail.get(name, "")) for name in names)
                for role, timeline in self.tags.items():
                    timeline.times.append(elapsed)
                    timeline.values.append(cells if meter in ("", role) else "," * len(names))
            elif kind == "take" and (span := span_of(detail.get("rows", ""))):
                self.takes[number] = _Take(meter, float("inf"), float("-inf"))
                for end, place in enumerate(span):
                    spans.setdefault(place, []).append((number, end))
        return spans

    def _records(self, name: str, cells: int) -> Iterator[list[str]]:
        """The rows of a file without the header. Raises: KeepError: one is no row of a session; csv.Error."""
        stream = records(self.folder / f"{name}.csv", self.ends[name].end)
        next(stream, None)
        for number, row in enumerate(stream):
            if len(row) != cells or elapsed_of(row[1]) is None or (name == "readings" and not _is_time(row[0])):
                where = f"{self.folder}, {name}.csv, row {number}."
                raise KeepError("A row cannot be read.", where, "Run 'chassislog mend' on it first.")
            yield row

    def _extra(self) -> tuple[str, ...]:
        if not self.columns:
            header = next(records(self.folder / "readings.csv", self.ends["readings"].end), [])
            if header[: len(READING_COLUMNS)] != list(READING_COLUMNS):
                raise KeepError("readings.csv has no header row of a session.", f"{self.folder}.")
            self.columns = tuple(header)
        return self.columns[len(READING_COLUMNS) :]

    def _read_readings(self, spans: Mapping[int, list[tuple[int, int]]]) -> None:
        """Tags and clock as the rows had them, where they changed; when the takes began and ended."""
        self._extra()
        stream = self._records("readings", len(self.columns))
        for timeline in self.tags.values():
            timeline.sort()
        told = {role: timeline.steps() for role, timeline in self.tags.items()}
        offset = float("inf")
        for number, row in enumerate(stream):
            elapsed, (role, _) = float(row[1]), meter_of(uncell(row[2]), self.meters)
            if role in self.before:
                self.before[role] += 1
            # A row can bear other tags than the events tell of that moment: it came as they changed.
            cells = "".join("," + cell(uncell(text)) for text in row[12:])
            if role in told and told[role].upto(elapsed) != cells:
                told[role].now = cells
                self.tags[role].times.append(elapsed)
                self.tags[role].values.append(cells)
            now = datetime.fromisoformat(row[0]).timestamp() - elapsed
            if abs(now - offset) > _DRIFT:
                offset = now
                self.offsets.times.append(elapsed)
                self.offsets.values.append(repr(offset))
            for take, _end in spans.get(number, ()):
                span = self.takes[take]
                span.first, span.last = min(span.first, elapsed), max(span.last, elapsed)
        for timeline in self.tags.values():
            timeline.sort()
        self.offsets.sort()

    # -- what is there now

    def _readings(self, heard: Rehearing) -> Iterator[bytes]:
        kept = ((elapsed, role, None, line) for elapsed, role, line in self._kept())
        again = ((reading.elapsed, role, reading, b"") for role, reading in heard.all())
        start = datetime.fromisoformat(str(self.descriptor.get("start"))).timestamp()
        none = "," * len(self.columns[12:])
        writers = {role: Rows(cell(role)) for role in self.profiles}
        merged = heapq.merge(kept, again, key=lambda item: item[0])
        number = -1
        for elapsed, role, reading, line in merged:
            if reading is not None:
                self.counts[role] += 1
                offset = float(self.offsets.at(elapsed, repr(start)))
                line = writers[role].lines([reading], offset, self.tags[role].at(elapsed, none))[0].encode()
            number += 1
            named = f"{role}.{reading.channel}" if reading is not None and reading.channel else role
            for take in self.takes.values():
                if take.meter == named and take.first <= elapsed <= take.last:
                    take.rows.append(number)
                    if reading is not None:
                        take.readings.append(reading)
            yield line

    def _kept(self) -> Iterator[tuple[float, str, bytes]]:
        stream = self._records("readings", len(self.columns))
        for row in stream:
            role = uncell(row[2])
            if meter_of(role, self.meters)[0] not in self.profiles:
                yield float(row[1]), role, quoted_line(row)

    def _events(self, heard: Rehearing) -> list[bytes]:
        found: list[tuple[float, bytes]] = []
        stream = self._records("events", len(COLUMNS["events"]))
        for number, row in enumerate(stream):
            elapsed, kind, meter = float(row[1]), row[2], uncell(row[3])
            if kind in _DECODED and meter in self.profiles:
                continue
            line = quoted_line(row)
            if number in self.takes:
                line = self._take(number, row)
            found.append((elapsed, line))
        start = str(self.descriptor.get("start"))
        for role, elapsed, detail in heard.resyncs():
            found.append((elapsed, event_line(elapsed, at(start, elapsed), "resync", role, detail).encode()))
        return [line for _, line in sorted(found, key=lambda item: item[0])]

    def _take(self, number: int, row: list[str]) -> bytes:
        take, detail = self.takes[number], detail_of(uncell(row[4]))
        decoded = meter_of(take.meter, self.meters)[0] in self.profiles
        if not take.rows or (decoded and not any(r.status in _TAKEN for r in take.readings)):
            self.remarks.append(f"take {detail.get('id', '?')} has no readings any more and became a note")
            detail["text"] = f"take {detail.get('id', '?')} has no readings after decoding again"
            return event_line(float(row[1]), row[0], "note", take.meter, detail).encode()
        detail["rows"] = f"{take.rows[0]}-{take.rows[-1]}"
        if decoded:
            detail = _taken(detail, take.readings)
        return event_line(float(row[1]), row[0], "take", take.meter, detail).encode()

    def _describe(self) -> None:
        for role, profile in self.profiles.items():
            entry = self.meters[role]
            meter = BenchMeter(role=role, profile=profile, port=str(entry.get("port") or ""))
            made = meter.descriptor(str(entry.get("identity") or ""))
            place = self.descriptor["meters"].index(entry)
            # Its lead is what it was: only what the profile says of reading it has changed.
            self.descriptor["meters"][place] = {**made, "isolation": entry.get("isolation") or made["isolation"]}
        self.descriptor["redecoded"] = {
            "from": self.folder.name, "meters": {role: profile.name for role, profile in self.profiles.items()},
        }  # fmt: skip


def _is_time(text: str) -> bool:
    try:
        datetime.fromisoformat(text)
    except ValueError:
        return False
    return True


def _taken(detail: Mapping[str, str], readings: list[Reading]) -> dict[str, str]:
    """A take's detail with the value that its rows give now: the median, or an overload without a number."""
    last = [reading for reading in readings if reading.status in _TAKEN][-1]
    values = [r.value for r in readings if r.status is Status.OK and r.value is not None and r.unit == last.unit]
    made = {**detail, "quantity": str(last.quantity), "coupling": str(last.coupling), "unit": last.unit}
    made.pop("value", None)
    made.pop("scatter", None)
    if last.status is Status.OK:
        made["value"] = f"{statistics.median(values):.12g}"
        made["scatter"] = f"{max(values) - min(values):.6g}"
    return made
