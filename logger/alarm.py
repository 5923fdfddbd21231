"""The alarm: each reading of a touch point against its limit as it arrives. Pure; the bell is the screen's.

It does not judge: it warns at once, from one raw reading, while the judgement later weighs uncertainty and proof.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from analysis.card import RESERVED
from analysis.limits import Limit, TouchLimits
from drivers.reading import Coupling, Quantity, Reading, Status
from drivers.units import UnitError, parse, show

#: A larger burden pulls nothing down: its volts are those of the meter alone. [Ω] Source: own choice.
LARGEST = 10e6
#: A value must fall this far below the limit before the alarm ends, so that it does not flutter. Source: own choice.
HYSTERESIS = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm:
    """One change of the alarm."""

    on: bool
    meter: str
    point: str
    elapsed: float
    text: str  #: for a person, in words
    value: float | None  #: as it meets the limit; None: overload
    unit: str
    limit: float
    severe: bool = False  #: at or above the upper boundary too, or an overload
    place: tuple[str, ...] = ()  #: point, plug and switch

    @property
    def detail(self) -> dict[str, str]:
        """For the events file."""
        shown = "overload" if self.value is None else f"{self.value:.6g}"
        return {"state": "on" if self.on else "off", "point": self.point, "value": shown, "unit": self.unit,
                "limit": f"{self.limit:.6g}"}  # fmt: skip


class AlarmWatch:
    """Watches the readings of all meters; one alarm a meter or channel at most."""

    def __init__(self, limits: TouchLimits) -> None:
        self._limits = limits
        self.active: dict[str, Alarm] = {}  #: by meter, and channel where it has several

    def feed(self, meter: str, reading: Reading, tags: Mapping[str, str]) -> Alarm | None:
        """One reading with the tags in force; what changed, if anything did.

        An alarm ends by volts of the same point in the same state, or when another point or state is read: then it says
        that nobody knows whether the first is still live.
        """
        meter = f"{meter}.{reading.channel}" if reading.channel else meter
        before = self.active.get(meter)
        state = tuple(tags.get(name, "") for name in ("point", "plug", "switch"))
        place = (*state, str(reading.coupling))  # 0 V DC says nothing of the AC there, nor AC alone of AC with DC
        moved = (
            before is not None
            and (before.place[:3] != state or reading.quantity is Quantity.VOLTAGE)
            and (before.place != place)
        )
        if reading.quantity is not Quantity.VOLTAGE or place[0] in RESERVED:
            return self._left(meter, reading) if moved else None
        if reading.status in (Status.HELD, Status.INVALID):
            return None  # no value: what was before still holds
        made = self._against(meter, reading, place, tags)
        if made.value is not None:
            edge = made.limit * (1 - HYSTERESIS) if before is not None and not moved else made.limit
            if made.value < edge:
                if before is None:
                    return None
                return self._left(meter, reading) if moved else self._end(meter, reading, made)
        self.active[meter] = made
        return None if before is not None and not moved and before.severe >= made.severe else made

    def _end(self, meter: str, reading: Reading, made: Alarm) -> Alarm:
        before = self.active[meter]
        if made.unit == "A" and made.value is not None:
            limit = show(made.limit, "A")
            said = f"{show(made.value, 'A')} through the burden, below {limit}. The metal may still be live."
            return self._off(meter, reading, f"{before.point}: {said}")
        return self._off(meter, reading, f"{before.point}: no longer above the limit on meter '{meter}'.")

    def _left(self, meter: str, reading: Reading) -> Alarm:
        before = self.active[meter]
        last = "beyond the meter's range" if before.value is None else show(before.value, before.unit)
        return self._off(meter, reading, f"{before.point}: not read any more, last {last}. It may still be live.")

    def _off(self, meter: str, reading: Reading, text: str) -> Alarm:
        before = self.active.pop(meter)
        return Alarm(
            on=False, meter=meter, point=before.point, elapsed=reading.elapsed, value=reading.value, unit=reading.unit,
            limit=before.limit, text=text, place=before.place,
        )  # fmt: skip

    def _against(self, meter: str, reading: Reading, place: tuple[str, ...], tags: Mapping[str, str]) -> Alarm:
        dc = reading.coupling is Coupling.DC
        volts = _lower(self._limits.voltage_dc if dc else self._limits.voltage_ac)
        ohms = _ohms(tags.get("burden", ""))
        limit, value, unit = volts, None if reading.value is None else abs(reading.value), "V"
        if ohms is not None:
            limit, unit = _lower(self._limits.current_dc if dc else self._limits.current_ac), "A"
            value = None if value is None else value / ohms
        severe = value is None or value >= limit.upper
        return Alarm(
            on=True, meter=meter, point=place[0], elapsed=reading.elapsed, value=value, unit=unit, limit=limit.value,
            severe=severe, text=_words(place[0], value, unit, limit, dc=dc, burden=ohms is not None), place=place,
        )  # fmt: skip


def _lower(limit: Limit) -> Limit:
    """A limit that the card raised warns where it stood before."""
    return replace(limit, value=min(limit.value, limit.default))


def _words(point: str, value: float | None, unit: str, limit: Limit, *, dc: bool, burden: bool) -> str:
    shown = "beyond the meter's range" if value is None else f"{show(value, unit)} {'DC' if dc else 'AC'}"
    through = " through the burden" if burden else ""
    return f"{point} is LIVE: {shown}{through}, limit {show(limit.value, unit)}. Hands off."


def _ohms(burden: str) -> float | None:
    """The burden across the meter; None for the meter alone, or for a text that is no resistance."""
    if not burden or burden.strip().lower() == "none":
        return None
    try:
        ohms = parse(burden, "Ohm")
    except UnitError:
        return None
    return ohms if 0 < ohms <= LARGEST else None
