"""A session or a radio as one zip that is itself a Data Package.

The same files always give the same bytes: names are sorted, times and attributes fixed.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import stat
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from drivers.reading import BenchError
from logger.keeping import descriptor_of, held
from logger.scan import scan
from logger.unpacking import fit

#: The earliest time that a zip can state: a file's own time would make the same data another zip.
_TIME = (1980, 1, 1, 0, 0, 0)
_PIECE = 1 << 20


class PackError(BenchError):
    """A zip that cannot be made."""


class PackFileError(PackError):
    """A file or folder that the disk does not give or take."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Packed:
    """What was packed."""

    path: Path
    kind: str  #: `session` or `radio`
    files: int
    bytes: int
    sha256: str
    left_out: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """For `pack --json`."""
        return {"file": str(self.path), "kind": self.kind, "files": self.files, "bytes": self.bytes,
                "sha256": self.sha256, "left_out": list(self.left_out)}  # fmt: skip


def pack(source: Path, target: Path) -> Packed:
    """Pack a session's or a radio's folder. Raises: PackError: neither is there, or the disk refuses."""
    if target.exists():
        raise PackError(f"{target} is there already.", remedy="Name another file.")
    try:
        if (source / "readings.csv").is_file():
            kind, files, left = "session", *_session_files(source.resolve())
        elif (source / "radio.toml").is_file():
            kind, files, left = "radio", *_radio_files(source.resolve())
        else:
            raise PackError(f"There is no session and no radio in {source}.")
        part = target.with_name(target.name + ".part")
        try:
            with zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
                for name in sorted(files):
                    _store(archive, name, files[name])
            part.replace(target)
        finally:
            part.unlink(missing_ok=True)
        found = scan(target)
    except (OSError, ValueError) as exc:
        reason = getattr(exc, "strerror", None) or exc
        raise PackFileError(f"It cannot be packed: {reason}.", f"{source} into {target}.") from exc
    return Packed(path=target, kind=kind, files=len(files), bytes=found.size, sha256=found.digest,
                  left_out=tuple(sorted(left)))  # fmt: skip


def _store(archive: zipfile.ZipFile, name: str, content: Path | bytes) -> None:
    entry = zipfile.ZipInfo(name, _TIME)
    entry.file_size = len(content) if isinstance(content, bytes) else content.stat().st_size  # or none is over 2 GB
    entry.compress_type = zipfile.ZIP_DEFLATED
    entry.create_system = 3  # whatever the platform: or the same data would give other bytes on Windows
    entry.external_attr = (stat.S_IFREG | 0o644) << 16
    with archive.open(entry, "w") as to:
        if isinstance(content, bytes):
            to.write(content)
        else:
            with content.open("rb") as source:
                shutil.copyfileobj(source, to, _PIECE)


def _session_files(folder: Path) -> tuple[dict[str, Path | bytes], list[str]]:
    _not_held(folder)
    files, left = _regular(folder, "")
    _add_card(folder.parent, files)
    return files, left


def _add_card(radio: Path, files: dict[str, Path | bytes]) -> None:
    """The card and the burden box go along: without them nothing in the readings can be judged."""
    for name, path in (("radio.toml", radio / "radio.toml"), ("burdens.toml", radio.parent / "burdens.toml")):
        if path.is_file() and name not in files:
            files[name] = path


def _regular(folder: Path, prefix: str) -> tuple[dict[str, Path | bytes], list[str]]:
    """Plain files directly in a folder; what is hidden, a link, a folder or half written is left out."""
    files: dict[str, Path | bytes] = {}
    left = []
    for entry in os.scandir(folder):
        name = entry.name
        if name.startswith(".") or name.endswith((".new", ".part")):
            continue
        if entry.is_file(follow_symlinks=False) and fit(name):
            files[f"{prefix}{name}"] = Path(entry.path)
        else:
            left.append(f"{prefix}{name}")
    return files, left


def _radio_files(radio: Path) -> tuple[dict[str, Path | bytes], list[str]]:
    files: dict[str, Path | bytes] = {}
    left: list[str] = []
    resources: list[dict[str, Any]] = []
    for place in sorted(radio.iterdir()):
        if place.name.startswith(".") or place.name == "radio.toml":
            continue
        if place.is_symlink() or not fit(place.name) or not _packs(place):
            left.append(place.name)
            continue
        inside, more = _regular(place, f"{place.name}/")
        files.update(inside)
        left += more
        resources += _resources(place)
    _add_card(radio, files)
    package = {
        "profile": "tabular-data-package" if resources else "data-package", "name": radio.name,
        "title": f"Sessions of radio {radio.name}", "resources": resources or [_card_resource(radio)],
    }  # fmt: skip
    files["datapackage.json"] = (json.dumps(package, indent=1, ensure_ascii=False) + "\n").encode("utf-8", "replace")
    return files, left


def _packs(place: Path) -> bool:
    """Whether a folder goes along: a session or the report."""
    if place.is_dir() and (place / "readings.csv").is_file():
        _not_held(place)
        return True
    return place.is_dir() and place.name == "report"


def _not_held(session: Path) -> None:
    if held(session):
        raise PackError(f"Session {session.name} is being recorded.", remedy="End its recording first.")


def _resources(folder: Path) -> list[dict[str, Any]]:
    """A session's resources as the radio's package lists them."""
    listed = (descriptor_of(folder) or {}).get("resources")
    made = []
    for entry in listed if isinstance(listed, list) else ():
        path = str(entry.get("path") or "") if isinstance(entry, dict) else ""
        if "/" not in path and fit(path) and (folder / path).is_file():
            name = f"{folder.name}-{Path(path).stem}".lower()
            made.append({**entry, "name": re.sub(r"[^a-z0-9._-]", "-", name), "path": f"{folder.name}/{path}"})
    return made


def _card_resource(radio: Path) -> dict[str, Any]:
    found = scan(radio / "radio.toml")
    return {"name": "card", "path": "radio.toml", "bytes": found.size, "hash": f"sha256:{found.digest}"}
