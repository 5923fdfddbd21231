"""A zip from somebody else, unpacked into a benchbook.

Nothing in it is trusted: not a name, not a size, not a link. All of it is checked before anything is put in place, and
what is in the benchbook already is never written over.
"""

from __future__ import annotations

import filecmp
import os
import re
import shutil
import stat
import tempfile
import zipfile
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from analysis.card import DEVICE, ID, CardError, card_text, read_card
from analysis.descriptor import descriptor_from
from drivers.reading import BenchError

#: What a zip may unpack to, and how many files it may hold.
MOST_BYTES, MOST_FILES = 4 * 1024**3, 20_000
#: A descriptor or a card is read into memory.
MOST_TEXT = 16 * 1024**2
_NAME = re.compile(r"[^\x00-\x1f\x7f<>:\"/\\|?*]{1,120}")
#: Names that open a device on Windows, with whatever ending.
_DEVICES = re.compile(r"(?i)(con|prn|aux|nul|com[0-9¹²³]|lpt[0-9¹²³])(\..*)?")
_SESSION = re.compile(r"(\d{8})[tT](\d{6})[zZ](-.*)")
_PIECE = 1 << 20
_AT_TOP = ("radio.toml", "burdens.toml", "datapackage.json")


class UnpackError(BenchError):
    """A zip that is refused."""


class UnpackFileError(UnpackError):
    """A file or folder that the disk does not give or take."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unpacked:
    """What was unpacked."""

    radio: str
    added: tuple[str, ...]  #: sessions
    present: tuple[str, ...]  #: sessions that were there already, byte for byte
    card_added: bool

    def to_json(self) -> dict[str, Any]:
        """For `unpack --json`."""
        return {"radio": self.radio, "added": list(self.added), "present": list(self.present),
                "card_added": self.card_added}  # fmt: skip


def fit(name: str) -> bool:
    """Whether a name can be a file's on every platform, and is only a name."""
    return (
        _NAME.fullmatch(name) is not None
        and name[0] not in ". "
        and name[-1] not in ". "
        and not _DEVICES.fullmatch(name)
        and name.isprintable()
    )


def _refuse(what: str, path: Path) -> UnpackError:
    return UnpackError(f"{what}.", f"{path}.", "Nothing was unpacked.")


def _entries(archive: zipfile.ZipFile, path: Path, most: int) -> list[zipfile.ZipInfo]:
    """The files of a zip, all checked by what the zip says of them. Raises: UnpackError."""
    entries = [entry for entry in archive.infolist() if not entry.is_dir()]
    if len(archive.infolist()) > MOST_FILES:
        raise _refuse(f"It holds more than {MOST_FILES} files", path)
    seen: set[str] = set()
    folders: dict[str, str] = {}
    for entry in entries:
        parts = entry.filename.split("/")
        shown = ascii(entry.filename[:80])
        if entry.orig_filename != entry.filename or len(parts) > 2 or not all(map(fit, parts)):
            raise _refuse(f"It holds a file named {shown}, which is no place in a benchbook", path)
        folder = parts[0] if len(parts) == 2 else ""
        if entry.filename.casefold() in seen or folders.setdefault(folder.casefold(), folder) != folder:
            raise _refuse(f"It holds {shown} twice, as far as some file systems can tell", path)
        seen.add(entry.filename.casefold())
        _check_kind(entry, shown, path)
    if clash := sorted(seen & folders.keys()):
        raise _refuse(f"It holds {clash[0][:80]!a} both as a file and as a folder", path)
    if sum(entry.file_size for entry in entries) > most:
        raise _refuse(f"It would unpack to more than {most / 1024**3:.3g} GB", path)
    return entries


def _check_kind(entry: zipfile.ZipInfo, shown: str, path: Path) -> None:
    mode = stat.S_IFMT(entry.external_attr >> 16)
    if mode and mode != stat.S_IFREG:
        raise _refuse(f"It holds {shown}, which is a link or a device", path)
    if entry.flag_bits & 0x1:
        raise _refuse(f"It holds {shown}, which is encrypted", path)
    if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        raise _refuse(f"It holds {shown}, which is compressed in a way that is not read here", path)


def extract(path: Path, into: Path, most: int = MOST_BYTES) -> list[str]:
    """Unpack a zip into an empty folder, trusting nothing; the names. Raises: UnpackError, OSError."""
    try:
        with zipfile.ZipFile(path) as archive:
            entries = _entries(archive, path, most)
            if sum(entry.file_size for entry in entries) > shutil.disk_usage(into).free:
                raise _refuse("There is not room enough for what it holds", path)
            left = most
            for entry in entries:
                place = into.joinpath(*entry.filename.split("/"))
                place.parent.mkdir(exist_ok=True)
                with archive.open(entry) as source, place.open("xb") as to:
                    left = _copy(source, to, left, path)
            return [entry.filename for entry in entries]
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, ValueError, RuntimeError) as exc:
        raise UnpackFileError(f"It cannot be read as a zip: {exc}.", f"{path}.", "Nothing was unpacked.") from exc


def _copy(source: IO[bytes], to: IO[bytes], left: int, path: Path) -> int:
    while piece := source.read(_PIECE):
        left -= len(piece)
        if left < 0:  # whatever the zip says of its sizes
            raise _refuse("It holds more than it says", path)
        to.write(piece)
    return left


def unpack(path: Path, benchbook: Path, most: int = MOST_BYTES) -> Unpacked:
    """Unpack into a benchbook: everything, or nothing. Raises: UnpackError."""
    if not path.is_file():
        if path.is_dir():
            raise UnpackError(f"{path} is a folder.", remedy="Name a zip that 'chassislog pack' made.")
        raise UnpackError(f"There is no file {path}.")
    try:
        benchbook.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=benchbook, prefix=".unpack-") as scratch:
            names = extract(path, Path(scratch), most)
            return _Unpacking(path, Path(scratch), names, benchbook).run()
    except OSError as exc:
        raise UnpackFileError(f"It cannot be unpacked: {exc.strerror or exc}.", f"{path} into {benchbook}.") from exc


def arranged(path: Path, folder: Path) -> Path:
    """Unpack a zip into an empty folder as a benchbook of its one radio; the radio's folder. Raises: UnpackError."""
    return folder / unpack(path, folder).radio


class _Unpacking:
    """A zip's files, unpacked and not trusted, on their way into the benchbook."""

    def __init__(self, path: Path, scratch: Path, names: list[str], benchbook: Path) -> None:
        self.path, self.scratch, self.names, self.benchbook = path, scratch, set(names), benchbook

    def run(self) -> Unpacked:
        if "readings.csv" in self.names:
            radio, sessions = self._one_session()
        elif "radio.toml" in self.names:
            radio, sessions = self._card_id(), self._sessions()
        else:
            raise _refuse("It holds neither a session nor a radio", self.path)
        if DEVICE.fullmatch(radio):
            raise _refuse(f"Its radio is named {radio!r}, which Windows keeps for a device", self.path)
        home = self.benchbook / radio
        has_card = (home / "radio.toml").is_file()
        if not has_card and "radio.toml" not in self.names:
            raise _refuse(f"It holds no card, and there is no radio {radio!r} in the benchbook", self.path)
        present = [name for name, source in sessions.items() if self._is_there(home / name, source)]
        home.mkdir(exist_ok=True)
        if not has_card:
            (self.scratch / "radio.toml").rename(home / "radio.toml")
        if "burdens.toml" in self.names and not (self.benchbook / "burdens.toml").exists():
            (self.scratch / "burdens.toml").rename(self.benchbook / "burdens.toml")
        for name, source in sessions.items():
            if name not in present:
                source.rename(home / name)
        added = tuple(sorted(set(sessions) - set(present) - {"report"}))
        return Unpacked(radio=radio, added=added, present=tuple(sorted(set(present) - {"report"})),
                        card_added=not has_card)  # fmt: skip

    def _card_id(self) -> str:
        data = self._bytes("radio.toml")
        where = f"{self.path}/radio.toml"
        try:
            return read_card(card_text(data, where), where).id
        except CardError as exc:
            raise _refuse(f"Its card is refused: {exc.what}", self.path) from exc

    def _bytes(self, name: str) -> bytes:
        place = self.scratch / name
        if place.stat().st_size > MOST_TEXT:
            raise _refuse(f"Its {name} is too large", self.path)
        return place.read_bytes()

    def _one_session(self) -> tuple[str, dict[str, Path]]:
        """The session of a zip that has its files at the top."""
        try:
            described = descriptor_from(self._bytes("datapackage.json")) or {}
            radio, name = str(described["radio"]), str(described["name"])
        except (OSError, LookupError) as exc:
            raise _refuse("It has no descriptor of a session", self.path) from exc
        match = _SESSION.fullmatch(name)
        name = f"{match[1]}T{match[2]}Z{match[3]}" if match else name  # the descriptor has it in small letters
        if not ID.fullmatch(radio) or not fit(name) or any("/" in each for each in self.names):
            raise _refuse("Its descriptor names no radio or session", self.path)
        if "radio.toml" in self.names and self._card_id() != radio:
            raise _refuse("Its card is another radio's", self.path)
        folder = self.scratch / ".session"  # a name that no file of a zip can have
        folder.mkdir()
        for each in self.names - {"radio.toml", "burdens.toml"}:
            (self.scratch / each).rename(folder / each)
        return radio, {name: folder}

    def _sessions(self) -> dict[str, Path]:
        """The sessions of a radio's zip, and its report."""
        folders = {name.split("/")[0] for name in self.names if "/" in name}
        for folder in folders - {"report"}:
            if f"{folder}/readings.csv" not in self.names:
                raise _refuse(f"Its folder {folder[:80]!a} is no session", self.path)
        loose = {name for name in self.names if "/" not in name} - set(_AT_TOP)
        if loose:
            raise _refuse(f"It holds {sorted(loose)[0][:80]!a}, which belongs to no session", self.path)
        return {folder: self.scratch / folder for folder in folders}

    def _is_there(self, place: Path, source: Path) -> bool:
        """Whether it is in the benchbook already; a report is never written over, a session never lost."""
        if not os.path.lexists(place):
            return False
        if source.name == "report" or (place.is_dir() and _same_files(place, source)):
            return True
        raise _refuse(f"{place.name} is in the benchbook already, and is not the same", self.path)


def _same_files(a: Path, b: Path) -> bool:
    names = [{e.name for e in folder.iterdir() if not e.name.startswith(".")} for folder in (a, b)]
    return names[0] == names[1] and all(filecmp.cmp(a / name, b / name, shallow=False) for name in names[0])
