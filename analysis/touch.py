"""Touch current from voltage readings with different burdens: bounds that hold whatever the source's phase.

The source behind a point is an open-circuit voltage V0 behind Z = R + jX with R >= 0 and X <= 0 (from resistive to
capacitive). The meter and a burden load it with Y = G + jB, where only G changes. Then

    1/V^2 = u + p G + q G^2,   w = 1/V0^2,   q = |Z|^2 w,   p = 2 R w,   s = -X w >= 0,
    s^2 = q w - p^2 / 4,       u = w + 2 B s + q B^2,

and the current through the body network Zb = Rb + jXb is I^2 = 1 / (q + p Rb - 2 s Xb + |Zb|^2 w). Two readings leave
one of u, p, q free, from a pure reactance (p = 0) to a pure resistance (s = 0); three settle them. Derived here from
the circuit; checked against closed forms in the tests.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np

from analysis.finding import Level
from analysis.judge import COVERAGE, rectangular
from analysis.limits import Limit

FloatArray = np.ndarray[Any, np.dtype[np.float64]]

#: The unweighted touch-current network: RS parallel CS, in series with RB. Source: IEC 60990:2016, figure 3.
NETWORK_RS, NETWORK_CS, NETWORK_RB = 1500.0, 0.22e-6, 500.0
#: Its equivalent at DC. Source: IEC 61010-1, annex A, figure A.2. [Ω]
NETWORK_DC = 2000.0
#: Capacitance of the meter's lead, added for the loading guard. Source: trade figure for a metre of lead. [F]
LEAD = 100e-12
#: Below this a source is a hard connection: 10 kΩ lets 5 mA flow from 50 V. [Ω]
HARD = 10e3
#: The inputs that a meter can have that nobody told of. [Ω], [F]
UNKNOWN_INPUTS: tuple[tuple[float, float], ...] = ((1e6, 0.0), (1e6, 200e-12), (11e6, 0.0), (11e6, 200e-12))
#: Beyond this a voltage or impedance is no longer bounded.
_ENDLESS = 1e30
_TOLD = ("current", "volts", "impedance")
#: Phases looked at between pure reactance and pure resistance: the ends need not be the extremes.
_PHASES = (0.5 * (1 - np.cos(np.linspace(0, np.pi, 65)))) ** 2


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterInput:
    """What a voltmeter puts across the circuit."""

    resistance: float  #: [Ω]
    capacitance: float  #: the least that it can be, its lead included [F]
    capacitance_high: float | None = None  #: the most; None: it is known [F]


@dataclass(frozen=True, slots=True, kw_only=True)
class BurdenReading:
    """One voltage of one state."""

    value: float  #: magnitude [V]
    u: float = 0.0  #: standard uncertainty [V]
    burden: float | None = None  #: [Ω]; None: the meter alone
    burden_tolerance: float = 0.0  #: half width as a fraction


@dataclass(frozen=True, slots=True, kw_only=True)
class TouchBounds:
    """What the readings say of the source and of the current; None: nothing bounds it."""

    open_circuit_low: float | None  #: [V]
    open_circuit_high: float | None
    source_impedance_low: float | None  #: magnitude [Ω]
    source_impedance_high: float | None
    current_low: float | None  #: through the body network [A]
    current_high: float | None
    expanded_uncertainty: float  #: of either bound of the current [A]
    hard_connection: bool  #: the source can be below 10 kΩ
    reactance: float | None = None  #: best estimate of a source that is a pure capacitance [Ω]
    reasons: tuple[str, ...] = ()


def body_network(frequency: float | None) -> complex:
    """Impedance of the touch-current network; None: at DC. [Ω]"""
    if frequency is None:
        return complex(NETWORK_DC)
    return NETWORK_RB + 1 / (1 / NETWORK_RS + 2j * math.pi * frequency * NETWORK_CS)


def input_impedance(resistance: float, capacitance: float, frequency: float | None) -> complex:
    """A meter's input, R parallel C; None: at DC. [Ω]"""
    return 1 / (1 / resistance + (2j * math.pi * frequency * capacitance if frequency is not None else 0.0))


def loading_guard(
    value: float, voltage_limit: float, current_limit: float, meter: MeterInput, frequency: float | None
) -> float:
    """What a reading is raised by for the meter's own loading: V·(V_limit/I_limit)/|Z_in|. [unit of value]

    No source that could still give the limiting current then hides behind a reading below the limit. The lead's
    100 pF are added to the meter's own capacitance.
    """
    return (
        value
        * (voltage_limit / current_limit)
        / abs(input_impedance(meter.resistance, meter.capacitance + LEAD, frequency))
    )


@dataclass(frozen=True, slots=True)
class _Source:
    """Sources that fit two or three readings, one per entry: the ends and what lies between."""

    q: FloatArray
    p: FloatArray
    s: FloatArray
    w: FloatArray

    def current(self, body: complex) -> FloatArray:
        inverse = self.q + self.p * body.real - 2 * self.s * body.imag + abs(body) ** 2 * self.w
        return 1 / np.sqrt(np.maximum(inverse, 1e-300))

    def volts(self) -> FloatArray:
        return 1 / np.sqrt(np.maximum(self.w, 1e-100))

    def impedance(self) -> FloatArray:
        return np.sqrt(self.q / np.maximum(self.w, 1e-100))


def _pair(v: FloatArray, g: FloatArray, b: float, *, resistive: bool) -> _Source:
    """All sources between resistive and capacitive that fit two readings.

    Args: v, g: shape (2, n), the less loaded first; n variants at once.
    Returns: arrays of shape (n, phases). Where no passive source fits, the nearest: a hard one, or a current source.
    """
    a = 1 / v**2
    total = g[0] + g[1]
    slope = (a[1] - a[0]) / (g[1] - g[0])
    hard = slope <= 0
    slope = np.maximum(slope, 1e-300)
    base = a[0] - slope * g[0]
    # s = 0 where q (u - q B^2) = p^2 / 4, with p = slope - q total and u = base + q g0 g1: a quadratic in q.
    second = g[0] * g[1] - b * b - total**2 / 4
    first = base + slope * total / 2
    inside = first**2 + second * slope**2
    root = np.sqrt(np.maximum(inside, 0.0))
    low = (slope**2 / 2) / np.maximum(first + root, 1e-300)
    high = np.minimum(slope / total, (first + root) / (-2 * second))
    q = low[:, None] if resistive else low[:, None] + np.maximum(high - low, 0)[:, None] * _PHASES
    p = np.maximum(slope[:, None] - q * total[:, None], 0.0)
    m = base[:, None] + q * (g[0] * g[1] - b * b)[:, None]
    s, w = _solve(q, p, m, b)
    # Noise can make the readings fall faster than any passive source allows: then it is as good as a current source.
    stiff = ((inside < 0) | (base + high * (g[0] * g[1] - b * b) <= 0))[:, None] & ~hard[:, None]
    flat, near = hard[:, None], np.maximum(v[0], v[1])[:, None]
    q = np.where(stiff, 1 / (v[1] ** 2 * (g[1] ** 2 + b * b))[:, None], q)
    none = flat | stiff
    return _Source(
        np.where(flat, 0, q), np.where(none, 0, p), np.where(none, 0, s),
        np.where(flat, 1 / near**2, np.where(stiff, 0, w)),
    )  # fmt: skip


def _solve(q: FloatArray, p: FloatArray, m: FloatArray, b: float) -> tuple[FloatArray, FloatArray]:
    """s and w from w + 2 B s = m and s^2 = q w - p^2 / 4."""
    s = np.maximum(-b * q + np.sqrt(np.maximum((b * q) ** 2 - p**2 / 4 + q * m, 0.0)), 0.0)
    w = m - 2 * b * s
    # Where the meter's capacitance takes nearly all, that difference cancels; the other equation then gives w.
    return s, np.maximum(np.where(w > 0.5 * np.abs(m), w, (s**2 + p**2 / 4) / np.maximum(q, 1e-200)), 1e-200)


def _triple(v: FloatArray, g: FloatArray, b: float) -> tuple[_Source, np.ndarray[Any, np.dtype[np.bool_]]]:
    """The one source that fits three readings, and whether it is a passive one, resistive to capacitive.

    Args: v, g: shape (3, n). Returns: arrays of shape (n, 1).
    """
    a = 1 / v**2
    one, two = (a[1] - a[0]) / (g[1] - g[0]), (a[2] - a[1]) / (g[2] - g[1])
    q = (two - one) / (g[2] - g[0])
    p = one - q * (g[0] + g[1])
    m = a[0] - p * g[0] - q * g[0] ** 2 - q * b * b
    scale = np.abs(one)
    # The ends of the range are reached exactly by pure resistors and capacitors, so rounding may pass them by a hair.
    fits = (q > 0) & (p >= -1e-6 * scale) & (m > 0) & (q * m - p**2 / 4 + (b * q) ** 2 >= -1e-6 * np.abs(q * m))
    q, p = np.where(fits, q, 1.0), np.where(fits, np.maximum(p, 0.0), 0.0)
    s, w = _solve(q, p, m, b)
    return _Source(q[:, None], p[:, None], s[:, None], w[:, None]), fits


@dataclass(frozen=True, slots=True)
class _Interval:
    """What one pair or triple of readings says: bounds, and how far they move with the readings' uncertainty."""

    low: float
    high: float
    low_u: float
    high_u: float


def _spread(values: FloatArray) -> float:
    """Expanded deviation of a bound: values[0] as read, then each input up and down by its U in turn."""
    moved = np.abs(values[1:].reshape(-1, 2) - values[0]).max(axis=1)
    return float(np.sqrt((moved**2).sum()))


def _interval(values: FloatArray) -> _Interval:
    lows, highs = values.min(axis=1), values.max(axis=1)
    if highs[0] > _ENDLESS:  # as good as a current source: these readings do not bound it
        return _Interval(0.0, math.inf, 0.0, 0.0)
    return _Interval(float(lows[0]), float(highs[0]), _spread(lows), _spread(highs))


def _variants(readings: Sequence[BurdenReading], meter: tuple[float, float]) -> tuple[FloatArray, FloatArray]:
    """Volts and conductances as read, then each input moved up and down by its expanded uncertainty. Shape (k, n)."""
    volts = np.array([reading.value for reading in readings])
    moves = np.array([COVERAGE * reading.u for reading in readings])
    burdens = np.array([reading.burden or np.inf for reading in readings])
    slack = np.array([COVERAGE * rectangular(reading.burden_tolerance) for reading in readings])
    k = len(readings)
    v, r = np.tile(volts[:, None], 4 * k + 1), np.tile(burdens[:, None], 4 * k + 1)
    for i in range(k):
        v[i, 1 + 2 * i], v[i, 2 + 2 * i] = volts[i] + moves[i], volts[i] - moves[i]
        at = 1 + 2 * k + 2 * i
        r[i, at], r[i, at + 1] = burdens[i] * (1 + slack[i]), burdens[i] * (1 - slack[i])
    return np.maximum(v, 1e-9), 1 / meter[0] + 1 / r


def _one(reading: BurdenReading, meter: tuple[float, float], b: float, body: complex, *, dc: bool) -> _Interval:
    """A single reading: every source that gives it, from a hard one to a current source, at every phase."""
    g = 1 / meter[0] + (1 / reading.burden if reading.burden else 0.0)
    size = np.concatenate([[0.0], np.logspace(0, 9, 181)])[:, None]
    angle = np.zeros((1, 1)) if dc else np.linspace(0, -np.pi / 2, 19)[None, :]
    z = size * np.exp(1j * angle)
    per_volt = np.abs(1 + z * (g + 1j * b)) / np.abs(z + body)
    low, high = float(per_volt.min()), float(per_volt.max())
    spread = COVERAGE * reading.u
    return _Interval(low * reading.value, high * reading.value, low * spread, high * spread)


def _for_input(
    readings: Sequence[BurdenReading], meter: tuple[float, float], frequency: float | None, body: complex
) -> dict[str, list[_Interval]]:
    """Every pair's and triple's word on current, open-circuit volts and source impedance, for one meter input."""
    b = 0.0 if frequency is None else 2 * math.pi * frequency * meter[1]
    ordered = sorted(readings, key=lambda r: -(r.burden or math.inf))
    found: dict[str, list[_Interval]] = {"current": [], "volts": [], "impedance": [], "reactance": []}
    if len(ordered) == 1:
        found["current"].append(_one(ordered[0], meter, b, body, dc=frequency is None))
        return found

    def keep(source: _Source, *, doubtful: bool = False) -> None:
        for name, values in zip(_TOLD, (source.current(body), source.volts(), source.impedance()), strict=True):
            # As read it fits, but not with the uncertainty: it narrows nothing once that is added.
            found[name].append(
                _Interval(float(values.min()), float(values.max()), math.inf, math.inf)
                if doubtful
                else _interval(values)
            )

    for pair in combinations(ordered, 2):
        v, g = _variants(pair, meter)
        source = _pair(v, g, b, resistive=frequency is None)
        keep(source)
        found["reactance"].append(_interval(source.impedance()[:, -1:]))
    for triple in combinations(ordered, 3) if frequency is not None else ():
        v, g = _variants(triple, meter)
        source, fits = _triple(v, g, b)
        if fits.all():
            keep(source)
        elif fits[0]:
            keep(_Source(source.q[:1], source.p[:1], source.s[:1], source.w[:1]), doubtful=True)
    return found


def _together(intervals: Sequence[_Interval]) -> tuple[float, float, float]:
    """Where all agree: low, high, and the expanded uncertainty of either."""
    low, high = max(i.low for i in intervals), min(i.high for i in intervals)
    apart = max(0.0, (low - high) / 2)
    if apart:  # noise lets them miss each other
        low = high = (low + high) / 2
    lowest = max(i.low - i.low_u for i in intervals)
    highest = min(i.high + i.high_u for i in intervals)
    return low, high, max(apart, highest - high, low - lowest)


def _distinct(readings: Sequence[BurdenReading]) -> list[BurdenReading]:
    """One reading a burden: of several the highest, which is the cautious one."""
    best: dict[float, BurdenReading] = {}
    for reading in readings:
        key = reading.burden or math.inf
        if key not in best or reading.value > best[key].value:
            best[key] = reading
    return list(best.values())


def bound_touch_current(
    readings: Sequence[BurdenReading], *, meter: MeterInput | None, frequency: float | None
) -> TouchBounds:
    """Bounds on what would flow through the body network from the point that these readings are of.

    Args:
        readings: of one state, with different burdens; one may be by the meter alone.
        meter: its input, with the lead's capacitance; None: anything from 1 MΩ to 11 MΩ and 0 to 200 pF.
        frequency: [Hz]; None: DC, where the source is resistive and the network 2 kΩ.
    Raises: ValueError: no reading, a negative voltage, or a burden, input or frequency that is not above zero.
    Source: IEC 60990:2016 for the network; JCGM 100:2008, 5.1 for the propagation, by full steps of U since the
        bounds are not linear.
    """
    _check(readings, meter, frequency)
    used, body = _distinct(readings), body_network(frequency)
    inputs = UNKNOWN_INPUTS if meter is None else _corners(meter)
    if frequency is None:
        inputs = tuple(dict.fromkeys((ohms, 0.0) for ohms, _ in inputs))
    each = [_for_input(used, pair, frequency, body) for pair in inputs]
    currents = [_together(found["current"]) for found in each]
    low, high = min(c[0] for c in currents), max(c[1] for c in currents)
    expanded = max(max(0.0, c[1] + c[2] - high, low - (c[0] - c[2])) for c in currents)
    reasons, impossible = _reasons(used, inputs, frequency)
    if impossible:  # no one source gives these readings, so nothing that lowers the current may be built on them
        high = max(high, max(r.value + COVERAGE * r.u for r in used) / abs(body))
    volts_low, volts_high = _widest([found["volts"] for found in each])
    ohms_low, ohms_high = _widest([found["impedance"] for found in each])
    return TouchBounds(
        open_circuit_low=max(r.value for r in used) if volts_low is None else volts_low, open_circuit_high=volts_high,
        source_impedance_low=ohms_low, source_impedance_high=ohms_high, current_low=max(low, 0.0), current_high=high,
        expanded_uncertainty=expanded, hard_connection=impossible or ohms_low is None or ohms_low < HARD,
        reactance=_best([i for found in each for i in found["reactance"]]), reasons=reasons,
    )  # fmt: skip


def _best(intervals: Sequence[_Interval]) -> float | None:
    """The estimate that moves least, relative to itself, with the uncertainty of its readings."""
    bounded = [i for i in intervals if math.isfinite(i.high) and i.low > 0]
    return min(bounded, key=lambda i: i.low_u / i.low).low if bounded else None


def _corners(meter: MeterInput) -> tuple[tuple[float, float], ...]:
    high = meter.capacitance if meter.capacitance_high is None else meter.capacitance_high
    return tuple(dict.fromkeys(((meter.resistance, meter.capacitance), (meter.resistance, high))))


def _widest(several: Sequence[Sequence[_Interval]]) -> tuple[float | None, float | None]:
    """Bounds with the readings' uncertainty in them, over all inputs that the meter can have."""
    if not several[0]:
        return None, None
    lows = [max(i.low - i.low_u for i in intervals) for intervals in several]
    highs = [min(i.high + i.high_u for i in intervals) for intervals in several]
    low, high = sorted((min(lows), max(highs)))
    return max(low, 0.0), high


def _reasons(
    readings: Sequence[BurdenReading], inputs: Sequence[tuple[float, float]], frequency: float | None
) -> tuple[tuple[str, ...], bool]:
    """What is odd about the readings, and whether no passive source at all could give them."""
    ordered = sorted(readings, key=lambda r: -(r.burden or math.inf))
    found = []
    if len(ordered) == 1:
        found.append("one reading alone does not tell a hard connection from a stray coupling")
    pairs = list(combinations(ordered, 2))
    if any(more.value - less.value > COVERAGE * math.hypot(less.u, more.u) for less, more in pairs):
        found.append("a larger load read higher than a smaller one: it is taken as a hard connection, read again")
    falls = any(all(_falls(less, more, pair, frequency) for pair in inputs) for less, more in pairs)
    if falls:
        found.append(
            "the current fell with a larger load, which no source does: one of the readings is wrong, read again"
        )
    return tuple(found), falls


def _falls(less: BurdenReading, more: BurdenReading, meter: tuple[float, float], frequency: float | None) -> bool:
    """Whether less current flowed into the larger load, beyond the uncertainty of both: a probe or clip came off."""
    b = 0.0 if frequency is None else 2 * math.pi * frequency * meter[1]

    def flows(reading: BurdenReading, side: float) -> float:
        loss = (1 + side * COVERAGE * rectangular(reading.burden_tolerance)) / reading.burden if reading.burden else 0.0
        return max(0.0, reading.value + side * COVERAGE * reading.u) * abs(1 / meter[0] + loss + 1j * b)

    return flows(more, 1.0) < flows(less, -1.0)


def _check(readings: Sequence[BurdenReading], meter: MeterInput | None, frequency: float | None) -> None:
    def refuse(what: str, good: Callable[[float], bool], *values: float | None) -> None:
        for value in values:
            if value is not None and not (math.isfinite(value) and good(value)):
                raise ValueError(f"{what} is {value!r}")

    if not readings:
        raise ValueError("there is no reading")
    refuse("a reading", lambda v: v >= 0, *(r.value for r in readings), *(r.u for r in readings))
    refuse("a burden", lambda v: v > 0, *(r.burden for r in readings))
    refuse("a tolerance", lambda v: 0 <= v < 1, *(r.burden_tolerance for r in readings))
    refuse("the frequency", lambda v: v > 0, frequency)
    if meter is not None:
        refuse("the meter's input resistance", lambda v: v > 0, meter.resistance)
        refuse("the meter's input capacitance", lambda v: v >= 0, meter.capacitance)


def touch_level(bounds: TouchBounds, limit: Limit) -> Level:
    """The class of a touch current: its upper bound + U against the limit and the upper boundary.

    Source: IEC 62368-1:2018, table 4: ES1, ES2, ES3 by current.
    """
    if bounds.current_high is None:
        return Level.DANGER
    high = bounds.current_high + bounds.expanded_uncertainty
    if high < limit.value:
        return Level.WITHIN
    return Level.CAUTION if high < limit.upper else Level.DANGER
