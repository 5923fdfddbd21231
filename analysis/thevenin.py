"""The sources that voltage magnitudes under known loads allow, and what each would drive through a body network.

With a source `V0` behind `Z = R + jX`, R >= 0, X <= 0 (resistive to capacitive), and loads `G + jB` of one common B
(the meter's capacitance), every reading obeys

    1/V² = u + p·G + q·G²,   q = |Z|²/V0²,   p = 2R/V0²,   u = (1 − 2XB + |Z|²B²)/V0²

Two readings fix u and p as linear functions of q. With D = q·u − p²/4 the reactance is s = −X/V0² = √D − B·q and
w = 1/V0² = u + q·B² − 2B·√D. The sources allowed are those with p >= 0 and s >= 0: a range of q, from the pure
resistance at its low end to the pure reactance at its high end. Each quantity sought is a linear function of q (or of
1/q) plus a multiple of √D, an arc of an ellipse: its extremes lie at the ends of the range or at one stationary point
that has a closed form. Ends alone would not do where B or the body network's own reactance matters.

Arrays run over (meters, rows, readings or estimates): several meters where the input is not known, rows of stepped
inputs for the uncertainty (row 0 as read).
"""

from __future__ import annotations

from functools import lru_cache
from itertools import combinations, product
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]

_TINY = 1e-12  # V: a reading of zero has no reciprocal
#: Loads closer than this, as a fraction of the body's conductance, are one load: no difference survives rounding.
_SAME_LOAD = 1e-8
#: Three readings are solved only where their loads are further apart than this: rounding goes as its square.
_APART = 1e-4
#: The tightest of several estimates is taken, so each needs more than its own k = 2 for 95 % of all together: found by
#: simulation of four readings with errors spread evenly over their accuracy (tests/test_touch.py).
CHOICE = 1.2
_PHASES = np.linspace(0.0, np.pi / 2, 33)


class Ends(NamedTuple):
    """Lowest and highest value of a quantity over the sources that an estimate allows."""

    low: Array
    high: Array


class Sources(NamedTuple):
    """What a set of estimates says: body current, open-circuit voltage and magnitude of the source impedance."""

    current: Ends  #: [A]
    volts: Ends  #: [V]; inf where nothing bounds it
    ohms: Ends  #: [Ω]; inf where nothing bounds it


class Steps(NamedTuple):
    """How the inputs are stepped for the uncertainty; row 0 is none."""

    volts: Array  #: (rows, readings), in units of 2u
    burdens: Array  #: (rows, readings), in units of twice the burden's standard uncertainty
    alone: Index  #: (inputs, 2): the two rows that step one input alone, up and down
    joint: Index  #: rows that step several at once, against each other (so that a clipped bound shows) or in common


@lru_cache(maxsize=64)
def steps(burdened: tuple[bool, ...]) -> Steps:
    """Rows of steps for readings of which some have a burden.

    Each input alone by its full ±2u; two or three readings against each other, shortened so that the step has the
    length of one; and all readings in common, since one meter's error of gain is in all of them.
    """
    count = len(burdened)
    volts: list[tuple[float, ...]] = [(0.0,) * count]
    burdens = [(0.0,) * count]
    alone = []
    for column in range(count):
        for rows, other in ((volts, burdens), (burdens, volts)):
            if rows is burdens and not burdened[column]:
                continue
            for sign in (1.0, -1.0):
                rows.append(tuple(sign if k == column else 0.0 for k in range(count)))
                other.append((0.0,) * count)
            alone.append((len(volts) - 2, len(volts) - 1))
    first = len(volts)
    for size in (2, 3) if count <= 4 else (2,):
        for group in combinations(range(count), size):
            for signs in product((1.0, -1.0), repeat=size):
                if abs(sum(signs)) < size:
                    parts = dict(zip(group, signs, strict=True))
                    volts.append(tuple(parts.get(k, 0.0) / size**0.5 for k in range(count)))
    volts += [(1.0,) * count, (-1.0,) * count]
    burdens += [(0.0,) * count] * (len(volts) - len(burdens))
    return Steps(
        np.array(volts), np.array(burdens), np.array(alone, dtype=np.intp), np.arange(first, len(volts), dtype=np.intp)
    )


class _Pair(NamedTuple):
    """The curve 1/V² through two readings, and the range of q that it leaves."""

    y: Array  #: 1/V² under the lighter load
    mean: Array  #: mean of 1/V² of the two
    root: Array  #: geometric mean of 1/V² of the two
    gap: Array  #: (1/V2 − 1/V1)²
    slope: Array  #: of the chord, >= 0
    light: Array  #: conductance of the lighter load
    heavy: Array
    b: Array
    low: Array  #: q of the pure resistance (s = 0)
    high: Array  #: q of the pure reactance (p = 0)
    strain: Array  #: above zero where no source of the kind gives these two: how far p or s would be below zero


def _pair(v1: Array, v2: Array, light: Array, heavy: Array, b: Array) -> _Pair:
    """The family of sources through two readings, the lighter load first."""
    v2 = np.maximum(v2, _TINY)
    v1 = np.maximum(v1, v2)  # a burdened reading above the other: within noise it says that the source is hard
    y1, y2, root = v1**-2, v2**-2, 1 / (v1 * v2)
    slope = (v1 - v2) * (v1 + v2) * root**2 / (heavy - light)
    mean = (y1 + y2) / 2
    inside = root**2 - (slope * b) ** 2
    low = slope**2 / 2 / (mean + np.sqrt(np.maximum(inside, 0.0)))
    high = slope / (heavy + light)
    other = (mean + np.sqrt(np.maximum(inside, 0.0))) / (2 * ((heavy - light) ** 2 / 4 + b**2))
    strain = np.maximum(low / np.where(high > 0, high, 1.0) - 1, -inside / root**2)
    high = np.minimum(high, other)
    gap = ((v1 - v2) * root) ** 2
    return _Pair(y1, mean, root, gap, slope, light, heavy, b, np.minimum(low, high), high, strain)


def _shift(c: Array | float, a: Array, beta: Array) -> Array:
    """1 + sin θ at the stationary point of a·x + c·√(−beta·x² + …), without cancellation. tan θ = a/(c·√beta)."""
    across = np.abs(c) * np.sqrt(beta)
    length = np.hypot(a, across)
    sine = np.sign(c) * a / np.where(length > 0, length, 1.0)
    cosine = across / np.where(length > 0, length, 1.0)
    return np.where(sine < 0, cosine**2 / np.where(sine < 0, 1 - sine, 1.0), 1 + sine)


def _body_terms(body: complex) -> tuple[float, float, float]:
    """Resistance, capacitive reactance (as a positive figure) and squared magnitude of the body network."""
    return body.real, -body.imag, abs(body) ** 2


def _allowed(pair: _Pair, low: Array, high: Array, body: complex) -> Sources:
    """Extremes over the sources with q from `low` to `high` in a pair's family."""
    resistance, reactance, square = _body_terms(body)
    total, product_ = pair.light + pair.heavy, pair.light * pair.heavy
    beta = (pair.heavy - pair.light) ** 2 / 4
    foot = pair.y - pair.slope * pair.light
    # The current's denominator is (slope in q)·q + (weight)·√D, and so are 1/V0² and, in 1/q, 1/|Z|².
    weight = 2 * reactance - 2 * pair.b * square
    incline = 1 - total * resistance - 2 * reactance * pair.b + square * (product_ + pair.b**2)
    lean = product_ + pair.b**2
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):  # a hard source has no slope: q is zero
        at_current = (pair.gap / 2 + pair.root * _shift(weight, incline, beta)) / (2 * beta)
        at_volts = (pair.gap / 2 + pair.root * _shift(-2 * pair.b, lean, beta)) / (2 * beta)
        at_ohms = pair.slope**2 / 2 / (pair.gap / 2 + pair.root * _shift(-2 * pair.b, foot, pair.slope**2 / 4))
    q = np.stack([low, high, *(np.clip(np.nan_to_num(at), low, high) for at in (at_current, at_volts, at_ohms))])
    p = np.maximum(pair.slope - q * total, 0.0)
    u = foot + q * product_
    arc = np.maximum(np.sqrt(np.maximum(q * u - p**2 / 4, 0.0)), pair.b * q)
    w = np.clip(u + q * pair.b**2 - 2 * pair.b * arc, 1e-18 * pair.y, pair.y)
    current = (q + p * resistance + 2 * (arc - pair.b * q) * reactance + square * w) ** -0.5
    volts, ohms = w**-0.5, np.sqrt(q / w)
    return Sources(*(Ends(np.min(x, axis=0), np.max(x, axis=0)) for x in (current, volts, ohms)))


def estimates(volts: Array, conductance: Array, b: Array, body: complex, *, resistive: bool) -> Sources | None:
    """What every two and every three readings allow.

    Args:
        volts: magnitudes [V] shape (rows, readings).
        conductance: of each load, meter and burden [S] shape (meters, rows, readings), rising along readings in row 0.
        b: common susceptance [S] shape (meters,).
        body: impedance of the body network [Ω].
        resistive: DC, where a source has no reactance.
    Returns: shape (meters, rows, estimates), or None where no two loads differ.
    """
    nominal, reach = conductance[0, 0], abs(1 / body)
    pairs = [(i, j) for i, j in combinations(range(len(nominal)), 2) if nominal[j] - nominal[i] > _SAME_LOAD * reach]
    if not pairs:
        return None
    triples = [
        group
        for group in combinations(range(len(nominal)), 3)
        if min(np.diff(nominal[list(group)])) > _APART * reach and not resistive
    ]
    i = [i for i, _ in pairs] + [group[0] for group in triples]
    j = [j for _, j in pairs] + [group[2] for group in triples]
    heavy = np.maximum(conductance[..., j], conductance[..., i] + _SAME_LOAD * reach / 2)
    pair = _pair(volts[:, i], volts[:, j], conductance[..., i], heavy, b[:, None, None])
    low, high = pair.low, pair.low if resistive else pair.high
    if triples:
        k = [group[1] for group in triples]
        solved = _curvature(volts, conductance, [list(column) for column in zip(*triples, strict=True)])
        extent = slice(len(pairs), len(pairs) + len(k))
        low, high = low.copy(), high.copy()
        low[..., extent] = high[..., extent] = np.clip(solved, pair.low[..., extent], pair.high[..., extent])
    return _allowed(pair, low, high, body)


def _curvature(volts: Array, conductance: Array, columns: list[list[int]]) -> Array:
    """q through three readings: the second divided difference of 1/V² over G."""
    v1, v2, v3 = (np.maximum(volts[:, column], _TINY) for column in columns)
    g1, g2, g3 = (conductance[..., column] for column in columns)
    gaps = [np.maximum(gap, 1e-18) for gap in (g2 - g1, g3 - g2, g3 - g1)]
    first = (v1 - v2) * (v1 + v2) / (v1 * v2) ** 2 / gaps[0]
    second = (v2 - v3) * (v2 + v3) / (v2 * v3) ** 2 / gaps[1]
    return np.asarray((second - first) / gaps[2])


def single(conductance: Array, b: Array, body: complex, *, resistive: bool) -> Ends:
    """Body current per volt read under one load, over every source there can be. [S]

    |1 + Z·Y| over |1 + Z·Y_body| is taken at Z = 0, at endless Z and at the stationary |Z| of each phase.

    Args: conductance [S] shape (meters, readings), b [S] shape (meters,).
    """
    goal = 1 / body
    phase = _PHASES[:1] if resistive else _PHASES
    load, touch = conductance**2 + b[:, None] ** 2, abs(goal) ** 2
    along = conductance[..., None] * np.cos(phase) + b[:, None, None] * np.sin(phase)
    toward = goal.real * np.cos(phase) + goal.imag * np.sin(phase)
    # d/dz of (1 + 2·along·z + load·z²)/(1 + 2·toward·z + touch·z²) is zero where this quadratic in z is.
    square = load[..., None] * toward - along * touch
    middle, last = load[..., None] - touch, along - toward
    turn = np.sqrt(np.maximum(middle**2 - 4 * square * last, 0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        roots = [(-middle + turn) / (2 * square), (-middle - turn) / (2 * square)]
    z = np.stack([np.where(np.isfinite(root) & (root > 0), np.minimum(root, 1e12), 0.0) for root in roots])
    ratio = (1 + 2 * along * z + load[..., None] * z**2) / (1 + 2 * toward * z + touch * z**2)
    ends = np.stack([np.ones_like(load), load / touch])
    low = np.minimum(ratio.min(axis=(0, -1)), ends.min(axis=0))
    high = np.maximum(ratio.max(axis=(0, -1)), ends.max(axis=0))
    return Ends(np.sqrt(low * touch), np.sqrt(high * touch))


def strain(v1: float, v2: float, light: Array, heavy: Array, b: Array) -> float:
    """How far two readings are from what any resistive to capacitive source gives; at or below zero: one gives them.

    Args: v1 under the lighter load, v2 under the heavier [V]; the rest shape (meters,); the kindest meter counts.
    """
    return float(np.min(_pair(np.full_like(b, v1), np.full_like(b, v2), light, heavy, b).strain))


class Met(NamedTuple):
    """What all estimates allow together, for each meter."""

    low: Array
    high: Array
    lower: Array  #: low end with the uncertainties counted
    upper: Array  #: high end with the uncertainties counted
    agree: bool  #: whether some meter lets every two estimates meet, at twice their uncertainties

    def ends(self) -> tuple[float, float]:
        """Low and high as read, over all meters.

        Where noise crosses the estimates, what lies between them stands, no further than their uncertainties reach.
        """
        first = np.maximum(np.minimum(self.low, self.high), self.lower)
        last = np.minimum(np.maximum(self.low, self.high), self.upper)
        return float(np.minimum(first, last).min()), float(np.maximum(first, last).max())


def spread(ends: Ends, plan: Steps) -> Ends:
    """U of the low end (downward) and of the high end (upward) of each estimate, shape (meters, estimates)."""
    down = np.maximum(ends.low[:, :1] - ends.low, 0.0)
    up = np.maximum(ends.high - ends.high[:, :1], 0.0)
    return Ends(_expanded(down, plan), _expanded(up, plan))


def _expanded(side: Array, plan: Steps) -> Array:
    """Root sum of squares of what each input's step moves, widened for the choice, never beyond their plain sum."""
    moved = np.max(side[:, plan.alone], axis=2)
    squares = CHOICE * np.sqrt(np.sum(moved**2, axis=1))
    return np.asarray(np.maximum(np.minimum(squares, np.sum(moved, axis=1)), np.max(side[:, plan.joint], axis=1)))


def meet(ends: Ends, plan: Steps) -> Met:
    """The intersection of all estimates, as read and with each one's own U."""
    low, high = ends.low[:, 0], ends.high[:, 0]
    down, up = spread(ends, plan)
    # Six in a thousand good sets of readings miss each other at once their U; at twice, hardly any.
    agree = bool(np.any((high + 2 * up).min(axis=-1) >= (low - 2 * down).max(axis=-1)))
    return Met(low.max(axis=-1), high.min(axis=-1), (low - down).max(axis=-1), (high + up).min(axis=-1), agree)
