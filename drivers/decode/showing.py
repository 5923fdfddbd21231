"""What a meter's display shows, from its annunciators and digits: the rules that all display formats share.

The annunciators change seldom and the digits with every frame, so everything that the annunciators decide is worked
out once, in a `Display`; a frame then costs two table look-ups and one division.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from drivers.reading import UNITS, Coupling, Flag, Quantity, Reading, Status

#: Coefficients of a reading's standard uncertainty, u = slope · |value| + constant, for a quantity, coupling, full
#: scale and count; None where no accuracy line applies.
Fit = Callable[[Quantity, Coupling, float | None, float | None], tuple[float, float] | None]


def no_fit(_quantity: Quantity, _coupling: Coupling, _range: float | None, _count: float | None) -> None:
    """For a meter without accuracy lines."""


#: Annunciators that say what is measured.
QUANTITIES: dict[str, Quantity] = {
    "volt": Quantity.VOLTAGE,
    "ampere": Quantity.CURRENT,
    "ohm": Quantity.RESISTANCE,
    "farad": Quantity.CAPACITANCE,
    "hertz": Quantity.FREQUENCY,
    "celsius": Quantity.TEMPERATURE,
    "fahrenheit": Quantity.TEMPERATURE,
    "watt": Quantity.POWER,
    "percent": Quantity.RATIO,
    "hfe": Quantity.RATIO,
}
#: Powers of ten of the prefixes.
PREFIXES: dict[str, int] = {"pico": -12, "nano": -9, "micro": -6, "milli": -3, "kilo": 3, "mega": 6, "giga": 9}
#: Annunciators that change what the number is.
MODES = {"hold": Flag.HOLD, "relative": Flag.RELATIVE, "min": Flag.MIN, "max": Flag.MAX}
#: Annunciators that change nothing, and are passed on.
REMARKS = {"auto": Flag.AUTO, "low-battery": Flag.LOW_BATTERY}
_COUPLED = (Quantity.VOLTAGE, Quantity.CURRENT)
_UNIT_WORDS = {"V": "volt", "A": "ampere", "ohm": "ohm", "F": "farad", "Hz": "hertz", "degC": "celsius",
               "degF": "fahrenheit", "W": "watt", "%": "percent", "hFE": "hfe"}  # fmt: skip
_PREFIX_LETTERS = {"p": "pico", "n": "nano", "u": "micro", "m": "milli", "k": "kilo", "M": "mega", "G": "giga"}


def words(text: str) -> frozenset[str]:
    """The annunciators that a short text names: "mV ac auto" is milli, volt, ac, auto.

    Raises: ValueError: its first word is no unit.
    """
    unit, *rest = text.split()
    if unit in _UNIT_WORDS:
        return frozenset([_UNIT_WORDS[unit], *rest])
    if unit[:1] in _PREFIX_LETTERS and unit[1:] in _UNIT_WORDS:
        return frozenset([_PREFIX_LETTERS[unit[0]], _UNIT_WORDS[unit[1:]], *rest])
    raise ValueError(f"{text!r} does not begin with a unit such as 'mV', 'kohm' or 'degC'")


def scaled(count: int, exponent: int) -> float:
    """count · 10^exponent, rounded once: the float that the decimal text itself would give."""
    # Both operands are exact up to 10^22, so that one division or product is correctly rounded; 1174 * 1e-4 is not.
    return count / 10.0**-exponent if exponent < 0 else float(count * 10**exponent)


class _Scale:
    """What the place of the decimal point decides."""

    __slots__ = ("constant", "divisor", "factor", "range", "resolution", "slope")

    def __init__(self, exponent: int, full_scale: float | None, fit: tuple[float, float] | None) -> None:
        self.divisor = 10.0**-exponent if exponent < 0 else 0.0
        self.factor = 10**exponent if exponent >= 0 else 1
        self.resolution = scaled(1, exponent)
        self.range = full_scale
        self.slope, self.constant = fit if fit is not None else (-1.0, 0.0)  # below zero: no accuracy line


class Display:
    """A display with one set of annunciators lit."""

    __slots__ = ("_counts", "_exponent", "_fahrenheit", "_fit", "_scales", "channel", "coupling", "flags", "quantity",
                 "status", "unit")  # fmt: skip

    def __init__(self, lit: Iterable[str], counts: int | None, fit: Fit = no_fit, channel: str = "") -> None:
        lit = frozenset(lit)
        units = [word for word in QUANTITIES if word in lit]
        prefixes = [word for word in PREFIXES if word in lit]
        self.channel = channel
        self.quantity = _quantity(units, lit)
        self.coupling = _coupling(self.quantity, lit)
        conflict = len(units) > 1 or len(prefixes) > 1
        self.flags = _flags(self.quantity, self.coupling, lit, conflict=conflict)
        self.unit = UNITS[self.quantity] if self.quantity else ""
        self.status = Status.OK
        if any(word in lit for word in ("hold", "min", "max")):
            self.status = Status.HELD
        if conflict or self.quantity is None or "relative" in lit or "hfe" in lit:
            self.status = Status.INVALID
        self._exponent = PREFIXES[prefixes[0]] if prefixes else 0
        self._fahrenheit = "fahrenheit" in lit
        self._counts = counts
        self._fit = fit
        self._scales: dict[int, _Scale] = {}

    def _scale(self, places: int) -> _Scale:
        exponent = self._exponent - places
        full = None if self._counts is None or self._fahrenheit else scaled(self._counts, exponent)
        assert self.quantity is not None
        fit = self._fit(self.quantity, self.coupling, full, scaled(1, exponent))
        return self._scales.setdefault(places, _Scale(exponent, full, fit))

    def reading(self, elapsed: float, count: int, places: int) -> Reading:
        """The reading of `count` with so many digits after the point."""
        scale = self._scales.get(places) or self._scale(places)
        if self.status is Status.INVALID:
            return self.invalid(elapsed, scale)
        value = count / scale.divisor if scale.divisor else float(count * scale.factor)
        if self._fahrenheit:
            return self._from_fahrenheit(elapsed, value, scale)
        slope = scale.slope
        return Reading(
            elapsed=elapsed,
            quantity=self.quantity,  # type: ignore[arg-type]  # None makes the status invalid
            status=self.status,
            unit=self.unit,
            value=value,
            coupling=self.coupling,
            u=slope * abs(value) + scale.constant if slope >= 0.0 else None,
            range=scale.range,
            resolution=scale.resolution,
            flags=self.flags,
            channel=self.channel,
        )

    def _from_fahrenheit(self, elapsed: float, value: float, scale: _Scale) -> Reading:
        celsius, step = (value - 32.0) / 1.8, scale.resolution / 1.8
        fit = self._fit(Quantity.TEMPERATURE, Coupling.NONE, None, step)
        return Reading(elapsed=elapsed, quantity=Quantity.TEMPERATURE, status=self.status, unit="Cel", value=celsius,
                       u=fit[0] * abs(celsius) + fit[1] if fit else None, resolution=step, flags=self.flags,
                       channel=self.channel)  # fmt: skip

    def overload(self, elapsed: float, places: int | None = None) -> Reading:
        """Over range; `places` where the point still tells the range. A held or relative overload is not one now."""
        scale = None if places is None else self._scales.get(places) or self._scale(places)
        if self.status is not Status.OK:
            return self.invalid(elapsed, scale)
        return self._without_value(elapsed, Status.OVERLOAD, scale)

    def invalid(self, elapsed: float, scale: _Scale | None = None) -> Reading:
        """Something is shown, but it is no measured value."""
        return self._without_value(elapsed, Status.INVALID, scale)

    def _without_value(self, elapsed: float, status: Status, scale: _Scale | None) -> Reading:
        assert self.quantity is not None
        return Reading(elapsed=elapsed, quantity=self.quantity, status=status, unit=self.unit, coupling=self.coupling,
                       range=scale.range if scale else None, resolution=scale.resolution if scale else None,
                       flags=self.flags, channel=self.channel)  # fmt: skip


def _quantity(units: list[str], lit: frozenset[str]) -> Quantity | None:
    if not units:
        return None
    found = QUANTITIES[units[0]]
    if found is Quantity.VOLTAGE and "diode" in lit:
        return Quantity.DIODE
    if found is Quantity.RESISTANCE and "continuity" in lit:
        return Quantity.CONTINUITY
    return found


def _coupling(quantity: Quantity | None, lit: frozenset[str]) -> Coupling:
    if quantity not in _COUPLED:
        return Coupling.NONE
    if "ac" in lit:
        return Coupling.ACDC if "dc" in lit else Coupling.AC
    return Coupling.DC if "dc" in lit else Coupling.NONE


def _flags(quantity: Quantity | None, coupling: Coupling, lit: frozenset[str], *, conflict: bool) -> tuple[str, ...]:
    flags = [str(flag) for word, flag in (REMARKS | MODES).items() if word in lit]
    if quantity in _COUPLED and coupling is Coupling.NONE:
        flags.append(Flag.NO_COUPLING)
    if conflict:
        flags.append(Flag.UNIT_CONFLICT)
    # A sign whose meaning is the maker's own could change what the number is: show that it was lit.
    return tuple(flags + sorted(word for word in lit if word == "hfe" or word.startswith("maker-")))
