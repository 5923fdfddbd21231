"""The words that all three rooms share: readings, their quantities, couplings, statuses and flags."""

from __future__ import annotations

import re
from enum import StrEnum

import msgspec


def printable(text: str) -> str:
    """Text as one line that no terminal obeys and no reader is led astray by: what does not print is escaped."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)


class BenchError(Exception):
    """Root of all that a person at the bench has to be told; the parts are whole sentences, on one line."""

    def __init__(self, what: str, where: str = "", remedy: str = "") -> None:
        what, where, remedy = printable(what), printable(where), printable(remedy)
        super().__init__(what, where, remedy)  # all the arguments, so that copy and pickle keep working
        self.what, self.where, self.remedy = what, where, remedy

    def __str__(self) -> str:
        return " ".join(part for part in (self.what, self.where, self.remedy) if part)


class Quantity(StrEnum):
    """What a reading is of."""

    VOLTAGE = "voltage"
    CURRENT = "current"
    RESISTANCE = "resistance"
    CONTINUITY = "continuity"
    DIODE = "diode"
    FREQUENCY = "frequency"
    CAPACITANCE = "capacitance"
    TEMPERATURE = "temperature"
    POWER = "power"
    RATIO = "ratio"


class Coupling(StrEnum):
    """How the meter's input was coupled; `NONE` is unknown, or a quantity without coupling."""

    AC = "ac"
    DC = "dc"
    ACDC = "acdc"
    NONE = ""


class Status(StrEnum):
    """Whether the number can be believed, and why not."""

    OK = "ok"
    OVERLOAD = "overload"  #: the meter said that the value exceeds its range
    HELD = "held"  #: hold, minimum or maximum shown: a number, but not the value now
    INVALID = "invalid"  #: relative mode, a menu, or a frame that decodes to nothing


class Flag(StrEnum):
    """What else the meter showed beside the number."""

    AUTO = "auto"
    HOLD = "hold"
    RELATIVE = "relative"
    MIN = "min"
    MAX = "max"
    LOW_BATTERY = "low-battery"
    NO_COUPLING = "no-coupling"  #: volts or amperes with neither AC nor DC lit
    BAD_PARITY = "bad-parity"
    UNIT_CONFLICT = "unit-conflict"  #: two units lit at once


#: The UCUM code in which each quantity is kept.
UNITS: dict[Quantity, str] = {
    Quantity.VOLTAGE: "V",
    Quantity.CURRENT: "A",
    Quantity.RESISTANCE: "Ohm",
    Quantity.CONTINUITY: "Ohm",
    Quantity.DIODE: "V",
    Quantity.FREQUENCY: "Hz",
    Quantity.CAPACITANCE: "F",
    Quantity.TEMPERATURE: "Cel",
    Quantity.POWER: "W",
    Quantity.RATIO: "%",
}


def reason_of(exc: Exception) -> str:
    """Why a file could not be read or written, in words for a person."""
    if isinstance(exc, UnicodeDecodeError):
        return f"it is not UTF-8 text at byte {exc.start}"
    return " ".join(str(getattr(exc, "strerror", None) or exc).split()).rstrip(".")


#: How msgspec names a kind of value, and what a person calls it.
_KINDS = {"array": "a list", "object": "a table of its own", "str": "text in quotes", "int": "a whole number",
          "float": "a number", "bool": "true or false", "null": "nothing"}  # fmt: skip


def in_plain_words(message: str) -> tuple[str, str]:
    """What msgspec found wrong with a file's table, as a sentence for a person, and the key at which it is."""
    what, _, key = message.partition(" - at ")
    key = key.strip("`").removeprefix("$").removeprefix(".")
    if match := re.fullmatch(r"Expected `([^`]*)`, got `([^`]*)`", what):
        wanted, got = (" or ".join(_KINDS.get(kind, kind) for kind in part.split(" | ")) for part in match.groups())
        what = f"{wanted[:1].upper()}{wanted[1:]} has to stand there, not {got}"
    elif match := re.fullmatch(r"Object missing required field `([^`]*)`", what):
        what = f"The key {match[1]} is missing"
    elif match := re.fullmatch(r"Object contains unknown field `([^`]*)`", what):
        what = f"There is no key {match[1]}"
    elif match := re.fullmatch(r"Invalid enum value (.*)", what, re.S):
        what = f"{match[1]} is no word for that"
    return f"{what}.", key


class Reading(msgspec.Struct, frozen=True, kw_only=True):
    """One decoded value, as the meter showed it.

    A msgspec structure and not a dataclass: it is built once a frame on the hot path, at a fifth of the cost.
    """

    elapsed: float  #: arrival of the frame's last byte since the session began, monotonic [s]
    quantity: Quantity
    status: Status
    unit: str  #: UCUM code, no prefix
    value: float | None = None  #: in `unit`; None unless the status is OK or HELD
    coupling: Coupling = Coupling.NONE
    u: float | None = None  #: standard uncertainty, k=1, in `unit`; None without an accuracy line
    range: float | None = None  #: full scale, in `unit`; None if unknown
    resolution: float | None = None  #: one count, in `unit`; None if unknown
    flags: tuple[str, ...] = ()
    channel: str = ""  #: which of several values in one line or frame; empty for a meter with one

    def __post_init__(self) -> None:
        if (self.value is not None) != (self.status is Status.OK or self.status is Status.HELD):
            raise ValueError(f"a reading with status {self.status!s} cannot carry value {self.value!r}")
