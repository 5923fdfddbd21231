"""Lines of text, read by a regular expression of the profile: microcontroller boards and odd loggers."""

from __future__ import annotations

import re
from dataclasses import dataclass
from operator import itemgetter

import msgspec

from drivers.decode.numerals import OF_UNIT, exponent_and_unit, last_place, shifted
from drivers.decode.showing import Fit, no_fit
from drivers.decode.tables import Field, TextLine
from drivers.framing import Skipped
from drivers.reading import UNITS, Coupling, Flag, Quantity, Reading, Status
from drivers.units import counted, parse

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?")
_COUPLED = (Quantity.VOLTAGE, Quantity.CURRENT)
_AFTER_UNIT = re.compile(r"^(?P<unit>.*[VA])(?P<coupling>dc|ac|DC|AC)$")
_LARGEST_CACHE = 1024


#: Beyond this a number is a fault of the line.
_LARGEST = 1e300


@dataclass(frozen=True, slots=True, eq=False)  # each is told by its identity: it is a key on the hot path
class _Kind:
    """What a value is, from the words round it."""

    quantity: Quantity
    coupling: Coupling
    unit: str
    exponent: int
    channel: str
    resolution: float | None
    flags: tuple[str, ...]


def starts_with_a_label(pattern: str) -> bool:
    """Whether the pattern is tied to the line's start by a letter: a line without its head then cannot match it."""
    return re.match(r"\^[A-Za-z]", pattern) is not None


#: The groups that say what a value is, in the order that the decoder keeps them.
_WORD_GROUPS = ("unit", "quantity", "coupling", "channel")
#: Unit, quantity, coupling and channel of a value, as the line has them.
_Words = tuple[str | None, ...]


class TextLineDecoder:
    """Decodes one line after another; it keeps what each set of words meant."""

    def __init__(self, table: TextLine, fit: Fit = no_fit) -> None:
        self._table = table
        self._fit = fit
        self._pattern = re.compile(table.pattern)
        groups = self._pattern.groupindex
        # A group that the pattern lacks is the None put behind the others.
        self._pick = itemgetter(*(groups.get(name, 0) - 1 for name in ("value", *_WORD_GROUPS)))
        self._named = "channel" in groups
        self._over = frozenset(word.lower() for word in table.overload)
        self._kinds: dict[_Words, _Kind | str] = {}
        self._steps: dict[tuple[_Kind, int], tuple[float | None, float, float]] = {}

    def __call__(self, raw: bytes, elapsed: float) -> list[Reading | Skipped]:
        line = raw.decode("utf-8", "replace").strip()
        if not line:
            return []
        found = self._from_json(line) if line[0] == "{" else self._from_text(line)
        if not found:
            return [Skipped(raw, "no value in the line")]
        if self._table.fields is not None and len(found) != self._table.fields:
            return [Skipped(raw, f"{counted(len(found), 'value')}, expected {self._table.fields}")]
        out: list[Reading | Skipped] = []
        why = ""
        for text, words in found:
            kind = self._kinds.get(words) or self._kind(words)
            if isinstance(kind, str):
                why = why or kind
            else:
                out.append(self._reading(kind, text, elapsed))
        # An unknown field among known ones, such as a time stamp, is left out; a line counts as skipped only if
        # nothing of it was read.
        return out or [Skipped(raw, why)]

    def _from_text(self, line: str) -> list[tuple[str, _Words]]:
        """Each value with its words; where no group names a channel, its place in the line does."""
        out: list[tuple[str, _Words]] = []
        for match in self._pattern.finditer(line):
            value, unit, quantity, coupling, channel = self._pick((*match.groups(), None))
            if not self._named:
                channel = str(len(out) + 1)
            out.append((value or "", (unit, quantity, coupling, channel)))
        return out

    def _from_json(self, line: str) -> list[tuple[str, _Words]]:
        try:
            data = msgspec.json.decode(line, type=dict[str, object])
        except (msgspec.DecodeError, UnicodeError, RecursionError):
            return []
        return [(repr(value), (None, None, None, key)) for key, value in data.items()
                if isinstance(value, (int, float)) and not isinstance(value, bool)]  # fmt: skip

    def _kind(self, words: _Words) -> _Kind | str:
        if len(self._kinds) >= _LARGEST_CACHE:
            self._kinds.clear()
            self._steps.clear()
        kind = self._kinds[words] = self._work_out(*[word or "" for word in words])
        return kind

    def _work_out(self, unit: str, quantity: str, coupling: str, channel: str) -> _Kind | str:
        """What the words mean together, or why the value is not recorded."""
        table = self._table
        field = table.channels.get(channel, table.channels.get("*"))
        if table.channels and field is None:
            return f"channel {channel} is not in the profile"
        said = f"{table.words.get(quantity, quantity)} {table.words.get(coupling, coupling)}".lower().split()
        if match := _AFTER_UNIT.match(unit):
            unit = match["unit"]
            said.append(match["coupling"].lower())
        written = unit.strip() or (field.unit if field else "")
        known = exponent_and_unit(written) if written else None
        if written and known is None:
            return f"unknown unit {written}"
        # An entry for any channel gives what the line leaves out; one for this channel says what it must be.
        loose = channel not in table.channels and unit != ""
        found = _quantity(said, None if loose else field, known[1] if known else "")
        if not isinstance(found, Quantity):  # a Quantity is text too
            return found
        if known and known[1] != UNITS[found]:
            return f"unit {written} where {found.value} was expected"
        how = _coupling(said, field) if found in _COUPLED else Coupling.NONE
        only = not self._named and (table.fields == 1 or not table.channels)
        step = parse(field.resolution, UNITS[found]) if field and field.resolution else None
        flags = (Flag.NO_COUPLING,) if found in _COUPLED and how is Coupling.NONE else ()
        name = "" if only and channel == "1" else channel
        return _Kind(found, how, UNITS[found], known[0] if known else 0, name, step, flags)

    def _reading(self, kind: _Kind, text: str, elapsed: float) -> Reading:
        if self._table.decimal_comma:
            text = text.replace(",", ".")
        if _NUMBER.fullmatch(text):
            value = shifted(text, kind.exponent) if kind.exponent else float(text)
            if -_LARGEST < value < _LARGEST:
                step, slope, constant = self._step(kind, text)
                return Reading(
                    elapsed=elapsed,
                    quantity=kind.quantity,
                    status=Status.OK,
                    unit=kind.unit,
                    value=value,
                    coupling=kind.coupling,
                    u=slope * abs(value) + constant if slope >= 0.0 else None,
                    resolution=step,
                    flags=kind.flags,
                    channel=kind.channel,
                )
        over = text.strip().lower().lstrip("+-") in self._over
        return Reading(elapsed=elapsed, quantity=kind.quantity, status=Status.OVERLOAD if over else Status.INVALID,
                       unit=kind.unit, coupling=kind.coupling, flags=kind.flags, channel=kind.channel)  # fmt: skip

    def _step(self, kind: _Kind, text: str) -> tuple[float | None, float, float]:
        """One count, and slope and constant of the uncertainty (slope below zero: no accuracy line)."""
        dot = text.find(".")
        places = -1 if "e" in text or "E" in text else len(text) - dot - 1 if dot >= 0 else 0
        known = self._steps.get((kind, places))
        if known is None:
            step = kind.resolution or last_place(text, kind.exponent)
            fit = self._fit(kind.quantity, kind.coupling, None, step)
            known = self._steps[kind, places] = (step, *(fit or (-1.0, 0.0)))
        return known


def _quantity(said: list[str], field: Field | None, unit: str) -> Quantity | str:
    """From the words of the line, else the profile's channel, else the unit."""
    named = [Quantity(word) for word in said if word in Quantity.__members__.values()]
    if named:
        return named[0]
    if unknown := [word for word in said if word not in ("ac", "dc", "acdc")]:
        return f"unknown word {unknown[0]}"
    if field is not None:
        return field.quantity
    return OF_UNIT.get(unit) or ("a value without unit" if not unit else f"unit {unit} is not recorded")


def _coupling(said: list[str], field: Field | None) -> Coupling:
    both = {"ac", "dc"}.intersection(said)
    if "acdc" in said or len(both) == 2:
        return Coupling.ACDC
    return Coupling(both.pop()) if both else field.coupling if field else Coupling.NONE


def encode(*fields: tuple[str, str, str], between: str = ",", end: str = "\r\n") -> bytes:
    """A line of (label, number, unit) fields, such as ("V:", "12.34", "") or ("", "117.4", " mV")."""
    return (between.join(f"{label}{number}{unit}" for label, number, unit in fields) + end).encode("utf-8")
