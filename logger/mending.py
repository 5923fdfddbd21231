"""An interrupted or torn session becomes a whole one, in a copy beside it; the original is not touched."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from drivers.units import counted
from logger.cells import detail_of, span_of, uncell
from logger.copying import COLUMNS, NewSession, at, new_session, sole_user
from logger.keeping import FILES, CheckReport, KeepError, State, descriptor_of, inspect, require_session
from logger.scan import Scan, records, scan
from logger.session import READING_COLUMNS, event_line

_STARTED = re.compile(r"(\d{4})(\d{2})(\d{2})T(\d{2})(\d{2})(\d{2})Z")


@dataclass(frozen=True, slots=True, kw_only=True)
class Mended:
    """What mending made of a session."""

    folder: Path  #: the new session, or the old one if it was whole
    whole: bool  #: it was whole: nothing was made
    rows: int
    lost: tuple[str, ...]  #: what could not be carried over
    remarks: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """For `mend --json`."""
        return {"session": str(self.folder), "was_whole": self.whole, "rows": self.rows, "lost": list(self.lost),
                "remarks": list(self.remarks)}  # fmt: skip


def mend(folder: Path) -> Mended:
    """Mend one session into a copy. Raises: KeepError: no session, another program holds it, or the disk refuses."""
    require_session(folder)
    with sole_user(folder):
        if (descriptor_of(folder) or {}).get("close"):
            try:
                report = inspect(folder)
            except KeepError:
                report = None  # what cannot be checked may still be mended
            if report is not None and _whole(report):
                return Mended(folder=folder, whole=True, rows=report.rows, lost=(), remarks=report.problems)
        with new_session(folder, "mended") as made:
            return _Mending(folder, made).run()


def _whole(report: CheckReport) -> bool:
    """Whether copying it would make nothing better: what else is wrong with it, is wrong in its rows."""
    complete = report.state is State.CLOSED and {f.path for f in report.files} >= {"readings.csv", "events.csv"}
    return complete and not report.unreadable and all(f.agrees and not f.torn for f in report.files)


class _Mending:
    """One session on its way into its copy."""

    def __init__(self, folder: Path, made: NewSession) -> None:
        self.folder, self.made = folder, made
        self.scans = {name: scan(folder / name) for name in FILES if (folder / name).is_file()}
        self.lost: list[str] = []
        self.remarks: list[str] = []
        self.dropped: list[int] = []  #: rows of readings.csv that are no rows
        self.last = 0.0
        self.roles: dict[str, None] = {}

    def run(self) -> Mended:
        descriptor = self._descriptor()
        self._tell_torn(descriptor)
        columns = self._columns()
        rows = self.made.write("readings", columns, self._readings(columns))
        if self.dropped:
            count = len(self.dropped)
            self.lost.append(f"readings.csv: {counted(count, 'row')} that could not be read")
        events = list(self._events())
        detail = {"reason": "interrupted; closed by mending", "lost": "; ".join(self.lost) or "nothing"}
        start = str(descriptor.get("start") or "")
        if not descriptor.get("close"):
            events.append(event_line(self.last, at(start, self.last), "end", "", detail).encode())
        self.made.write("events", COLUMNS["events"], iter(events))
        self._wire()
        if not descriptor.get("meters"):
            descriptor["meters"] = [{"role": role} for role in self.roles]
        descriptor["close"] = descriptor.get("close") or at(start, self.last)
        descriptor["mended"] = {"from": self.folder.name, "lost": self.lost, "remarks": self.remarks}
        place = self.made.finish(descriptor)
        return Mended(folder=place, whole=False, rows=rows, lost=tuple(self.lost), remarks=tuple(self.remarks))

    def _descriptor(self) -> dict[str, Any]:
        found = descriptor_of(self.folder)
        if found is not None:
            return found
        self.remarks.append("the descriptor was lost: radio and start are taken from the folder, meters from the rows")
        return {"radio": self.folder.resolve().parent.name, "stage": "", "plan": "", "start": self._start(),
                "statements": {}}  # fmt: skip

    def _start(self) -> str:
        match = _STARTED.match(self.folder.name)
        if match:
            return "{}-{}-{}T{}:{}:{}.000000Z".format(*match.groups())
        for row in self._records("readings.csv"):
            try:
                datetime.fromisoformat(row[0])
            except (ValueError, IndexError):
                continue
            return row[0]
        raise KeepError("Nothing tells when this session began.", f"{self.folder}.")

    def _tell_torn(self, descriptor: Mapping[str, Any]) -> None:
        for name, found in self.scans.items():
            torn = found.size - found.end
            if torn:
                self.lost.append(f"{name}: the torn last row ({counted(torn, 'byte')})")
        listed = {str(r.get("path")): r for r in descriptor.get("resources") or [] if isinstance(r, dict)}
        for name, found in self.scans.items():
            declared = listed.get(name, {}).get("hash")
            if declared and declared != f"sha256:{found.digest}":
                self.remarks.append(f"{name} was not as it was at the close: its SHA-256 differs")
        if descriptor.get("unwritten"):
            count = descriptor["unwritten"]
            self.remarks.append(f"the disk had not taken {counted(count, 'reading')}")

    def _records(self, name: str) -> Iterator[list[str]]:
        """The rows of a file, the header first; one that no CSV reader takes is empty."""
        found = self.scans.get(name, Scan(size=0, digest="", rows=0, end=0))
        stream = records(self.folder / name, found.end) if found.end else iter(())
        while True:
            try:
                yield next(stream)
            except StopIteration:
                return
            except csv.Error:
                yield []

    def _columns(self) -> tuple[str, ...]:
        header = next(self._records("readings.csv"), [])
        if header[: len(READING_COLUMNS)] == list(READING_COLUMNS):
            return tuple(header)
        if self.scans["readings.csv"].rows:
            raise KeepError("readings.csv has no header row of a session.", f"{self.folder}.")
        return READING_COLUMNS

    def _readings(self, columns: tuple[str, ...]) -> Iterator[bytes]:
        stream = self._records("readings.csv")
        next(stream, None)
        for number, row in enumerate(stream):
            elapsed = elapsed_of(row[1]) if len(row) == len(columns) else None
            if elapsed is None:
                self.dropped.append(number)
                continue
            self.last = max(self.last, elapsed)
            self.roles[uncell(row[2])] = None
            yield quoted_line(row)

    def _events(self) -> Iterator[bytes]:
        stream = self._records("events.csv")
        next(stream, None)
        bad = 0
        for row in stream:
            elapsed = elapsed_of(row[1]) if len(row) == len(COLUMNS["events"]) else None
            if elapsed is None:
                bad += 1
                continue
            self.last = max(self.last, elapsed)
            if row[2] == "take" and self.dropped:
                detail = detail_of(uncell(row[4]))
                detail["rows"] = self._renumbered(detail.get("rows", ""))
                yield event_line(elapsed, row[0], row[2], uncell(row[3]), detail).encode()
            else:
                yield quoted_line(row)
        if bad:
            self.lost.append(f"events.csv: {counted(bad, 'row')} that could not be read")

    def _renumbered(self, text: str) -> str:
        """Rows of a take after some before them, or among them, were dropped."""
        span = span_of(text)
        if span is None:
            return text
        low, high = span
        return f"{low - sum(d < low for d in self.dropped)}-{high - sum(d <= high for d in self.dropped)}"

    def _wire(self) -> None:
        found = self.scans.get("wire.csv")
        if found is None or not found.end:
            return
        self.made.copy("wire", COLUMNS["wire"], found.end, found.rows)


def elapsed_of(text: str) -> float | None:
    """A row's seconds since the start; None where it states none that can be."""
    try:
        value = float(text)
    except ValueError:
        return None
    return value if 0 <= value < 1e10 else None


def quoted_line(row: list[str]) -> bytes:
    """A row again as it stood: cells are guarded already, only quotes are put back."""
    return (",".join(_quoted(text) for text in row) + "\r\n").encode("utf-8", "replace")


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"' if any(c in text for c in ',"\r\n') else text
