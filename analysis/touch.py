"""What would flow through a person who touches a point: bounds from voltages of one state under different burdens.

A meter alone cannot tell a hard live chassis from stray capacitance; a known resistor across it can. Magnitudes leave
the source's phase open, so two readings bound the current over every phase from resistive to capacitive, and three pin
it down. The algebra is in `analysis.thevenin`; here are the words, the uncertainty, the doubts and the level.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from analysis.finding import Level
from analysis.judge import COVERAGE, rectangular
from analysis.limits import Limit
from analysis.thevenin import Array, Ends, Steps, estimates, meet, single, spread, steps, strain
from drivers.units import show

#: Body network, unweighted. Source: IEC 60990:2016, figure 3: 1500 Ω with 0.22 µF across it, then 500 Ω.
BODY_SKIN, BODY_SKIN_CAPACITANCE, BODY_INNER = 1500.0, 0.22e-6, 500.0
#: What a meter whose input is not known may be: ordinary hand-held and bench volts ranges (own choice).
UNKNOWN_RESISTANCE, UNKNOWN_CAPACITANCE = (1e6, 11e6), (0.0, 200e-12)
#: Capacitance of a pair of test leads, taken for the loading guard (own choice).
LEAD_CAPACITANCE = 100e-12
#: Half width of a burden that is not listed, as a fraction: the ordinary film resistor of any age.
UNLISTED_TOLERANCE = 0.05
#: Below this a source is called a hard connection: valve heaters, droppers and switches are far below (own choice).
HARD_CONNECTION = 10e3
#: A burden of so many times the meter's own input hardly changes the load (own choice).
TOO_LARGE = 100.0
#: No reading is believed better than this fraction at k=1: digits as shown, and mains that drift from one reading to
#: the next (own choice; ordinary AC volts lines are ten times wider). It never widens low to high.
FINEST = 2.5e-4
#: A volt or ohm figure from here on is no bound: the readings allow an endless one.
UNBOUNDED = 1e12
#: What is taken for a slip of the pen beyond: volts, ohms, farads and hertz that no bench has.
MOST_VOLTS, OHMS, MOST_FARADS, MOST_HERTZ = 1e6, (1e-3, 1e15), 1e-3, 1e6
_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterInput:
    """What the meter puts across the circuit."""

    resistance: float  #: [Ω]
    #: [F]; if left out, the open-circuit voltage is that with the input in place; the current changes by under 0.02 %
    capacitance: float = 0.0

    def __post_init__(self) -> None:
        if not OHMS[0] <= self.resistance <= OHMS[1]:
            raise ValueError(f"a meter's input resistance is {self.resistance!r}: expected ohms above zero")
        if not 0 <= self.capacitance <= MOST_FARADS:
            raise ValueError(f"a meter's input capacitance is {self.capacitance!r}: expected farads, zero or more")


@dataclass(frozen=True, slots=True, kw_only=True)
class BurdenReading:
    """The voltage of one state, with the meter alone or with a known resistor across it."""

    value: float  #: as measured [V]; magnitude for AC, either sign for DC
    u: float = 0.0  #: standard uncertainty, k=1 [V]
    burden: float | None = None  #: [Ω]; None: the meter alone
    burden_tolerance: float = UNLISTED_TOLERANCE  #: half width, as a fraction

    def __post_init__(self) -> None:
        if not (abs(self.value) <= MOST_VOLTS and 0 <= self.u <= MOST_VOLTS):
            raise ValueError(
                f"a reading of {self.value!r} V, u = {self.u!r} V: expected up to {MOST_VOLTS:.0f} V, u >= 0"
            )
        if self.burden is not None and not OHMS[0] <= self.burden <= OHMS[1]:
            raise ValueError(f"a burden is {self.burden!r} ohm: expected ohms above zero")
        if not 0 <= self.burden_tolerance <= 0.5:
            raise ValueError(f"a burden's tolerance is {self.burden_tolerance!r}: expected a fraction from 0 to 0.5")


class Range(NamedTuple):
    """What the readings leave open, from low to high."""

    low: float
    high: float | None  #: None: nothing bounds it

    def to_json(self) -> dict[str, float | None]:
        """The shape that leaves the program."""
        return {"low": self.low, "high": self.high}


@dataclass(frozen=True, slots=True, kw_only=True)
class TouchBounds:
    """The source behind a point, and the current that a person who touches it would draw."""

    open_circuit: Range  #: [V]
    source_impedance: Range  #: magnitude [Ω]
    current: Range  #: rms (DC: mean) through the body network [A]
    least: float  #: low end of the current with its uncertainty counted [A]
    most: float  #: high end of the current with its uncertainty counted: the figure that meets a limit [A]
    hard_connection: bool  #: the source can be below 10 kΩ, its uncertainty counted
    reasons: tuple[str, ...] = ()  #: what a person should know of these bounds
    consistent: bool = True  #: False: no single source gives these readings, not even with their uncertainties

    @property
    def expanded_uncertainty(self) -> float:
        """U of whichever end of the current is less sure: low − U and high + U hold the true current. [A]"""
        return max(self.most - (self.current.high or 0.0), self.current.low - self.least, 0.0)


def body_impedance(frequency: float | None) -> complex:
    """Impedance of the body network at a frequency; None is DC: 2000 Ω. [Ω]

    Source: IEC 60990:2016, figure 3 (unweighted touch current).
    """
    if frequency is None:
        return complex(BODY_SKIN + BODY_INNER)
    turn = 2 * math.pi * frequency * BODY_SKIN * BODY_SKIN_CAPACITANCE
    return BODY_INNER + BODY_SKIN / (1 + 1j * turn)


def input_impedance(resistance: float, capacitance: float, frequency: float | None) -> float:
    """Magnitude of a meter's input, a resistance with a capacitance across it; at DC the resistance. [Ω]"""
    return resistance / math.hypot(1.0, 2 * math.pi * (frequency or 0.0) * resistance * capacitance)


def loading_guard(
    value: float, meter: MeterInput | None, frequency: float | None, voltage_limit: float, current_limit: float
) -> float:
    """What a voltage is raised by for the meter's own loading, before it meets the voltage limit. [V]

    A source that can give the limiting current at the limiting voltage has at most V_limit/I_limit behind it, so the
    meter's input hides at most V·(V_limit/I_limit)/|Z_in|. The leads' 100 pF are added to the input's capacitance.
    """
    meter = meter or MeterInput(resistance=UNKNOWN_RESISTANCE[0], capacitance=UNKNOWN_CAPACITANCE[1])
    inside = input_impedance(meter.resistance, meter.capacitance + LEAD_CAPACITANCE, frequency)
    return abs(value) * (voltage_limit / current_limit) / inside


def bound_touch_current(
    readings: Sequence[BurdenReading], *, meter: MeterInput | None, frequency: float | None
) -> TouchBounds:
    """Bounds on the source behind a point and on its touch current, from one state read under different burdens.

    Every reading, every two and every three of them bound the current by themselves, each with its own U; the result
    is what all of them allow, so one more burden never widens it. Where no single source gives the readings, not even
    with their uncertainties, the widest of the bounds stands and a reason says so.

    Args:
        readings: at least one, all of one state, by one meter, under different burdens.
        meter: its input; None: bounds over 1 to 11 MΩ and 0 to 200 pF.
        frequency: of the voltage [Hz]; None: DC, where the source is resistive.
    Raises: ValueError: no reading, or a frequency that is not above zero.
    Source: Thévenin's theorem; IEC 60990:2016, figure 3; uncertainty after JCGM 100:2008, 5.1.2, by finite steps of 2u,
        since the bounds are curved and saturate (a hard source gives V0/|Z_body|, however small the drop).
    """
    if not readings:
        raise ValueError("no reading: a touch current needs at least one voltage")
    if frequency is not None and not 0 < frequency <= MOST_HERTZ:
        raise ValueError(f"the frequency is {frequency!r}: expected hertz above zero, or None for DC")
    highest, doubt = _one_each(readings)
    return _bound(_case(highest, meter, frequency), meter, doubt)


def _one_each(readings: Sequence[BurdenReading]) -> tuple[list[BurdenReading], str]:
    """The highest reading under each load, and what to say where two under one load differ beyond their U."""
    kept: dict[float, BurdenReading] = {}
    doubt = ""
    for reading in readings:
        load = math.inf if reading.burden is None else reading.burden
        other = kept.setdefault(load, reading)
        if abs(abs(reading.value) - abs(other.value)) > _doubt(reading) + _doubt(other):
            doubt = f"Two readings with {_named(reading)} differ: something changed between them, so read both again."
        if abs(reading.value) > abs(other.value):
            kept[load] = reading
    return list(kept.values()), doubt


class _Case(NamedTuple):
    """The readings as arrays, lightest load first; axes (meters, rows of steps, readings)."""

    readings: tuple[BurdenReading, ...]
    plan: Steps
    volts: Array  #: (rows, readings)
    conductance: Array  #: (meters, rows, readings)
    b: Array  #: (meters,)
    body: complex
    resistive: bool


def _case(readings: Sequence[BurdenReading], meter: MeterInput | None, frequency: float | None) -> _Case:
    ordered = tuple(sorted(readings, key=lambda r: math.inf if r.burden is None else r.burden, reverse=True))
    plan = steps(tuple(r.burden is not None for r in ordered))
    values, doubts = np.array([abs(r.value) for r in ordered]), np.array([_doubt(r) for r in ordered])
    tolerance = np.array([COVERAGE * rectangular(r.burden_tolerance) for r in ordered])
    burdens = np.array([math.inf if r.burden is None else r.burden for r in ordered])
    inputs = [meter] if meter else [MeterInput(resistance=r, capacitance=c) for r in UNKNOWN_RESISTANCE
                                    for c in UNKNOWN_CAPACITANCE]  # fmt: skip
    own = np.array([1 / entry.resistance for entry in inputs])
    turn = 2 * math.pi * (frequency or 0.0)
    return _Case(
        readings=ordered,
        plan=plan,
        volts=np.maximum(values + plan.volts * doubts, 0.0),
        conductance=own[:, None, None] + 1 / (burdens * (1 + plan.burdens * tolerance)),
        b=np.array([turn * entry.capacitance for entry in inputs]),
        body=body_impedance(frequency),
        resistive=frequency is None,
    )


def _bound(case: _Case, meter: MeterInput | None, doubt: str) -> TouchBounds:
    found = estimates(case.volts, case.conductance, case.b, case.body, resistive=case.resistive)
    alone = _singles(case)
    current = (
        alone
        if found is None
        else Ends(*(np.concatenate(two, axis=-1) for two in zip(alone, found.current, strict=True)))
    )
    met = meet(current, case.plan)
    low, high = met.ends()
    upper, lower = float(met.upper.max()), float(met.lower.min())
    doubt = doubt or _clash(case)
    if not doubt and not met.agree:
        doubt = "These readings do not belong to one source: something changed between them, so read all of them again."
    if doubt:
        about = spread(current, case.plan)
        low, high = float(current.low[:, 0].min()), float(current.high[:, 0].max())
        lower = float((current.low[:, 0] - about.low).min())
        upper = float((current.high[:, 0] + about.high).max())
    volts, ohms = Range(float(case.volts[0].max()), None), Range(0.0, None)
    hard = True
    if found is not None and not doubt:
        volts, ohms = _range(found.volts, case.plan), _range(found.ohms, case.plan)
        hard = float(meet(found.ohms, case.plan).lower.min()) < HARD_CONNECTION
    return TouchBounds(
        open_circuit=volts,
        source_impedance=ohms,
        current=Range(low, high),
        least=max(0.0, min(lower, low)),
        most=max(upper, high),
        hard_connection=hard,
        reasons=((doubt,) if doubt else ()) + _remarks(case, meter, lone=found is None),
        consistent=not doubt,
    )


def _singles(case: _Case) -> Ends:
    """What each reading says by itself, over every source there can be."""
    per_volt = single(case.conductance[:, 0], case.b, case.body, resistive=case.resistive)
    stepped = case.conductance / case.conductance[:, :1]  # a burden's tolerance: the current goes with its conductance
    low = case.volts * per_volt.low[:, None] * np.minimum(stepped, 1.0)
    return Ends(low, case.volts * per_volt.high[:, None] * np.maximum(stepped, 1.0))


def _range(ends: Ends, plan: Steps) -> Range:
    """What all estimates allow of a property of the source; its ends' uncertainty limits what noise can cross."""
    low, high = meet(ends, plan).ends()
    return Range(low, high if high < UNBOUNDED else None)


def _doubt(reading: BurdenReading) -> float:
    """U of one reading, not below what any reading is believed to. [V]"""
    return COVERAGE * max(reading.u, FINEST * abs(reading.value))


def _named(reading: BurdenReading) -> str:
    return "the meter alone" if reading.burden is None else show(reading.burden, "Ohm")


def _clash(case: _Case) -> str:
    """Why no source gives two of the readings, even at the kindest end of their uncertainties; empty if one does."""
    for column, lighter in enumerate(case.readings):
        for other, heavier in list(enumerate(case.readings))[column + 1 :]:
            v1, v2 = abs(lighter.value), abs(heavier.value)
            if v2 - v1 > _doubt(lighter) + _doubt(heavier):
                return (
                    f"The reading with {_named(heavier)} is above the one with {_named(lighter)}, which no burden "
                    "does: something changed between them, so read both again."
                )
            v1, v2 = v1 - _doubt(lighter), v2 + _doubt(heavier)
            if v1 > v2 and strain(v1, v2, *_kindest(case, column, other), case.b) > _ROUNDING:
                return (
                    f"The reading with {_named(heavier)} is lower than any source could make it beside the one with "
                    f"{_named(lighter)}: did the supply trip, or a clip come off? Read both again."
                )
    return ""


def _kindest(case: _Case, column: int, other: int) -> tuple[Array, Array]:
    """Conductances of two loads as far apart as the burdens' tolerances let them be, for each meter."""
    return case.conductance[:, :, column].min(axis=1), case.conductance[:, :, other].max(axis=1)


def _remarks(case: _Case, meter: MeterInput | None, *, lone: bool) -> tuple[str, ...]:
    """What a person should know of these bounds, besides a contradiction."""
    said = []
    if meter is None:
        said.append("The meter's input is not known: 1 to 11 MΩ with 0 to 200 pF is allowed for.")
    if lone:
        said.append("Readings under one load leave the source open: one with another burden narrows this down.")
    weakest = 1 / float(case.conductance[:, 0].min()) if lone else 1 / float(case.conductance[:, 0, 0].min())
    for reading in case.readings:
        if reading.burden is not None and reading.burden > TOO_LARGE * weakest:
            said.append(f"A burden of {_named(reading)} is too large to matter beside the meter's own input.")
        if reading.burden is not None and abs(reading.value) <= COVERAGE * reading.u and not _all_small(case):
            said.append(
                f"With {_named(reading)} the meter reads nothing beyond its uncertainty: "
                "make sure that the supply was still on."
            )
    if case.resistive and len({r.value > 0 for r in case.readings if abs(r.value) > COVERAGE * r.u}) > 1:
        said.append("The DC readings differ in sign: were the leads swapped? Their magnitudes are taken.")
    return tuple(said)


def _all_small(case: _Case) -> bool:
    return all(abs(r.value) <= COVERAGE * r.u for r in case.readings)


def touch_level(bounds: TouchBounds, limit: Limit) -> Level:
    """The level of a touch current: high + U against the limit and against the upper boundary.

    A raised limit never yields `within`: where only it would, the default limit decides. Nothing that bounds the
    current means `danger`. Trips and overloads are the caller's to judge.
    """
    if bounds.most >= limit.upper:
        return Level.DANGER
    return Level.CAUTION if bounds.most >= min(limit.value, limit.default) else Level.WITHIN
