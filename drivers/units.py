"""Quantities as people write them, the one pint registry, and values as people read them.

Plain SI text ("112 mA", "4.7 kohm") is parsed by a table, since building pint's registry costs more than starting the
rest of the program; everything else a person may write ("70 degF", "2 minutes") goes to pint.
"""

from __future__ import annotations

import math
import re
from functools import cache, lru_cache
from typing import TYPE_CHECKING

from drivers.reading import BenchError

if TYPE_CHECKING:
    import pint

#: SI prefixes by the letter that stands before the unit. Source: SI Brochure, 9th edition, table 7.
PREFIXES: dict[str, float] = {
    "": 1.0, "p": 1e-12, "n": 1e-9, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "m": 1e-3, "k": 1e3, "K": 1e3, "M": 1e6, "G": 1e9,
}  # fmt: skip

#: Spellings of each unit, by its UCUM code. `VA` is UCUM's V.A, written as the trade writes it.
_SPELLINGS: dict[str, tuple[str, ...]] = {
    "V": ("V", "volt", "volts"),
    "A": ("A", "amp", "amps", "ampere", "amperes"),
    "Ohm": ("Ohm", "ohm", "ohms", "OHM", "Ω", "Ω"),
    "F": ("F", "farad", "farads"),
    "Hz": ("Hz", "hz", "HZ"),
    "W": ("W", "watt", "watts"),
    "VA": ("VA",),
    "Cel": ("°C", "degC", "Cel", "℃"),
    "K": ("K", "kelvin"),
    "s": ("s", "sec", "second", "seconds"),
    "dB": ("dB", "db"),
    "%": ("%",),
}
_UNIT_OF = {spelling: code for code, spellings in _SPELLINGS.items() for spelling in spellings}
#: Units that take no prefix, so that "mK" is not read as a prefix where none is meant.
_BARE = {"Cel", "dB", "%"}
_PINT_NAMES = {"V": "volt", "A": "ampere", "Ohm": "ohm", "F": "farad", "Hz": "hertz", "W": "watt", "VA": "volt_ampere",
               "Cel": "degC", "K": "kelvin", "s": "second"}  # fmt: skip
_WORDS = {
    "V": "volts, such as '230 V'", "A": "amperes, such as '112 mA'", "Ohm": "ohms, such as '4.7 kohm'",
    "F": "farads, such as '1000 uF'", "Hz": "hertz, such as '50 Hz'", "W": "watts, such as '5 W'",
    "VA": "volt-amperes, such as '3 VA'", "Cel": "a temperature, such as '21 degC'",
    "K": "a temperature difference, such as '60 K'", "s": "a time, such as '30 s'", "dB": "decibels, such as '3 dB'",
    "%": "a percentage, such as '1 %'",
}  # fmt: skip
_TEXT = re.compile(r"\s*(?P<number>[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?)\s*(?P<unit>[^\s\d].*?)?\s*", re.S)

#: A number written with a comma, or in groups.
_PARTED = re.compile(r"\d[,'’ ]\d")


class UnitError(BenchError):
    """A quantity that cannot be read, or that has another dimension than was asked for."""


@cache
def registry() -> pint.UnitRegistry[float]:
    """The one pint registry, built on first use."""
    import pint

    return pint.UnitRegistry(autoconvert_offset_to_baseunit=True)


def split_unit(unit: str) -> tuple[float, str] | None:
    """Prefix factor and UCUM code of a unit as written, or None if the table does not have it."""
    if (code := _UNIT_OF.get(unit)) is not None:
        return 1.0, code
    for prefix, rest in ((unit[:1], unit[1:]), ("M" if unit[:3].lower() == "meg" else "", unit[3:])):
        code = _UNIT_OF.get(rest)
        if prefix in PREFIXES and prefix and code is not None and code not in _BARE:
            return PREFIXES[prefix], code
    return None


@lru_cache(maxsize=1024)
def parse(text: str, unit: str) -> float:
    """The number that `text` states, in the UCUM unit `unit` without prefix (temperatures in °C, `%` as it stands).

    Raises: UnitError: not a quantity, no unit, or another dimension; the message says what was expected.
    """
    parted = ", with a decimal point and no spaces" if _PARTED.search(text) else ""
    expected = f"Expected {_WORDS.get(unit, unit)}{parted}."
    match = _TEXT.fullmatch(text) if len(text) <= 100 else None
    if match is None:
        raise UnitError(f"{text[:60]!r} is not a quantity.", remedy=expected)
    written = match["unit"]
    if written is None:
        raise UnitError(f"{text!r} has no unit.", remedy=expected)
    found = split_unit(written)
    if found is not None and found[1] == unit:
        value = float(match["number"]) * found[0]
        if found[0] != 1.0:  # 112 mA as 0.112, not 0.11200000000000002
            value = float(f"{value:.15g}")
    elif found is not None and (found[1], unit) != ("K", "Cel"):  # a difference is no temperature
        raise UnitError(f"{text!r} is in {found[1]}.", remedy=expected)
    else:
        value = _parse_by_pint(match["number"], written, unit, text, expected)
    if not math.isfinite(value):
        raise UnitError(f"{text!r} is not a finite number.", remedy=expected)
    return value


def _parse_by_pint(number: str, written: str, unit: str, text: str, expected: str) -> float:
    name = _PINT_NAMES.get(unit)
    if name is None or unit == "K":  # pint would take a temperature on any scale for a difference
        raise UnitError(f"{text!r} is in an unknown unit.", remedy=expected)
    try:
        quantity = registry().Quantity(float(number), written)
        return float(quantity.to(name).magnitude)
    except Exception as exc:
        raise UnitError(f"{text!r} cannot be read.", remedy=expected) from exc


def parse_fraction(text: str) -> float:
    """The fraction that a percentage states: "1 %" is 0.01. Raises: UnitError: not a percentage, or negative."""
    value = parse(text, "%") / 100
    if value < 0:
        raise UnitError(f"{text!r} is negative.", remedy="Expected a percentage, such as '1 %'.")
    return value


def same(a: str, b: str, unit: str) -> bool:
    """Whether two texts state the same quantity ("0.1 Mohm" and "100 kohm"); unreadable text equals only itself."""
    try:
        return math.isclose(parse(a, unit), parse(b, unit), rel_tol=1e-9)
    except UnitError:
        return a == b


def _engineering(value: float, unit: str) -> tuple[float, str]:
    """Factor and unit with the engineering prefix that puts 1 to 999 before the point."""
    if unit in _BARE or value == 0 or not math.isfinite(value):
        return 1.0, print_unit(unit)
    exponent = min(9, max(-12, math.floor(math.log10(abs(value)) / 3 + 1e-12) * 3))
    letter = {-12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}[exponent]
    return 10.0**-exponent, letter + print_unit(unit)


def print_unit(unit: str) -> str:
    """A UCUM code as people write it."""
    return {"Ohm": "Ω", "Cel": "°C"}.get(unit, unit)


def _places(step: float) -> int:
    """Decimals needed to show a multiple of `step`."""
    return max(0, min(12, -math.floor(math.log10(step) + 1e-9)))


def show(value: float, unit: str, resolution: float | None = None) -> str:
    """`value` for a person, with an engineering prefix, to the resolution (else to four significant digits)."""
    if not resolution:
        value = float(f"{value:.3e}")  # 999.96 is 1.000 k, and not 1000.0
    factor, name = _engineering(max(abs(value), resolution or 0.0), unit)
    scaled = value * factor
    if resolution:
        places = _places(resolution * factor)
    else:
        places = 0 if scaled == 0 else max(0, min(9, 3 - math.floor(math.log10(abs(scaled)))))
    text = f"{scaled:.{places}f}"
    return f"{text.removeprefix('-') if float(text) == 0 else text} {name}"


def show_pm(value: float, expanded: float | None, unit: str) -> str:
    """`value ± U` for a person: U to two significant digits, the value to the same place (JCGM 100, 7.2.6)."""
    if expanded is None or not math.isfinite(expanded) or expanded <= 0:
        return show(value, unit)
    factor, name = _engineering(max(abs(value), expanded), unit)
    magnitude = math.floor(math.log10(expanded * factor))
    rounded = round(expanded * factor, 1 - magnitude)
    places = max(0, 1 - math.floor(math.log10(rounded) + 1e-12))
    return f"{value * factor:.{places}f} ± {rounded:.{places}f} {name}"


def counted(number: int, noun: str, grouped: str = "") -> str:
    """A number with its noun: 1 reading, 0 readings, 2 more stretches; `grouped` with ",": 12,000 readings."""
    ending = "" if number == 1 else "es" if noun.endswith("ch") else "s"
    return f"{number:{grouped}} {noun}{ending}"
