"""A new session made from an old one, beside it: built under another name, put in place when it is whole."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout

from logger.cells import stamp
from logger.keeping import KeepError
from logger.session import EVENT_COLUMNS, LOCK, WIRE_COLUMNS, AppendFile, program_version, resource, write_whole

_LINES = 2000


@contextmanager
def sole_user(folder: Path) -> Iterator[None]:
    """Hold the session's lock, where there is one. Raises: KeepError: another program holds it."""
    path = folder / LOCK
    if not path.is_file():  # who records has one; and nothing is added to the original
        yield
        return
    lock = FileLock(path)
    try:
        lock.acquire(timeout=0)
    except Timeout as exc:
        raise KeepError("Another program holds this session.", f"{folder}.", "End its recording first.") from exc
    except OSError:  # a read-only medium: nobody records there
        yield
        return
    try:
        yield
    finally:
        lock.release()


class NewSession:
    """The files of the new session, in a folder that is no session yet."""

    def __init__(self, original: Path, ending: str) -> None:
        """Raises: OSError."""
        self.original = original
        self._ending = ending
        self.folder = original.with_name(f".{original.name}-{ending}.part")
        shutil.rmtree(self.folder, ignore_errors=True)
        self.folder.mkdir()
        self._files: list[tuple[AppendFile, tuple[str, ...]]] = []
        self._resources: list[dict[str, Any]] = []

    def write(self, name: str, columns: tuple[str, ...], lines: Iterator[bytes]) -> int:
        """One file, from its lines without the header; how many. Raises: OSError."""
        file = AppendFile(self.folder / f"{name}.csv")
        try:
            file.append((",".join(columns) + "\r\n").encode(), 1)
            waiting: list[bytes] = []
            for line in lines:
                waiting.append(line)
                if len(waiting) >= _LINES:
                    file.append(b"".join(waiting), len(waiting))
                    waiting.clear()
            file.append(b"".join(waiting), len(waiting))
            file.sync()
        finally:
            file.close()
        self._resources.append(file.resource(name, columns))
        return file.rows

    def copy(self, name: str, columns: tuple[str, ...], end: int, rows: int) -> None:
        """The same file's first bytes, as they are. Raises: OSError."""
        digest = hashlib.sha256()
        left = end
        with (self.original / f"{name}.csv").open("rb") as source, (self.folder / f"{name}.csv").open("wb") as target:
            while left and (piece := source.read(min(left, 1 << 20))):
                target.write(piece)
                digest.update(piece)
                left -= len(piece)
            target.flush()
            os.fsync(target.fileno())
        path = f"{name}.csv"
        self._resources.append(resource(name, path, columns, size=end - left, digest=digest.hexdigest(), rows=rows))

    def finish(self, descriptor: Mapping[str, Any]) -> Path:
        """Write the descriptor and put the folder in its place. Raises: OSError, KeepError."""
        for attempt in range(1, 100):
            name = f"{self.original.name}-{self._ending}" + (f"-{attempt}" if attempt > 1 else "")
            place = self.original.with_name(name)
            if place.exists():
                continue
            order = {"readings": 0, "events": 1, "wire": 2}
            made = {
                "profile": "tabular-data-package", "name": name.lower(), **{
                    key: value for key, value in descriptor.items() if key not in ("profile", "name", "resources")
                },
                "program_version": program_version(),
                "resources": sorted(self._resources, key=lambda entry: order.get(str(entry["name"]), 3)),
            }  # fmt: skip
            write_whole(self.folder / "datapackage.json", json.dumps(made, indent=1, ensure_ascii=False) + "\n")
            self.folder.rename(place)
            return place
        raise KeepError(f"There are a hundred copies of {self.original.name} already.", f"{self.original.parent}.")

    def drop(self) -> None:
        """Take away what was begun; after `finish` there is nothing to."""
        with contextlib.suppress(OSError):
            shutil.rmtree(self.folder)


@contextmanager
def new_session(original: Path, ending: str) -> Iterator[NewSession]:
    """A new session beside the original. Raises: KeepError: the disk refuses; nothing is left behind."""
    try:
        made = NewSession(original, ending)
    except OSError as exc:
        raise KeepError(f"The copy cannot be written: {exc.strerror or exc}.", f"{original.parent}.") from exc
    try:
        yield made
    except OSError as exc:
        raise KeepError(f"The copy cannot be written: {exc.strerror or exc}.", f"{original.parent}.") from exc
    finally:
        made.drop()


def at(start: str, elapsed: float) -> str:
    """The time stamp so long after the start, or the start itself where it cannot be read."""
    try:
        return stamp((datetime.fromisoformat(start) + timedelta(seconds=elapsed)).timestamp())
    except ValueError:
        return start


#: The columns of the files that have fixed ones.
COLUMNS = {"events": EVENT_COLUMNS, "wire": WIRE_COLUMNS}
