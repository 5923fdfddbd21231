"""A data sheet's accuracy line becomes the standard uncertainty of one reading.

A line states limits without a confidence level: a value anywhere between them is as likely as any other, so that
u = half width / √3 (JCGM 100:2008, 4.3.7). The digits of the line hold the display's rounding already; it is not
added again. An average-responding meter needs no extra for a sine, which it is scaled for; for other waveforms no
accuracy line of it holds, and what to do then is the judge's business.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date

import msgspec

from drivers.profile import Accuracy, Profile, Trust
from drivers.reading import UNITS, Coupling, Quantity, Reading
from drivers.units import parse

#: The band of mains frequencies, which a reading without a known frequency is taken to be in. [Hz]
MAINS = (50.0, 60.0)
DAYS_A_YEAR = 365.25


class Line(msgspec.Struct, frozen=True, kw_only=True):
    """One accuracy line in numbers; half width = of_reading · |x| + digits · count + of_range · full scale."""

    quantity: Quantity
    coupling: Coupling = Coupling.NONE
    range: float | None = None  #: full scale that it holds for; None: every range
    of_reading: float = 0.0
    digits: float = 0.0
    of_range: float = 0.0
    frequency_min: float | None = None
    frequency_max: float | None = None
    count: float | None = None  #: one count, where the reading does not tell

    def half_width(self, full_scale: float | None, count: float | None) -> tuple[float, float] | None:
        """Slope and constant of the half width; None where the line needs what is not known."""
        count = count if count is not None else self.count
        full_scale = self.range if self.range is not None else full_scale
        if (self.digits and count is None) or (self.of_range and full_scale is None):
            return None
        return self.of_reading, self.digits * (count or 0.0) + self.of_range * (full_scale or 0.0)

    def holds_at(self, frequency: float | None) -> bool:
        """Whether the frequency, or all of the mains band where none is known, lies in the line's band."""
        low, high = MAINS if frequency is None else (frequency, frequency)
        above = self.frequency_min is None or self.frequency_min <= low
        return above and (self.frequency_max is None or high <= self.frequency_max)


def line_of(entry: Accuracy) -> Line:
    """A profile's line in numbers. Raises: UnitError: a quantity in it cannot be read."""
    unit = UNITS[entry.quantity]
    return Line(
        quantity=entry.quantity,
        coupling=entry.coupling,
        range=parse(entry.range, unit) if entry.range else None,
        of_reading=entry.of_reading,
        digits=entry.digits,
        of_range=entry.of_range,
        frequency_min=parse(entry.frequency_min, "Hz") if entry.frequency_min else None,
        frequency_max=parse(entry.frequency_max, "Hz") if entry.frequency_max else None,
        count=parse(entry.resolution, unit) if entry.resolution else None,
    )


def widening(trust: Trust, ambient: float | None, on: date | None) -> float:
    """Factor on every half width for the air's temperature [°C] and the age of the calibration; 1 where unknown."""
    factor = 1.0
    if ambient is not None:
        low, high = parse(trust.temperature_min, "Cel"), parse(trust.temperature_max, "Cel")
        factor += trust.temperature_adder * max(0.0, low - ambient, ambient - high)
    if on is not None and trust.calibrated:
        days = (on - date.fromisoformat(trust.calibrated)).days - trust.calibration_interval_days
        factor += trust.age_adder * max(0.0, days / DAYS_A_YEAR)
    return factor


class Accuracies:
    """The accuracy lines of one meter, under the conditions of one sitting."""

    def __init__(
        self,
        lines: Sequence[Line],
        trust: Trust | None = None,
        *,
        ambient: float | None = None,
        on: date | None = None,
        frequency: float | None = None,
    ) -> None:
        """
        Args:
            ambient: air temperature at the meter. [°C] None: inside the range that the lines hold for
            on: date of the sitting. None: the calibration is taken as in date
            frequency: of an AC value. [Hz] None: the mains
        """
        self._lines = lines
        self._frequency = frequency
        self._factor = widening(trust or Trust(), ambient, on) / math.sqrt(3.0)

    @classmethod
    def of(
        cls,
        profile: Profile,
        *,
        ambient: float | None = None,
        on: date | None = None,
        frequency: float | None = None,
    ) -> Accuracies:
        """Those of a profile."""
        lines = [line_of(entry) for entry in profile.accuracy]
        return cls(lines, profile.meter, ambient=ambient, on=on, frequency=frequency)

    def fit(
        self, quantity: Quantity, coupling: Coupling, full_scale: float | None, count: float | None
    ) -> tuple[float, float] | None:
        """Slope and constant of u = slope · |x| + constant; None where no line applies.

        A line for just this coupling and range goes before a general one. Where the range is not known and the
        lines are by range, and where several lines fit equally, the widest of them counts.
        """
        fitting = self._fitting(quantity, coupling, full_scale)
        widths = [line.half_width(full_scale, count) for line in fitting]
        known = [width for width in widths if width is not None]
        if not known or len(known) < len(widths):
            return None
        return max(slope for slope, _ in known) * self._factor, max(const for _, const in known) * self._factor

    def _fitting(self, quantity: Quantity, coupling: Coupling, full_scale: float | None) -> list[Line]:
        of_quantity = [x for x in self._lines if x.quantity == quantity and self._holds(x, coupling)]
        exact = [x for x in of_quantity if x.coupling == coupling]
        loose = [x for x in of_quantity if x.coupling is Coupling.NONE]
        # A meter that did not say AC or DC could have been on either.
        wanted = exact or loose or (of_quantity if coupling is Coupling.NONE else [])
        ranged = [x for x in wanted if _same_range(x.range, full_scale)]
        general = [x for x in wanted if x.range is None]
        if ranged or general:
            return ranged or general
        return wanted if full_scale is None else []

    def _holds(self, line: Line, coupling: Coupling) -> bool:
        return coupling is Coupling.DC or line.holds_at(self._frequency)

    def u(self, reading: Reading) -> float | None:
        """Standard uncertainty (k = 1) of a reading, in its unit; None without a value or a line."""
        if reading.value is None:
            return None
        found = self.fit(reading.quantity, reading.coupling, reading.range, reading.resolution)
        return None if found is None else found[0] * abs(reading.value) + found[1]


def _same_range(a: float | None, b: float | None) -> bool:
    """600 V of the data sheet and 599.9 V of the display are one range."""
    return a is not None and b is not None and math.isclose(a, b, rel_tol=0.01)
