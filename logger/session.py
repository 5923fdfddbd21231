"""A session folder: created, appended to, closed.

Everything is written so that whatever dies, what was read stays readable: rows are appended whole to raw files, a
write that fails half way is taken back, and the descriptor stands on disk from the first moment, without its `close`.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import json
import os
import re
import shutil
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any
from urllib.parse import quote

from filelock import FileLock, Timeout

from drivers.reading import BenchError, Reading
from logger.cells import cell, stamp

TAGS = ("point", "plug", "switch", "load", "burden", "arrangement", "step")
READING_COLUMNS = ("time", "elapsed_s", "meter", "quantity", "coupling", "value", "unit", "status", "u", "range",
                   "resolution", "flags", *TAGS)  # fmt: skip
EVENT_COLUMNS = ("time", "elapsed_s", "kind", "meter", "detail")
WIRE_COLUMNS = ("elapsed_s", "meter", "direction", "hex")
_FIELD_TYPES = {"time": "datetime", **dict.fromkeys(("elapsed_s", "value", "u", "range", "resolution"), "number")}
LOCK = ".lock"


class TagNameError(BenchError):
    """A tag column that was named wrongly."""


class SessionError(BenchError):
    """A session that cannot be created, written or read."""


def program_version() -> str:
    """The version of this program."""
    try:
        return version("chassislog")
    except PackageNotFoundError:
        return "unknown"


class AppendFile:
    """A file that grows by whole lines only, with its size, rows and SHA-256 kept on the way."""

    def __init__(self, path: Path, *, write: Callable[[int, memoryview], int] = os.write) -> None:
        self.path = path
        self.size = 0
        self.rows = -1  # the header is no row
        self._write = write
        self._torn = False
        self._hash = hashlib.sha256()
        self._fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o644)

    def append(self, data: bytes, rows: int) -> None:
        """Add whole lines; all of them or none. Raises: OSError: the disk did not take them."""
        if self._torn:  # what a failed write left must go first, or the next row would join half of another
            self._take_back()
        view = memoryview(data)
        written = 0
        try:
            while written < len(data):
                self._torn = True
                count = self._write(self._fd, view[written:])
                if count <= 0:
                    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
                written += count
        except OSError:
            with contextlib.suppress(OSError):  # the first failure is the one to tell
                self._take_back()
            raise
        self._torn = False
        self._hash.update(data)
        self.size += len(data)
        self.rows += rows

    def _take_back(self) -> None:
        os.ftruncate(self._fd, self.size)
        os.lseek(self._fd, self.size, os.SEEK_SET)
        self._torn = False

    def sync(self) -> None:
        """See that what was written is on the disk. Raises: OSError."""
        os.fsync(self._fd)

    def exists(self) -> bool:
        """Whether the file that is written to is still the one in the folder."""
        try:
            return self.path.stat().st_ino == os.fstat(self._fd).st_ino or os.name == "nt"
        except OSError:
            return False

    def close(self) -> None:
        """Let go of the file; again is nothing."""
        fd, self._fd = self._fd, -1
        if fd >= 0:
            os.close(fd)

    def resource(self, name: str, columns: Sequence[str]) -> dict[str, Any]:
        """The file as a resource of the descriptor."""
        return resource(name, self.path.name, columns, size=self.size, digest=self._hash.hexdigest(), rows=self.rows)


def resource(name: str, path: str, columns: Sequence[str], *, size: int, digest: str, rows: int) -> dict[str, Any]:
    """A tabular data resource, as the descriptor lists it."""
    fields = [_field(column) for column in columns]
    return {
        "name": name, "path": path, "profile": "tabular-data-resource", "format": "csv", "mediatype": "text/csv",
        "encoding": "utf-8", "schema": {"fields": fields, "missingValues": [""]}, "bytes": size,
        "hash": f"sha256:{digest}", "rows": rows,
    }  # fmt: skip


def _field(column: str) -> dict[str, str]:
    kind = _FIELD_TYPES.get(column, "string")
    return {"name": column, "type": kind, **({"format": "any"} if kind == "datetime" else {})}


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionHeader:
    """What is known of a session when it begins."""

    radio: str
    start: datetime
    stage: str = ""
    plan: str = ""
    name: str = "log"
    statements: Mapping[str, Any] = field(default_factory=dict)
    meters: Sequence[Mapping[str, Any]] = ()
    extra_tags: tuple[str, ...] = ()

    @property
    def folder(self) -> str:
        """The folder's name: its start and its name."""
        slug = re.sub(r"[^a-z0-9]+", "-", self.name.lower()).strip("-")[:40] or "log"
        return f"{self.start.astimezone(UTC):%Y%m%dT%H%M%SZ}-{slug}"


def check_tag_names(names: Iterable[str]) -> tuple[str, ...]:
    """Own tag columns, checked. Raises: SessionError: not a plain word, or a column that exists."""
    checked = []
    for name in names:
        if not re.fullmatch(r"[a-z][a-z0-9_-]{0,30}", name) or name in READING_COLUMNS or name in checked:
            raise TagNameError(f"{name!r} cannot be a tag column.", remedy="Use a new word of a-z, 0-9, - and _.")
        checked.append(name)
    return tuple(checked)


class SessionWriter:
    """One open session. One thread writes; `sync` may be another's."""

    def __init__(
        self, radio_folder: Path, header: SessionHeader, *, wire: bool = True,
        write: Callable[[int, memoryview], int] = os.write,
    ) -> None:  # fmt: skip
        """Create the folder and its files. Raises: SessionError: the disk refuses; nothing is left behind."""
        self.header = header
        self.columns = (*READING_COLUMNS, *header.extra_tags)
        self.folder = _new_folder(radio_folder, header.folder)
        self.meters: list[Mapping[str, Any]] = list(header.meters)
        self._lock = FileLock(self.folder / LOCK)
        self._files: dict[str, tuple[AppendFile, Sequence[str]]] = {}
        self._write = write
        try:
            self._lock.acquire(timeout=0)
            self._open("readings", self.columns)
            self._open("events", EVENT_COLUMNS)
            if wire:
                self._open("wire", WIRE_COLUMNS)
            self.describe()
        except (OSError, Timeout) as exc:
            self.abandon()
            shutil.rmtree(self.folder, ignore_errors=True)  # it holds headers and no reading
            raise SessionError(f"The session cannot be written: {_reason(exc)}.", f"Folder {self.folder}.") from exc

    @property
    def rows(self) -> int:
        """Readings written."""
        return self._files["readings"][0].rows

    @property
    def keeps_wire(self) -> bool:
        """Whether the bytes are kept too."""
        return "wire" in self._files

    def _open(self, name: str, columns: Sequence[str]) -> None:
        file = AppendFile(self.folder / f"{name}.csv", write=self._write)
        self._files[name] = (file, columns)
        file.append((",".join(columns) + "\r\n").encode(), 1)

    def append(self, name: str, lines: Sequence[str]) -> None:
        """Add finished lines to `readings`, `events` or `wire`. Raises: OSError: nothing of them was written."""
        if lines and name in self._files:
            self._files[name][0].append("".join(lines).encode("utf-8"), len(lines))

    def sync(self) -> None:
        """See that all files are on the disk. Raises: OSError: they are not, or the folder is gone."""
        for file, _ in self._files.values():
            file.sync()
            if not file.exists():
                raise FileNotFoundError(f"{file.path.name} is no longer in the session folder")

    def describe(self, close: datetime | None = None, *, unwritten: int = 0) -> None:
        """Write the descriptor; without `close` the session counts as interrupted. Raises: OSError."""
        header = self.header
        resources = [file.resource(name, columns) for name, (file, columns) in self._files.items()]
        if close is None:  # counts and hashes of a growing file are stale the moment they are written
            resources = [{k: v for k, v in r.items() if k not in ("bytes", "hash", "rows")} for r in resources]
        descriptor = {
            "profile": "tabular-data-package", "name": self.folder.name.lower(),
            "title": f"Readings of radio {header.radio}",
            "resources": resources,
            "radio": header.radio, "stage": header.stage, "plan": header.plan,
            "program_version": program_version(), "start": stamp(header.start.timestamp()),
            **({"close": stamp(close.timestamp())} if close is not None else {}),
            "statements": dict(header.statements), "meters": self.meters,
            **({"unwritten": unwritten} if unwritten else {}),
        }  # fmt: skip
        write_whole(self.folder / "datapackage.json", json.dumps(descriptor, indent=1, ensure_ascii=False) + "\n")

    def close(self, at: datetime, *, unwritten: int = 0) -> None:
        """Finish the session properly; one that lacks rows that the disk did not take stays interrupted.

        Raises: OSError: the descriptor could not be written, or the folder is gone.
        """
        try:
            self.sync()
            self.describe(None if unwritten else at, unwritten=unwritten)
        finally:
            self.abandon()

    def abandon(self) -> None:
        """Let go of files and lock without a close: the session stays an interrupted one."""
        for file, _ in self._files.values():
            with contextlib.suppress(OSError):
                file.close()
        if os.name != "nt":  # while it is held, or another's new lock would be taken away; Windows refuses that
            _remove(self.folder / LOCK)
        with contextlib.suppress(OSError):
            self._lock.release()
        if os.name == "nt":
            _remove(self.folder / LOCK)


def _remove(path: Path) -> None:
    with contextlib.suppress(OSError):
        path.unlink(missing_ok=True)


def _new_folder(radio_folder: Path, name: str) -> Path:
    for attempt in range(1, 100):
        folder = radio_folder / (name if attempt == 1 else f"{name}-{attempt}")
        try:
            folder.mkdir()
        except FileExistsError:
            continue
        except OSError as exc:
            raise SessionError(f"The session cannot be written: {_reason(exc)}.", f"Folder {folder}.") from exc
        return folder
    raise SessionError("A hundred sessions began in this second.", f"Folder {radio_folder}.")


def _reason(exc: Exception) -> str:
    if isinstance(exc, Timeout):
        return "another program holds it"
    return getattr(exc, "strerror", None) or str(exc)


def write_whole(path: Path, text: str, *, durable: bool = True) -> None:
    """Put a file in place at once, so that it is never seen half written. Raises: OSError.

    Args:
        durable: wait until the disk has it; not needed for what can be made again.
    """
    beside = path.with_name(path.name + ".new")
    with beside.open("w", encoding="utf-8", errors="replace", newline="") as file:
        file.write(text)
        file.flush()
        if durable:
            os.fsync(file.fileno())
    beside.replace(path)


def reading_line(reading: Reading, time: str, meter: str, tags: str) -> str:
    """One line of readings.csv. `meter` and `tags` are finished cells; `tags` begins with a comma."""
    value = "" if reading.value is None else repr(reading.value)
    u = "" if reading.u is None else f"{reading.u:.6g}"
    full_scale = "" if reading.range is None else repr(reading.range)
    count = "" if reading.resolution is None else repr(reading.resolution)
    flags = cell(" ".join(reading.flags))
    return (
        f"{time},{reading.elapsed:.6f},{meter},{reading.quantity},{reading.coupling},{value},{reading.unit},"
        f"{reading.status},{u},{full_scale},{count},{flags}{tags}\r\n"
    )


def event_line(elapsed: float, time: str, kind: str, meter: str, detail: Mapping[str, object]) -> str:
    """One line of events.csv; `;` and `%` in a value are percent-encoded."""
    text = "; ".join(f"{key}={_encode(str(value))}" for key, value in detail.items())
    return f"{time},{elapsed:.6f},{cell(kind)},{cell(meter)},{cell(text)}\r\n"


def _encode(value: str) -> str:
    """A value of a detail: what would end it, or be trimmed off on reading, is percent-encoded."""
    text = value.replace("%", "%25").replace(";", "%3B").replace("\r", "%0D").replace("\n", "%0A")
    core = text.strip()
    if core == text:
        return text
    head, _, tail = text.partition(core) if core else (text, "", "")
    return quote(head, errors="replace") + core + quote(tail, errors="replace")
