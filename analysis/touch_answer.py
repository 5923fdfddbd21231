"""One state's touch judgement from its readings alone: voltage first, then the current, in words for an owner.

A session's points are judged in `analysis.touchable`, with proof of the chain and every state; here are typed-in
numbers of one state, which prove nothing of the chain. The table of levels is the same.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from analysis.finding import Level
from analysis.judge import COVERAGE
from analysis.limits import Limit, TouchLimits
from analysis.touch import BurdenReading, MeterInput, TouchBounds, bound_touch_current, loading_guard, touch_level
from drivers.units import show, show_pm


@dataclass(frozen=True, slots=True, kw_only=True)
class TouchAnswer:
    """What the readings of one state come to."""

    level: Level
    by: str  #: what decided: `voltage` `current` `no-burden` `no-unloaded`
    bounds: TouchBounds
    voltage_limit: Limit
    current_limit: Limit
    statement: str  #: two or three sentences for a person
    advice: str

    def to_json(self) -> dict[str, Any]:
        """The calculator's document."""
        return {
            "open_circuit_V": self.bounds.open_circuit.to_json(),
            "source_impedance_ohm": self.bounds.source_impedance.to_json(),
            "touch_current_A": self.bounds.current.to_json(),
            "hard_connection": self.bounds.hard_connection,
            "level": str(self.level),
            "limit_A": self.current_limit.value,
            "limit_source": self.current_limit.source,
            "expanded_uncertainty_A": self.bounds.expanded_uncertainty,
            "decided_by": self.by,
            "limit_V": self.voltage_limit.value,
            "voltage_limit_source": self.voltage_limit.source,
            "statement": self.statement,
            "advice": self.advice,
            "reasons": list(self.bounds.reasons),
        }


def answer_touch(
    readings: Sequence[BurdenReading], *, meter: MeterInput | None, frequency: float | None, limits: TouchLimits
) -> TouchAnswer:
    """Judge one state from its readings under different burdens.

    Args:
        readings: at least one, all of one state, by one meter.
        meter: its input; None: not known.
        frequency: [Hz]; None: DC.
        limits: those in force.
    Raises: ValueError: no reading, or a frequency that is not above zero.
    Source: the limits name theirs; IEC 62368-1:2018, 5.2: a part is limited by voltage or by current.
    """
    bounds = bound_touch_current(readings, meter=meter, frequency=frequency)
    volts = limits.voltage_dc if frequency is None else limits.voltage_ac
    amperes = limits.current_dc if frequency is None else limits.current_ac
    reach = max(_raised(r, meter, frequency, volts, amperes) for r in readings)
    level, by = _level(readings, bounds, reach, volts, amperes)
    return TouchAnswer(
        level=level,
        by=by,
        bounds=bounds,
        voltage_limit=volts,
        current_limit=amperes,
        statement=_statement(readings, bounds, by, level, reach, volts, amperes),
        advice=_advice(bounds, by, level, amperes),
    )


def _raised(
    reading: BurdenReading, meter: MeterInput | None, frequency: float | None, volts: Limit, amperes: Limit
) -> float:
    """|V| + U, raised for the meter's loading (a burden's own loading is what it is for). [V]"""
    reach = abs(reading.value) + COVERAGE * reading.u
    return reach + loading_guard(reach, meter, frequency, volts.value, amperes.value)


def _level(
    readings: Sequence[BurdenReading], bounds: TouchBounds, reach: float, volts: Limit, amperes: Limit
) -> tuple[Level, str]:
    """The table of levels. A raised limit never yields `within`: the default decides where only it would."""
    loaded = {reading.burden for reading in readings if reading.burden is not None}
    alone = any(reading.burden is None for reading in readings)
    below = reach < min(volts.value, volts.default)
    if not alone:
        level = touch_level(bounds, amperes)
        hidden = len(loaded) > 1 and (bounds.open_circuit.high is None or bounds.open_circuit.high >= volts.value)
        bad = level is not Level.WITHIN and (not below or hidden)
        return (level, "current") if bad else (Level.UNDECIDED, "no-unloaded")
    if below:
        return Level.WITHIN, "voltage"
    if not loaded:
        return (Level.DANGER if reach >= volts.upper else Level.CAUTION), "no-burden"
    return touch_level(bounds, amperes), "current"


def figure(value: float, unit: str, expanded: float = 0.0) -> str:
    """A value to the second digit of its U, and to three digits at most."""
    if value == 0:
        return show(value, unit)
    place = math.floor(math.log10(abs(value))) - 2
    if expanded > 0:
        place = max(place, math.floor(math.log10(expanded)) - 1)
    return show(value, unit, 10.0**place)


def _listed(readings: Sequence[BurdenReading]) -> str:
    def one(reading: BurdenReading) -> str:
        across = "the meter alone" if reading.burden is None else figure(reading.burden, "Ohm")
        return f"{show_pm(reading.value, COVERAGE * reading.u, 'V')} with {across}"

    return ", ".join(one(reading) for reading in readings)


def _statement(
    readings: Sequence[BurdenReading], bounds: TouchBounds, by: str, level: Level, reach: float, volts: Limit,
    amperes: Limit,
) -> str:  # fmt: skip
    parts = [f"It read {_listed(readings)}."]
    limit = f"the voltage limit of {figure(volts.value, 'V')}"
    if by == "voltage":
        parts.append(
            f"With the meter's own loading and uncertainty that is at most {figure(reach, 'V')}, below {limit}."
        )
    elif by == "no-burden":
        parts.append(
            f"That can reach {figure(reach, 'V')}, at or above {limit}; the meter alone cannot tell a hard connection "
            "from stray capacitance."
        )
    elif by == "no-unloaded":
        parts.append("Readings across a burden alone do not show how high the point stands when nothing loads it.")
    else:
        parts += _current_words(bounds, level, amperes)
    return " ".join(parts)


def _current_words(bounds: TouchBounds, level: Level, amperes: Limit) -> list[str]:
    worst = bounds.most
    words = []
    if not bounds.consistent:
        words.append("The readings contradict each other, so the worst that they allow is taken.")
    elif bounds.hard_connection:
        words.append("The burden does not rule out a hard connection: what lies behind the point can be below 10 kΩ.")
    elif level is Level.WITHIN:
        words.append("The voltage collapses under the burden: what lies behind the point can drive little.")
    else:
        words.append("The burden pulls the voltage down, but what lies behind the point can still drive a current.")
    place = {
        Level.WITHIN: "within the limit by current, though not by voltage",
        Level.CAUTION: "not below the limit",
    }.get(level, f"not below the upper boundary of {figure(amperes.upper, 'A')}")
    words.append(
        f"A person would draw up to {figure(worst, 'A')}, uncertainty counted; that is {place} "
        f"(limit {figure(amperes.value, 'A')})."
    )
    return words


def _advice(bounds: TouchBounds, by: str, level: Level, amperes: Limit) -> str:
    if by == "no-burden":
        return (
            "Read again with 100 kΩ across the meter, then with 10 kΩ if that stays low; see that the resistor can "
            "stand the heat, V²/R."
        )
    if by == "no-unloaded":
        return "Read the same state with the meter alone too."
    if not bounds.consistent:
        return "Take all readings of this state again, one after the other."
    if level is Level.DANGER and bounds.current.low < amperes.upper:
        return "A smaller burden would settle it, if it can stand the heat, V²/R. Until then take it as live."
    if level is Level.DANGER:
        return "Take this part as live. Nothing may be connected to it, and nobody may touch it."
    if level is Level.CAUTION and bounds.current.low < amperes.value:
        return "A smaller burden would narrow this down, if it can stand the heat, V²/R."
    return "Read every state: plug both ways round, switch on and off."
