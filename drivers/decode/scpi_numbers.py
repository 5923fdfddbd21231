"""Numbers as IEEE 488.2 instruments send them: NR1, NR2, NR3, lists, and the special values of SCPI."""

from __future__ import annotations

import re
from typing import Literal

from drivers.decode.showing import Fit, no_fit
from drivers.decode.tables import Scpi
from drivers.framing import Skipped
from drivers.reading import UNITS, Coupling, Quantity, Reading, Status
from drivers.units import parse

#: One field of a reply: its value, or why it has none.
Number = float | Literal[Status.OVERLOAD, Status.INVALID]

_NUMBER = rb"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?"
_PLAIN = re.compile(rb"\s*" + _NUMBER + rb"\s*")
#: Letters behind the number; an E there is an exponent that lost its digits, and then there is no number.
_FIELD = re.compile(rb"\s*(" + _NUMBER + rb")\s*([A-DF-Za-df-z#%][A-Za-z0-9#%]*)?\s*")
#: Infinity is 9.9E37 and "not a number" 9.91E37; between them lies what both can be rounded to.
#: Source: SCPI-1999, volume 1, 7.2.1, as instruments' manuals state it.
_OVERLOAD_FROM = 9.895e37
_NAN_FROM = 9.905e37
#: Unit letters that may follow a number, and what they then say. Prefixes are none of SCPI's business here: MA may
#: be milli or mega, so a field with one has no value.
_SUFFIXES: dict[str, tuple[str, Coupling]] = {
    "V": ("V", Coupling.NONE), "VDC": ("V", Coupling.DC), "VAC": ("V", Coupling.AC),
    "A": ("A", Coupling.NONE), "ADC": ("A", Coupling.DC), "AAC": ("A", Coupling.AC),
    "OHM": ("Ohm", Coupling.NONE), "OHMS": ("Ohm", Coupling.NONE), "OHM4W": ("Ohm", Coupling.NONE),
    "HZ": ("Hz", Coupling.NONE), "F": ("F", Coupling.NONE), "C": ("Cel", Coupling.NONE), "W": ("W", Coupling.NONE),
}  # fmt: skip


def classify(value: float) -> Number:
    """The value, or what a special value stands for."""
    if -_OVERLOAD_FROM < value < _OVERLOAD_FROM:
        return value
    if value < 0:
        return Status.OVERLOAD
    return Status.OVERLOAD if value < _NAN_FROM else Status.INVALID


def parse_numbers(text: str) -> list[Number]:
    """The readings in a reply; empty if one of its fields is no number.

    Letters after a number are taken off. Where the first field has some, it is the reading and tells which others are:
    a time stamp or a count beside it carries other letters.
    """
    return [number for number, _ in _fields(text.encode("ascii", "replace")) or []]


def _fields(raw: bytes) -> list[tuple[Number, str]] | None:
    """Numbers with the letters behind them, or None if this is not a list of numbers."""
    found: list[tuple[Number, str]] = []
    for part in raw.strip().split(b","):
        match = _FIELD.fullmatch(part)
        if match is None:
            return None
        found.append((classify(float(match[1])), (match[2] or b"").decode("ascii").upper()))
    return [field for field in found if field[1] == found[0][1]]


class ScpiDecoder:
    """Reply lines of an instrument that was asked for one quantity."""

    def __init__(self, table: Scpi | None = None, fit: Fit = no_fit) -> None:
        table = table or Scpi()
        self._quantity, self._unit = table.quantity, UNITS[table.quantity]
        self._coupling = table.coupling if table.quantity in (Quantity.VOLTAGE, Quantity.CURRENT) else Coupling.NONE
        self._range = parse(table.range, self._unit) if table.range else None
        self._count = parse(table.resolution, self._unit) if table.resolution else None
        found = fit(self._quantity, self._coupling, self._range, self._count)
        self._slope, self._constant = found if found is not None else (-1.0, 0.0)
        self._prompts = frozenset(prompt.encode() for prompt in table.prompts)

    def __call__(self, raw: bytes, elapsed: float) -> list[Reading | Skipped]:
        if _PLAIN.fullmatch(raw):
            return [self._reading(classify(float(raw)), elapsed)]
        line = raw.strip()
        if not line or line in self._prompts:
            return []
        fields = _fields(line)
        if not fields:
            return [Skipped(raw, "not a list of numbers")]
        return [self._reading(number if self._fits(letters) else Status.INVALID, elapsed) for number, letters in fields]

    def _fits(self, letters: str) -> bool:
        """Whether the letters behind a number may stand behind a value of the quantity that was asked for."""
        if not letters:
            return True
        unit, coupling = _SUFFIXES.get(letters, ("", Coupling.NONE))
        return unit == self._unit and coupling in (Coupling.NONE, self._coupling)

    def _reading(self, number: Number, elapsed: float) -> Reading:
        if isinstance(number, Status):
            return Reading(elapsed=elapsed, quantity=self._quantity, status=number, unit=self._unit,
                           coupling=self._coupling, range=self._range, resolution=self._count)  # fmt: skip
        slope = self._slope
        return Reading(
            elapsed=elapsed,
            quantity=self._quantity,
            status=Status.OK,
            unit=self._unit,
            value=number,
            coupling=self._coupling,
            u=slope * abs(number) + self._constant if slope >= 0.0 else None,
            range=self._range,
            resolution=self._count,
        )


def encode(*values: float | Status, end: str = "\r\n") -> bytes:
    """A reply with these values, as an instrument of this kind sends them."""
    special = {Status.OVERLOAD: "+9.90000000E+37"}
    texts = [special.get(v, "+9.91000000E+37") if isinstance(v, Status) else f"{v:+.8E}" for v in values]
    return (",".join(texts) + end).encode("ascii")
