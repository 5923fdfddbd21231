"""A radio's summary from its folder or its zip, kept beside the data: what did not change is not read again.

The key of a kept summary is the SHA-256 of every file that it rests on and of the rules that judged it. A file whose
size and time are those it had when it was hashed last is taken to be the same.
"""

from __future__ import annotations

import hashlib
import json
import logging
import os
import tempfile
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import Any

import analysis
from analysis.summary import Summary, from_json
from drivers.reading import BenchError
from logger.scan import scan
from logger.session import program_version, write_whole

log = logging.getLogger(__name__)

KEPT = ".summary.json"
_FILES = ("datapackage.json", "readings.csv", "events.csv")
#: A file that was changed so shortly before it was hashed may be changed again within the same tick of its clock. [s]
_FRESH = 2.0


@cache
def rules() -> str:
    """A hash of the program's judgement: its version, its limits and its code."""
    digest = hashlib.sha256(program_version().encode())
    folder = Path(analysis.__file__).parent
    for path in sorted((*folder.glob("*.py"), *folder.glob("*.toml"))):
        digest.update(path.read_bytes())
    return digest.hexdigest()


def summary_of(place: Path) -> Summary:
    """The summary of a radio's folder, or of a zip in a benchbook; what cannot be judged says why."""
    return unchanged(place) or _made(place)


def unchanged(place: Path) -> Summary | None:
    """The kept summary if all that it rests on is as it was, else None. Cheap: nothing is judged."""
    before = _kept(_keeper(place))
    known = before.get("files")
    if not isinstance(known, dict):
        return None
    try:
        stated = _files(place, known)
        if before.get("key") != _key(stated):
            return None
        found = from_json(before["summary"])
    except (OSError, ValueError, TypeError, KeyError):
        return None
    if known != stated:
        _keep(_keeper(place), stated, found)
    return found


def _made(place: Path) -> Summary:
    try:
        stated = _files(place, {})
    except OSError as exc:
        return Summary(radio=_id(place), problem=f"cannot be read: {exc.strerror or exc}")
    found = fresh(place)
    _keep(_keeper(place), stated, found)
    return found


def _keeper(place: Path) -> Path:
    return place / KEPT if place.is_dir() else place.with_name(f".{place.name}{KEPT}")


def fresh(place: Path) -> Summary:
    """The summary, computed from the files. Never raises for what is in them."""
    try:
        if place.is_dir():
            return _judged(place)
        from logger.unpacking import arranged

        with tempfile.TemporaryDirectory(prefix="chassislog-") as scratch:
            return _judged(arranged(place, Path(scratch)))
    except BenchError as exc:
        return Summary(radio=_id(place), problem=" ".join(str(exc.what).split()))
    except Exception as exc:  # a broken file must not hide the other radios
        log.exception("radio %s", place)
        return Summary(radio=_id(place), problem=f"cannot be judged: {' '.join(str(exc).split())}")


def _judged(folder: Path) -> Summary:
    """Read as `assess` reads it, all stages too: a session that cannot be read has its say in every level."""
    from analysis.summary import summarise
    from analysis.table import load_radio

    return summarise(load_radio(folder, times=False))


def _id(place: Path) -> str:
    return place.name.removesuffix(".zip")


def _paths(place: Path) -> list[tuple[str, os.stat_result]]:
    """The files that a radio's summary rests on, with what the file system says of them."""
    if not place.is_dir():
        return [("", place.stat())]
    found = []
    for name, path in (("radio.toml", place / "radio.toml"), ("burdens.toml", place.parent / "burdens.toml")):
        with suppress(FileNotFoundError):
            found.append((name, path.stat()))
    with os.scandir(place) as entries:
        folders = sorted(entry.name for entry in entries if not entry.name.startswith(".") and entry.is_dir())
    for folder in folders:
        for name in _FILES:
            with suppress(FileNotFoundError):
                found.append((f"{folder}/{name}", os.stat(os.path.join(place, folder, name))))  # noqa: PTH118, PTH116 - thousands of them: pathlib costs more than the call
    return found


def _files(
    place: Path, known: Mapping[str, Any], digest: Callable[[Path], str] = lambda path: scan(path).digest
) -> dict[str, list[Any]]:
    """Size, time and hash of each file; hashed anew only where size or time differ. Raises: OSError."""
    stated: dict[str, list[Any]] = {}
    now = time.time()
    for name, status in _paths(place):
        before = known.get(name)
        size, changed = status.st_size, status.st_mtime_ns
        if isinstance(before, list) and len(before) == 3 and before[:2] == [size, changed] and changed:
            stated[name] = before
            continue
        path = place / name if name else place
        path = place.parent / name if name == "burdens.toml" else path
        # A time of 0 never agrees: the file is hashed again next time.
        stated[name] = [size, changed if now - changed / 1e9 > _FRESH else 0, digest(path)]
    return stated


def _key(stated: Mapping[str, list[Any]]) -> str:
    text = json.dumps([[name, entry[2]] for name, entry in sorted(stated.items())])
    return hashlib.sha256(f"{rules()} {text}".encode()).hexdigest()


def _kept(path: Path) -> dict[str, Any]:
    try:
        found = json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def _keep(path: Path, stated: Mapping[str, list[Any]], found: Summary) -> None:
    document = {"key": _key(stated), "files": stated, "summary": found.to_json()}
    with suppress(OSError):  # a read-only benchbook is read every time
        write_whole(path, json.dumps(document, ensure_ascii=False), durable=False)
