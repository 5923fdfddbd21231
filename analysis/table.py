"""Sessions and cards from disk: the only place where analysis opens a user's file."""

from __future__ import annotations

import csv
import hashlib
import io
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any
from urllib.parse import unquote

from analysis.card import BurdenBox, RadioCard, card_text, read_burdens, read_card
from analysis.descriptor import PRACTICE, descriptor_from
from analysis.meterinfo import MeterInfo, objects, read_meter
from analysis.readings import Readings, TableError, read_readings, unescape


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One row of events.csv."""

    elapsed: float
    kind: str
    meter: str
    detail: Mapping[str, str]
    time: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Take:
    """A settled value taken for a step of a plan."""

    id: int
    meter: str
    quantity: str
    coupling: str
    value: float | None  #: None: an overload was taken
    unit: str
    scatter: float | None
    first: int  #: rows of readings.csv; rows of other meters may lie between
    last: int
    elapsed: float
    step: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """One sitting at the bench with one radio."""

    name: str  #: the folder's name
    radio: str
    stage: str
    plan: str
    start: str
    close: str | None  #: None: interrupted
    program_version: str
    statements: Mapping[str, Any]
    meters: Mapping[str, MeterInfo]
    readings: Readings
    events: tuple[Event, ...]
    takes: tuple[Take, ...]  #: those that were not superseded, in order
    files: tuple[Mapping[str, Any], ...] = ()  #: path, bytes, hash and rows of each file, as declared
    remarks: tuple[str, ...] = ()  #: what was odd while reading
    lost: str = ""  #: of how many rows, by its descriptor, readings.csv lacks some; empty: of none
    replaces: str = ""  #: the session that this one stands in place of: mended, or decoded again

    def meter(self, role: str) -> MeterInfo | None:
        """What is known of a meter; a channel is written as its meter's role, a point and the channel."""
        return self.meters.get(role) or self.meters.get(role.rpartition(".")[0])

    #: What was worked out about the readings, so that it is worked out once.
    kept: dict[str, Any] = field(default_factory=dict, init=False, compare=False, repr=False)

    @property
    def practised(self) -> bool:
        """Whether some meter of it was the practice bench's: then nothing in it was read on a radio."""
        return any(meter.port.lower().startswith(PRACTICE) for meter in self.meters.values())

    @property
    def fed_from(self) -> str:
        """How the radio was fed: absent is `mains`."""
        return str(self.statements.get("fed_from") or "mains")


@dataclass(frozen=True, slots=True, kw_only=True)
class Radio:
    """A card, its sessions in order of their start, and the burden box."""

    card: RadioCard
    sessions: tuple[Session, ...] = ()
    burdens: BurdenBox = field(default_factory=BurdenBox)
    unread: tuple[str, ...] = ()  #: sessions that are there and cannot be read, each with the reason

    @property
    def counted(self) -> tuple[Session, ...]:
        """The sessions of a radio; those of a practice bench only where there are no others."""
        return tuple(session for session in self.sessions if not session.practised) or self.sessions

    @property
    def stage(self) -> str:
        """The latest stage: that of the session that began last, of those that count."""
        return self.counted[-1].stage if self.sessions else ""

    @property
    def judged(self) -> tuple[Session, ...]:
        """The sessions of the latest stage."""
        return tuple(session for session in self.counted if session.stage == self.stage)


def _read_bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as exc:
        raise TableError(f"Cannot read {path.name}: {exc.strerror or exc}.", f"{path.parent}.") from exc


def parse_detail(text: str) -> dict[str, str]:
    """`key=value; key=value`, with ; and % in a value percent-encoded."""
    pairs = (part.partition("=") for part in text.split(";") if "=" in part)
    return {key.strip(): unquote(value.strip()) for key, _, value in pairs}


def read_rows(data: bytes) -> Iterator[list[str]]:
    """Rows of a small CSV file, the header first, text cells as they were before writing."""
    reader = csv.reader(io.StringIO(data.decode("utf-8", "replace").replace("\0", "�"), newline=""))
    for row in reader:
        yield [unescape(cell) for cell in row]


def _number(text: str | None) -> float | None:
    try:
        value = float(text) if text else math.nan
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def read_events(data: bytes) -> list[Event]:
    """Events from the bytes of events.csv; a row that is torn or short is left out."""
    try:
        rows = list(read_rows(data))
    except csv.Error as exc:
        raise TableError(f"events.csv is no table: {exc}.") from exc
    if data and not data.endswith(b"\n"):
        rows = rows[:-1]
    events = []
    for row in rows[1:]:
        elapsed = _number(row[1]) if len(row) >= 5 else None
        if elapsed is not None:
            detail = parse_detail(row[4])
            events.append(Event(time=row[0], elapsed=elapsed, kind=row[2], meter=row[3], detail=detail))
    return events


def _takes(events: list[Event], remarks: list[str]) -> tuple[Take, ...]:
    """The takes that were not superseded. An id that stands for several is remarked on: the last one counts."""
    takes: dict[int, Take] = {}
    twice: dict[int, None] = {}
    for event in events:
        if event.kind != "take":
            continue
        superseded = event.detail.get("supersedes", "")
        for part in superseded.replace(",", " ").split():
            takes.pop(int(part) if _is_count(part) else -1, None)
        take = _take(event)
        if take is not None:
            if take.id in takes:
                twice[take.id] = None
            takes[take.id] = take
    remarks += [f"take {number} stands for several takes; only the last one counts" for number in twice]
    return tuple(takes.values())


def _is_count(text: str) -> bool:
    return text.isdecimal() and len(text) <= 15  # longer ones are no row of any file


def _take(event: Event) -> Take | None:
    detail = event.detail
    first, _, last = detail.get("rows", "").partition("-")
    if not all(map(_is_count, (detail.get("id", ""), first, last or first))):
        return None
    return Take(
        id=int(detail["id"]), meter=event.meter, quantity=detail.get("quantity", ""),
        coupling=detail.get("coupling", ""), value=_number(detail.get("value")), unit=detail.get("unit", ""),
        scatter=_number(detail.get("scatter")), first=int(first), last=int(last or first), elapsed=event.elapsed,
        step=detail.get("step", ""),
    )  # fmt: skip


def _other_hash(data: bytes, listed: str) -> bool:
    return listed.startswith("sha256:") and hashlib.sha256(data).hexdigest() != listed[7:]


def _altered(folder: Path, files: Sequence[Mapping[str, Any]], read: Mapping[str, bytes]) -> list[str]:
    """What a closed session's files are not any more: gone, or other bytes than its descriptor lists.

    Args: read: the bytes of those that were read already.
    """
    found = []
    for entry in files:
        name = str(entry.get("path") or "")
        path = folder / name
        if not name or Path(name).name != name or len(name) > 60:
            continue  # not a file of ours, whatever it is
        if not path.is_file():
            found.append(f"{name} is listed but gone")
        elif isinstance(entry.get("bytes"), int) and path.stat().st_size != entry["bytes"]:
            found.append(f"{name} has another size than its descriptor lists")
        elif name != "wire.csv" and _other_hash(
            read[name] if name in read else _read_bytes(path), str(entry.get("hash", ""))
        ):
            found.append(f"{name} is not what its descriptor's SHA-256 says: it was altered after the close")
    return found


def load_session(folder: Path, *, times: bool = True) -> Session:
    """One session folder. An interrupted one is read as far as it goes, and said to be so in `close` and `remarks`.

    `times`: as in `read_readings`.

    Raises: TableError: no descriptor or no readings there, or either cannot be read.
    """
    descriptor = descriptor_from(_read_bytes(folder / "datapackage.json"))
    if descriptor is None:
        raise TableError("datapackage.json is not a descriptor.", f"{folder}.", "Try 'chassislog mend'.")
    path = folder / "readings.csv"
    data = {path.name: _read_bytes(path)}
    if (folder / "events.csv").is_file():
        data["events.csv"] = _read_bytes(folder / "events.csv")
    readings, remarks = read_readings(data[path.name], str(path), times=times)
    events = read_events(data.get("events.csv", b""))
    meters = [read_meter(entry) for entry in objects(descriptor.get("meters"))]
    files = tuple(objects(descriptor.get("resources")))
    if descriptor.get("close"):
        remarks += _altered(folder, files, data)
    words = {name: str(descriptor.get(name) or "") for name in ("radio", "stage", "plan", "program_version", "start")}
    if not epoch(words["start"]):
        words["start"] = _named_start(folder.name)
    if "events.csv" not in data:
        remarks.append("events.csv is gone: takes and trips that stood there are lost")
    statements = descriptor.get("statements")
    replaces = replaced_by(folder.name, descriptor)
    if replaces:
        remarks.append(f"stands in place of {replaces}, which was mended or decoded again")
    takes = _takes(events, remarks)
    return Session(
        name=folder.name, close=str(descriptor["close"]) if descriptor.get("close") else None,
        statements=statements if isinstance(statements, dict) else {}, meters={meter.role: meter for meter in meters},
        readings=readings, events=tuple(events), takes=takes, remarks=tuple(remarks), replaces=replaces,
        lost=_lost(files, len(readings)),
        files=files, **words,
    )  # fmt: skip


def _lost(files: Sequence[Mapping[str, Any]], rows: int) -> str:
    told = next((entry.get("rows") for entry in files if entry.get("path") == "readings.csv"), None)
    return f"readings.csv holds {rows} of {told} rows" if isinstance(told, int) and rows < told else ""


def _named_start(name: str) -> str:
    """The start that a session's folder is named by; empty where it is not."""
    try:
        return datetime.strptime(name[:16], "%Y%m%dT%H%M%SZ").strftime("%Y-%m-%dT%H:%M:%SZ")
    except ValueError:
        return ""


def replaced_by(name: str, descriptor: Mapping[str, Any]) -> str:
    """The session from which the one of that name was made, that it may not count twice; empty for most.

    A copy's name begins with the original's, so that no two sessions can make one another vanish.
    """
    for key in ("mended", "redecoded"):
        made = descriptor.get(key)
        if isinstance(made, dict) and made.get("from") and name.startswith(f"{made['from']}-"):
            return str(made["from"])
    return ""


def epoch(start: str) -> float:
    """Seconds since 1970 of an RFC 3339 time; 0 where it is none."""
    try:
        return datetime.fromisoformat(start).timestamp()
    except (ValueError, OverflowError):
        return 0.0


def is_session(folder: Path) -> bool:
    """Whether a folder is a session's."""
    return (folder / "datapackage.json").is_file() and (folder / "readings.csv").is_file()


def session_folders(radio_folder: Path) -> list[Path]:
    """A radio's session folders, in order of their names (which begin with their start)."""
    return sorted(p for p in radio_folder.iterdir() if p.name[0] != "." and p.is_dir() and is_session(p))


def _torn_folders(radio_folder: Path) -> list[Path]:
    """Folders that hold some of a session's files, but not those without which it is none."""
    names = ("readings.csv", "datapackage.json", "wire.csv", "events.csv")
    return sorted(
        path for path in radio_folder.iterdir()
        if path.is_dir() and not path.name.startswith(".") and not is_session(path)
        and any((path / name).exists() for name in names)
    )  # fmt: skip


def load_card(path: Path) -> RadioCard:
    """The card in a file. Raises: TableError: cannot be read; CardError: says something it cannot."""
    return read_card(card_text(_read_bytes(path), str(path)), str(path))


def load_burdens(path: Path) -> BurdenBox:
    """The burden box in a file; an empty one where there is no file. Raises: as for a card."""
    return read_burdens(card_text(_read_bytes(path), str(path)), str(path)) if path.is_file() else BurdenBox()


def load_radio(folder: Path, sessions: list[Path] | None = None, *, times: bool = True) -> Radio:
    """A radio's card, its sessions (all of them, or those given) and the burden box beside it; `times` as above."""
    paths = session_folders(folder) if sessions is None else sessions
    loaded, unread = [], []
    for path in paths:
        try:
            loaded.append(load_session(path, times=times))
        except TableError as exc:
            if sessions is not None:
                raise
            unread.append(f"{path.name}: {exc.what}")
    if sessions is None:
        unread += [f"{path.name}: a file of it is gone" for path in _torn_folders(folder)]
    loaded.sort(key=lambda session: (epoch(session.start), session.name))
    if sessions is None:
        replaced = {session.replaces for session in loaded}
        loaded = [session for session in loaded if session.name not in replaced]
    return Radio(
        card=load_card(folder / "radio.toml"), sessions=tuple(loaded),
        burdens=load_burdens(folder.parent / "burdens.toml"), unread=tuple(unread),
    )  # fmt: skip
