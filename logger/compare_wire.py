"""The rows of a session against its bytes, decoded again by the profiles that it names."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from drivers.profile import Profile
from drivers.reading import Reading
from drivers.units import counted
from logger.cells import meter_of
from logger.rehear import Rehearing
from logger.scan import Scan, rows

if TYPE_CHECKING:
    from logger.keeping import Findings

#: elapsed_s is written with six decimals. [s]
_SAME_TIME = 1.5e-6
#: What the wire holds beyond a meter's last row was cut off by the end of the recording; no more than this. [s]
_CUT_OFF = 1.0


def compare(
    folder: Path, scans: Mapping[str, Scan], profiles: Mapping[str, Profile], cuts: Sequence[tuple[str, float]],
    findings: Findings, *, lenient: bool,
) -> dict[str, int]:  # fmt: skip
    """Rows that the wire bears out, by role; what it does not goes to the findings.

    Args:
        lenient: the session was interrupted, so that the wire may hold more than the rows.
    """
    heard = Rehearing(folder / "wire.csv", scans["wire.csv"].end, profiles, cuts)
    compared = dict.fromkeys(profiles, 0)
    last = dict.fromkeys(profiles, 0.0)
    newer: set[str] = set()
    stream = rows(folder / "readings.csv", scans["readings.csv"].end)
    next(stream, None)
    for number, row in enumerate(stream):
        role, channel = meter_of(row[2] if len(row) > 11 else "", profiles)
        elapsed = _number(row[1]) if role in profiles else None
        if elapsed is None:
            continue
        last[role] = max(last[role], elapsed)
        where = f"readings.csv, row {number}"
        reading = heard.next_of(role)
        while reading is not None and reading.elapsed < elapsed - _SAME_TIME:
            findings.problem(
                "wire", f"{where}: wire.csv holds a reading at {reading.elapsed:.6f} s before it, lost here"
            )
            reading = heard.next_of(role)
        if reading is None or reading.elapsed > elapsed + _SAME_TIME:
            findings.problem("wire", f"{where}: wire.csv holds no such reading")
            if reading is not None:
                heard.put_back(role, reading)
            continue
        fault = _difference(row, channel, reading)
        if fault:
            findings.problem("wire", f"{where}: {fault}")
        else:
            compared[role] += 1
        if not _same(row[8], reading.u, 1e-4):
            newer.add(role)
    for role in sorted(newer):
        findings.remarks.append(f"meter '{role}': its profile's accuracy lines are not those of the recording")
    _rest(heard, last, findings, lenient=lenient)
    for text in heard.problems:
        findings.problem("wire", text)
    return compared


def _rest(heard: Rehearing, last: Mapping[str, float], findings: Findings, *, lenient: bool) -> None:
    """Readings that the wire holds beyond the last rows."""
    cut, lost = dict.fromkeys(last, 0), dict.fromkeys(last, 0)
    for role, reading in heard.all():
        beyond = lenient or reading.elapsed <= last[role] + _CUT_OFF
        (cut if beyond else lost)[role] += 1
    for role, count in lost.items():
        if count:
            more = counted(count, "more reading")
            findings.problem("wire", f"meter '{role}': wire.csv holds {more} than readings.csv")
    for role, count in cut.items():
        if count:
            more = counted(count, "reading")
            findings.remarks.append(
                f"meter '{role}': wire.csv holds {more} beyond its last row, where the recording was cut"
            )


def _number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def _same(text: str, value: float | None, tolerance: float = 1e-9) -> bool:
    if value is None or not text:
        return value is None and not text
    found = _number(text)
    return found is not None and math.isclose(found, value, rel_tol=tolerance, abs_tol=1e-30)


def _difference(row: Sequence[str], channel: str, reading: Reading) -> str:
    if channel != reading.channel:
        return f"channel {channel[:40] or 'none'!r}, and wire.csv says {reading.channel or 'none'!r}"
    for place, name, value in ((5, "value", reading.value), (9, "range", reading.range),
                               (10, "resolution", reading.resolution)):  # fmt: skip
        if not _same(row[place], value):
            return f"{name} {row[place][:40] or 'empty'!r}, and wire.csv says {'empty' if value is None else value!r}"
    for place, name, word in ((3, "quantity", reading.quantity), (4, "coupling", reading.coupling),
                              (6, "unit", reading.unit), (7, "status", reading.status),
                              (11, "flags", " ".join(reading.flags))):  # fmt: skip
        if row[place] != word:
            return f"{name} {row[place][:40] or 'empty'!r}, and wire.csv says {str(word) or 'empty'!r}"
    return ""
