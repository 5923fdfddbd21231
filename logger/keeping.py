"""Whether a session is whole: counts, hashes, columns, times, and its rows against its bytes decoded again.

Everything is read in pieces, so that a night's log needs no more memory than a minute's.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout

from analysis.descriptor import descriptor_from
from drivers.profile import Profile, ProfileError, Typed, load
from drivers.reading import BenchError
from drivers.units import counted
from logger.cells import detail_of
from logger.compare_wire import compare
from logger.rowcheck import RowCheck
from logger.scan import Scan, rows, scan
from logger.session import EVENT_COLUMNS, LOCK, READING_COLUMNS, WIRE_COLUMNS

FILES = ("readings.csv", "events.csv", "wire.csv")
#: So many problems of one kind are told one by one.
MOST = 5


class KeepError(BenchError):
    """A session that cannot be checked, mended or decoded again."""


class State(StrEnum):
    """How a session stands."""

    CLOSED = "closed"
    INTERRUPTED = "interrupted"  #: without a close
    RECORDING = "recording"  #: a program holds it now


@dataclass(frozen=True, slots=True, kw_only=True)
class FileReport:
    """One file of a session."""

    path: str
    bytes: int
    rows: int
    sha256: str
    torn: int  #: bytes after the last whole row
    agrees: bool | None  #: with the descriptor; None: it declares nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckReport:
    """What `check` found."""

    session: Path
    state: State
    rows: int
    files: tuple[FileReport, ...]
    compared: Mapping[str, int]  #: rows that the wire log bears out, by meter
    problems: tuple[str, ...]
    remarks: tuple[str, ...] = ()
    unreadable: int = 0  #: rows that are no rows

    @property
    def ok(self) -> bool:
        """Whether it is whole, as far as can be checked."""
        return not self.problems

    def to_json(self) -> dict[str, Any]:
        """For `check --json`."""
        return {
            "session": self.session.name, "ok": self.ok, "state": str(self.state), "rows": self.rows,
            "files": [
                {"path": f.path, "bytes": f.bytes, "rows": f.rows, "sha256": f.sha256, "torn_bytes": f.torn,
                 "agrees": f.agrees} for f in self.files
            ],
            "compared_with_wire": dict(self.compared), "problems": list(self.problems), "remarks": list(self.remarks),
        }  # fmt: skip


@dataclass
class Findings:
    """Problems as they are met; many of one kind become a count."""

    problems: list[str] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)

    def problem(self, kind: str, text: str) -> None:
        """One more of a kind."""
        count = self.counts[kind] = self.counts.get(kind, 0) + 1
        if count <= MOST:
            self.problems.append(text)

    def finish(self) -> tuple[str, ...]:
        """All of them, with how many were not told."""
        more = [f"{kind}: {n - MOST} more" for kind, n in self.counts.items() if n > MOST]
        return (*self.problems, *more)


def held(folder: Path) -> bool:
    """Whether a program holds the session's lock now."""
    path = folder / LOCK
    if not path.is_file():
        return False
    lock = FileLock(path)
    try:
        lock.acquire(timeout=0)
    except Timeout:
        return True
    except OSError:  # a read-only medium: nobody records there
        return False
    lock.release()
    return False


def descriptor_of(folder: Path) -> dict[str, Any] | None:
    """The descriptor, or None if it is missing or no descriptor."""
    try:
        return descriptor_from((folder / "datapackage.json").read_bytes())
    except OSError:
        return None


def require_session(folder: Path) -> None:
    """Raises: KeepError: no session there."""
    if not (folder / "readings.csv").is_file():
        raise KeepError(f"There is no session in {folder}.", remedy="Name a folder that holds readings.csv.")


def check_session(folder: Path, profiles: Mapping[str, Profile] | None = None) -> CheckReport:
    """Check one session folder.

    Args:
        profiles: by role, in place of those that the descriptor names.
    Raises: KeepError: no session there, or it cannot be read.
    """
    require_session(folder)
    return inspect(folder, profiles, recording=held(folder))


def inspect(folder: Path, profiles: Mapping[str, Profile] | None = None, *, recording: bool = False) -> CheckReport:
    """`check_session` for somebody who knows whether another program holds it. Raises: KeepError."""
    findings = Findings()
    descriptor = descriptor_of(folder)
    if descriptor is None:
        findings.problem("descriptor", "datapackage.json is missing, or is not a descriptor")
    described = descriptor or {}
    state = State.RECORDING if recording else State.CLOSED if described.get("close") else State.INTERRUPTED
    if state is State.INTERRUPTED and descriptor is not None:
        findings.problem("close", "the session has no close: it was interrupted")
    if described.get("unwritten"):
        count = described["unwritten"]
        findings.remarks.append(f"the disk did not take {counted(count, 'reading')}")
    try:
        scans = {name: scan(folder / name) for name in FILES if (folder / name).is_file()}
        files = _files(folder, described, scans, state, findings)
        count, cuts = _rows(folder, scans, described, findings)
        compared = _compare(folder, scans, described, profiles, cuts, findings)
    except (OSError, csv.Error) as exc:
        raise KeepError(f"The session cannot be read: {getattr(exc, 'strerror', None) or exc}.", f"{folder}.") from exc
    return CheckReport(
        session=folder, state=state, rows=count, files=tuple(files), compared=compared, problems=findings.finish(),
        remarks=tuple(findings.remarks),
        unreadable=sum(findings.counts.get(kind, 0) for kind in ("cells", "events")),
    )  # fmt: skip


def _files(
    folder: Path, descriptor: Mapping[str, Any], scans: Mapping[str, Scan], state: State, findings: Findings
) -> list[FileReport]:
    """Sizes, counts and hashes against the descriptor."""
    declared = {str(r.get("path")): r for r in descriptor.get("resources") or [] if isinstance(r, dict)}
    for name in declared.keys() - scans.keys():
        if name in FILES:
            findings.problem("file", f"{name} is listed and not there")
        elif not _plain(name) or not (folder / name).is_file():
            findings.problem("file", f"the descriptor lists {name[:80]!r}, which is no file of the session")
    for name in ("readings.csv", "events.csv"):
        if name not in scans:
            findings.problem("file", f"{name} is missing")
    if "wire.csv" not in scans:
        findings.remarks.append("the bytes from the meters were not kept, so no row can be compared with them")
    made = []
    for name, found in scans.items():
        torn = found.size - found.end
        if torn and state is not State.RECORDING:
            findings.problem("torn", f"{name}: its last row is torn ({counted(torn, 'byte')})")
        agrees = _agrees(name, declared.get(name), found, state, findings)
        made.append(FileReport(path=name, bytes=found.size, rows=found.rows, sha256=found.digest, torn=torn,
                               agrees=agrees))  # fmt: skip
    return made


def _plain(name: str) -> bool:
    return bool(name) and not any(c in name for c in "/\\:\0") and name not in (".", "..")


def _agrees(name: str, entry: Mapping[str, Any] | None, found: Scan, state: State, findings: Findings) -> bool | None:
    if entry is None:
        if state is State.CLOSED:
            findings.problem("file", f"{name} is not listed in the descriptor")
        return None
    facts = {"bytes": found.size, "rows": found.rows, "hash": f"sha256:{found.digest}"}
    known = {key: entry[key] for key in facts if entry.get(key) is not None}
    if state is State.CLOSED:
        for key in facts.keys() - known.keys():
            findings.problem("file", f"{name}: the descriptor does not state its {key}")
    wrong = [key for key in known if known[key] != facts[key]]
    for key in wrong:
        findings.problem("file", f"{name}: {key} is {facts[key]}, and was {str(known[key])[:80]} at the close")
    return not wrong if known else None


def _header(name: str, header: list[str], columns: tuple[str, ...], findings: Findings, *, more: bool = False) -> bool:
    if header[: len(columns)] == list(columns) and (more or len(header) == len(columns)):
        return True
    findings.problem("columns", f"{name}: its columns are not {', '.join(columns)}")
    return False


def _rows(
    folder: Path, scans: Mapping[str, Scan], descriptor: Mapping[str, Any], findings: Findings
) -> tuple[int, list[tuple[str, float]]]:
    """Each row of readings and events by itself; how many readings, and when ports were lost."""
    takes: list[tuple[str, str]] = []
    steps: list[float] = []
    cuts: list[tuple[str, float]] = []
    if "events.csv" in scans:
        stream = rows(folder / "events.csv", scans["events.csv"].end)
        if _header("events.csv", next(stream, []), EVENT_COLUMNS, findings):
            for number, row in enumerate(stream):
                try:
                    _, text, kind, meter, detail = row
                    elapsed = float(text)
                except ValueError:
                    findings.problem("events", f"events.csv, row {number}: cannot be read")
                    continue
                if kind == "take":
                    takes.append((meter, detail_of(detail).get("rows", "")))
                elif kind == "clock-step":
                    steps.append(elapsed)
                elif kind == "port-lost":
                    cuts.append((meter, elapsed))
    stream = rows(folder / "readings.csv", scans["readings.csv"].end)
    header = next(stream, [])
    count = 0
    if _header("readings.csv", header, READING_COLUMNS, findings, more=True):
        check = RowCheck(len(header), str(descriptor.get("start") or ""), steps, takes)
        for row in stream:
            count += 1
            for kind, text in check.row(row):
                findings.problem(kind, text)
        for kind, text in check.finish():
            findings.problem(kind, text)
    return count, cuts


def _compare(
    folder: Path, scans: Mapping[str, Scan], descriptor: Mapping[str, Any], own: Mapping[str, Profile] | None,
    cuts: list[tuple[str, float]], findings: Findings,
) -> dict[str, int]:  # fmt: skip
    """The rows against the wire log, decoded again."""
    if "wire.csv" not in scans:
        return {}
    stream = rows(folder / "wire.csv", scans["wire.csv"].end)
    if not _header("wire.csv", next(stream, []), WIRE_COLUMNS, findings):
        return {}
    profiles: dict[str, Profile] = {}
    for entry in descriptor.get("meters") or []:
        role = str(entry.get("role") or "") if isinstance(entry, dict) else ""
        try:
            profile = (own or {}).get(role) or load(str(entry.get("profile") or ""))
        except (ProfileError, AttributeError, OSError):
            findings.remarks.append(f"meter '{role}': its profile is not here, so its rows were not compared")
            continue
        if not isinstance(profile.decode, Typed):
            profiles[role] = profile
    lenient = not descriptor.get("close") or bool(descriptor.get("mended")) or bool(descriptor.get("unwritten"))
    return compare(folder, scans, profiles, cuts, findings, lenient=lenient)
