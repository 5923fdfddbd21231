"""Decimal text with a prefixed unit, kept exact: "117.4" and "mV" are the float that 117.4e-3 is."""

from __future__ import annotations

from decimal import Decimal
from functools import lru_cache

from drivers.reading import Quantity
from drivers.units import split_unit

#: What a unit measures, where nothing else says it.
OF_UNIT = {"V": Quantity.VOLTAGE, "A": Quantity.CURRENT, "Ohm": Quantity.RESISTANCE, "F": Quantity.CAPACITANCE,
           "Hz": Quantity.FREQUENCY, "Cel": Quantity.TEMPERATURE, "W": Quantity.POWER, "%": Quantity.RATIO}  # fmt: skip

#: Power of ten of each prefix letter.
_EXPONENTS = {"p": -12, "n": -9, "u": -6, "µ": -6, "μ": -6, "m": -3, "k": 3, "K": 3, "M": 6, "G": 9}


@lru_cache(maxsize=256)
def exponent_and_unit(written: str) -> tuple[int, str] | None:
    """Power of ten and UCUM code of a unit as written ("mV", "kohm", "°C"), or None if it is none we know."""
    found = split_unit(written)
    if found is None:
        return None
    factor, code = found
    if factor == 1.0:
        return 0, code
    return (6 if written[:3].lower() == "meg" else _EXPONENTS[written[0]]), code


def shifted(text: str, exponent: int) -> float:
    """The float nearest to the decimal `text` times a power of ten."""
    if not exponent:
        return float(text)
    if "e" in text or "E" in text:
        return float(Decimal(text).scaleb(exponent))
    return float(f"{text}e{exponent}")


def last_place(text: str, exponent: int) -> float | None:
    """What one count of the last digit stands for; None for a number with its own exponent, which tells nothing."""
    if "e" in text or "E" in text:
        return None
    return float(f"1e{exponent - len(text.partition('.')[2])}")
