"""The meters of the sittings, ready to be shown: what they are, and how much of what they showed is to be believed."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.coded import coded
from analysis.descriptor import PRACTICE
from analysis.meterinfo import AccuracyLine, MeterInfo, MeterInput
from analysis.report.text import exactly, moment, plain
from analysis.table import Session
from drivers.reading import UNITS, Quantity

_ISOLATION = {
    "optical": "optical: light only, no wire between meter and computer",
    "isolated": "isolated by the maker's statement",
    "none": "NOT isolated: computer and circuit are one",
    "no-link": "no data link: typed in, or played from a record",
}
_SIMULATED = "simulated bench: no instrument is behind its readings"
#: Said once beside the meters. Source: JCGM 100:2008, 4.3.7 and 6.2.1.
ACCURACY_NOTE = (
    "Accuracy lines for what each meter read, each with its source. U = 2 u (k = 2, about 95 %); u = limit of error / "
    "√3 (any value within the limits taken as equally likely), with the scatter where readings are averaged. ASSUMED: "
    "a default of the profile, not the maker’s figure. Where there is no line, the limit is taken as 3 % + 10 counts."
)
#: Quantity, coupling and range of what a meter read; no range where it was not told.
_Read = frozenset[tuple[str, str, float | None]]
#: Where each accuracy line of a profile is from.
LineSources = Mapping[tuple[str, AccuracyLine], str]


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterItem:
    """One meter of the sittings, ready to be shown."""

    role: str
    identity: str
    profile: str
    isolation: str
    category: str
    calibrated: str
    accuracy: tuple[str, ...]  #: the lines for what it read, each with its source
    input: tuple[str, ...]
    sessions: tuple[str, ...]


def meters(sessions: Sequence[Session], sources: LineSources) -> tuple[MeterItem, ...]:
    """Each meter once, with the sessions that it served in and what it read there."""
    found: dict[MeterInfo, list[str]] = {}
    read: dict[MeterInfo, set[tuple[str, str, float | None]]] = {}
    for session in sessions:
        told = _read(session)
        for role, meter in session.meters.items():
            found.setdefault(meter, []).append(plain(session.name))
            read.setdefault(meter, set()).update(told.get(role, ()))
    return tuple(_meter(meter, names, frozenset(read[meter]), sources) for meter, names in found.items())


def _read(session: Session) -> dict[str, set[tuple[str, str, float | None]]]:
    """What each meter of a sitting read; a channel counts as its meter's."""
    found: dict[str, set[tuple[str, str, float | None]]] = {}
    for group in coded(session).groups:
        meter = session.meter(group.texts["meter"])
        if meter is None:
            continue
        told = found.setdefault(meter.role, set())
        full = session.readings.numbers["range"][group.rows]
        first = np.ones(len(full), dtype=np.bool_)  # of a million rows few begin another range
        first[1:] = (full[1:] != full[:-1]) & ~(np.isnan(full[1:]) & np.isnan(full[:-1]))
        for value in full[first].tolist():
            range_ = value if math.isfinite(value) else None
            told.add((group.texts["quantity"], group.texts["coupling"], range_))
    return found


def _meter(meter: MeterInfo, names: list[str], read: _Read, sources: LineSources) -> MeterItem:
    typed = meter.profile == "typed"
    told = plain(meter.category, 60)
    category = f"not told: values were typed in ({told} is the profile’s own)" if typed and told else told
    return MeterItem(
        role=plain(meter.role, 40), identity=plain(meter.identity) or "not told by the meter",
        profile=plain(meter.profile, 60) or "–", isolation=_link(meter),
        category=category or "not recorded",
        calibrated=moment(meter.calibrated, clock=False) if meter.calibrated else "not recorded",
        accuracy=_accuracy(meter, read, sources), input=_inputs(meter, read), sessions=tuple(names),
    )  # fmt: skip


def _accuracy(meter: MeterInfo, read: _Read, sources: LineSources) -> tuple[str, ...]:
    """The lines that hold for what the meter read, each with where it is from."""
    if not read:
        return ("nothing was read with it",)
    used = [line for line in meter.accuracy if _holds(line, read)]
    return tuple(plain(f"{_line(line)}{_from(sources.get((meter.profile, line), ''))}", 330) for line in used)


def _from(origin: str) -> str:
    """Where a line is from, in the line itself; a default of the profile is no maker's figure, and says so."""
    assumed = ", ASSUMED" if "default" in origin else ""
    return f"{assumed}; source: {plain(origin, 160) or 'not recorded in the sitting'}"


def _link(meter: MeterInfo) -> str:
    """How the meter's data came to the program."""
    if meter.port.lower().startswith(PRACTICE):
        return _SIMULATED
    return _ISOLATION.get(meter.isolation, "not known: treat as none")


def _holds(line: AccuracyLine, read: _Read) -> bool:
    """Whether a line can have been used for one of the readings."""
    for quantity, coupling, full in read:
        alike = not line.coupling or line.coupling == coupling or {line.coupling, coupling} <= {"ac", "acdc", ""}
        ranged = line.range is None or full is None or math.isclose(line.range, full, rel_tol=1e-6)
        if line.quantity == quantity and alike and ranged:
            return True
    return False


def _line(line: AccuracyLine) -> str:
    unit = _unit(line.quantity)
    full = f", {exactly(line.range, unit)} range" if line.range else ""
    count = f"{line.digits:g} × {exactly(line.resolution, unit)}" if line.resolution else (
        f"{line.digits:g} counts of the last digit shown")  # fmt: skip
    parts = [f"{line.of_reading * 100:g} % of reading"] if line.of_reading or not line.digits else []
    return f"{_what(line.quantity, line.coupling)}{full}: ± ({' + '.join([*parts, count] if line.digits else parts)})"


def _inputs(meter: MeterInfo, read: _Read) -> tuple[str, ...]:
    """What the meter put across the circuit, for the quantities that it read."""
    kinds = {quantity for quantity, _, _ in read}
    if not kinds & {"voltage", "current"}:
        return ("no volts or amperes were read with it",)
    used = [entry for entry in meter.inputs if entry.quantity in kinds]
    return tuple(plain(_input(entry), 160) for entry in used)


def _input(entry: MeterInput) -> str:
    ohms = f": {exactly(entry.resistance, 'Ohm')}" if entry.resistance else ": input resistance not known"
    farads = f" with {exactly(entry.capacitance, 'F')}" if entry.capacitance else ""
    return f"{_what(entry.quantity, entry.coupling)}{ohms}{farads}"


def _what(quantity: str, coupling: str) -> str:
    return f"{quantity} {coupling.upper()}".strip()


def _unit(quantity: str) -> str:
    return str(UNITS[Quantity(quantity)]) if quantity in UNITS else ""
