"""What the figures can be computed again from: files with their hashes, the card's values, limits, versions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from importlib import metadata
from typing import Any

from analysis.card import UNLISTED_TOLERANCE, Board, CardLimits, HeaterWinding, RadioCard, Transformer
from analysis.report.instruments import LineSources
from analysis.report.text import plain
from analysis.table import Radio, Session

#: Fields of the card that findings rest on, by table, with the words for them.
_INPUTS: Mapping[str, Mapping[str, str]] = {
    "": {"nominal_mains": "Mains that it is made for", "frequency": "Frequency", "plug": "Plug",
         "switch": "Mains switch", "supply": "Supply"},
    "limits": {"touch_voltage_ac": "Limit of touch volts, AC", "touch_voltage_dc": "Limit of touch volts, DC",
               "touch_current_ac": "Limit of touch current, AC", "touch_current_dc": "Limit of touch current, DC"},
    "transformer": {"primary": "Transformer, primary", "secondary": "Transformer, each secondary",
                    "windings": "Transformer, secondaries", "arrangement": "Transformer, secondaries joined",
                    "rating": "Transformer, nameplate", "insulation_class": "Transformer, insulation class"},
    "board": {"topology": "Board, rectifier", "reservoir": "Board, each reservoir",
              "reservoir_rating": "Board, reservoir’s rated volts", "supply_min": "Board, least supply volts",
              "supply_max": "Board, most supply volts", "swing_loss": "Board, swing that the output loses",
              "source_level": "Board, level of its source", "gain": "Board, gain set to"},
    "heater_winding": {"volts": "Heater winding, volts", "rating": "Heater winding, amperes it may give",
                       "used": "Heater winding, amperes used"},
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class FileItem:
    """One file that the figures can be computed from again."""

    path: str
    rows: str
    bytes: str
    digest: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """What lies beside the sittings' own files, as whoever read it from disk hands it in."""

    files: tuple[Mapping[str, Any], ...] = ()  #: path, bytes and hash, as in a descriptor; the limits among them
    descriptors: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)  #: each sitting's own, by its name
    lines: LineSources = field(default_factory=dict)  #: where accuracy lines are from


def own_version() -> str:
    """The version of the program that makes the report."""
    try:
        return metadata.version("chassislog")
    except metadata.PackageNotFoundError:
        return "not installed"


def versions(sessions: Sequence[Session]) -> tuple[str, ...]:
    """The program's versions: of the report, and of the sittings."""
    recorded = sorted({plain(session.program_version, 40) for session in sessions if session.program_version})
    return (
        f"Report made by chassislog {own_version()}.", *(f"Recorded with chassislog {version}." for version in recorded)
    )  # fmt: skip


def computed_from(beside: Beside) -> str:
    """What the figures can be computed again from, and what of it is not listed."""
    by = f"by the program and the limits of chassislog {own_version()}"
    if beside.files:
        return f"The figures above can be computed again from the files and the card’s values listed here, {by}."
    return (f"The figures above rest on the sittings’ files and the card’s values listed here, {by}. The hashes of the "
            "card, the list of resistors and the limits were not kept in this report.")  # fmt: skip


def listed_files(beside: Beside) -> tuple[FileItem, ...]:
    """Card, list of resistors and limits, with their hashes."""
    return tuple(_file(entry, "not kept") for entry in beside.files)


def session_files(session: Session, beside: Beside) -> tuple[FileItem, ...]:
    """A sitting's files as its descriptor lists them, and the descriptor."""
    own = beside.descriptors.get(session.name)
    broken = "not recorded: the session was not closed"
    return tuple(_file(entry, broken) for entry in (*session.files, *((own,) if own else ())))


def without_hash(session: Session) -> tuple[str, ...]:
    """Said of a sitting that was broken off: nothing shows that its files are still what was written."""
    if session.close:
        return ()
    return ("No SHA-256 of its readings, events and bytes was kept: the sitting was broken off before its files were "
            "closed, so nothing shows whether they were changed since.",)  # fmt: skip


def _file(entry: Mapping[str, Any], otherwise: str) -> FileItem:
    digest = plain(str(entry.get("hash") or "").removeprefix("sha256:"), 64)
    return FileItem(
        path=plain(entry.get("path") or "–"), rows=_count(entry.get("rows")), bytes=_count(entry.get("bytes")),
        digest=digest or otherwise,
    )  # fmt: skip


def _count(value: object) -> str:
    return f"{value:,}" if isinstance(value, int) and not isinstance(value, bool) else "–"


def inputs(radio: Radio) -> tuple[tuple[str, str], ...]:
    """The values of the card and of the list of resistors that findings rest on, as they are written there."""
    found = [(name, text) for table, names in _INPUTS.items() for name, text in _told(radio.card, table, names)]
    if not radio.card.frequency:
        found.append(("Frequency", "not on the card: 60 Hz is taken"))
    if radio.card.limits.strict:
        found.append(("Limits", "strict: children, or a damp place"))
    for entry in radio.burdens.burden:
        tolerance = plain(entry.tolerance, 20) or f"{UNLISTED_TOLERANCE * 100:g} % taken"
        found.append(("Resistor across the meter", f"{plain(entry.value, 40)}, ± {tolerance}"))
    return tuple(found)


def _told(card: RadioCard, table: str, names: Mapping[str, str]) -> list[tuple[str, str]]:
    part = getattr(card, table) if table else card
    if part in (CardLimits(), Transformer(), Board(), HeaterWinding()):
        return []  # a table that is not on the card
    return [(name, plain(value, 60)) for key, name in names.items() if (value := getattr(part, key)) not in ("", None)]
