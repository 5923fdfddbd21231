"""The periodic steady state of many rectifier branches at once, found directly and not by waiting out the transient.

A branch is an EMF behind a resistance and a diode path, feeding one reservoir with one load:
`C dv/dt = i(e − v) − load(v)`. The period is cut into steps, finer where the diode conducts; each step is the
two-stage Radau IIA rule (third order, and stiff branches do not ring), and Newton's method solves all steps and the
condition `v(end) = v(start)` together. The charging current is convex and falling in v, and minus the load current is
too, so that Newton's method climbs to the one steady state from below.

Source of the rule: E. Hairer, G. Wanner, Solving Ordinary Differential Equations II, section IV.5, Radau IIA, s = 2.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

#: Stages of Radau IIA with two stages: at 1/3 and 1 of the step, with the weights 3/4 and 1/4 of the quadrature.
_C1, _W1, _W2 = 1 / 3, 0.75, 0.25
#: Steps before, inside and after the conducting window, for the first pass and for the later ones.
_FIRST, _LATER = (16, 40, 16), (24, 72, 24)
_PASSES = 4
_ITERATIONS = 80
#: Converged when no voltage moves by more than this fraction of the peak EMF.
_TOLERANCE = 1e-10


@dataclass(frozen=True, slots=True, kw_only=True)
class Branches:
    """n branches of one kind; arrays have shape (n,), in SI base units."""

    peak: Array  #: of the EMF [V]
    angular: float  #: angular frequency of the mains [rad/s]
    charge: Callable[[Array], tuple[Array, Array]]  #: e − v -> current and conductance; e − v has shape (steps, n)
    resistance: Array  #: winding and diodes while conducting, for the first guess of the window [Ω]
    drop: Array  #: of the diodes, for the first guess [V]
    reservoir: Array  #: [F]
    current: Array  #: the load takes min(current, conductance · v) [A]
    conductance: Array  #: [S]
    full_wave: bool = False  #: charged in both half cycles
    stacked: bool = False  #: a doubler: the load lies across this reservoir and its mirror image half a cycle later


@dataclass(frozen=True, slots=True, kw_only=True)
class Waves:
    """Steady state at the stages of each step; arrays have shape (2 · steps, n)."""

    rail: Array  #: across the load [V]
    charging: Array  #: through the diode path of one branch [A]
    load: Array  #: [A]
    weight: Array  #: of each stage in a mean over the period; the sum over a column is 1


def steady(branches: Branches) -> Waves:
    """The one periodic steady state of each branch.

    Raises: ValueError: a branch did not settle to a steady rail.
    """
    lo, hi = _first_window(branches)
    grid = _grid(branches, lo, hi, _FIRST)
    start = _first_guess(branches, lo, hi)
    state = _solve(branches, grid, np.broadcast_to(start, grid.theta_1.shape).copy(),
                   np.broadcast_to(start, grid.theta_1.shape).copy())  # fmt: skip
    for _ in range(_PASSES):
        new_lo, new_hi, resolved = _window(branches, grid, state)
        finer = _grid(branches, new_lo, new_hi, _LATER)
        state = _solve(branches, finer, *_carry_over(grid, state, finer))
        grid = finer
        if resolved:
            break
    return _waves(branches, grid, state)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Grid:
    start: float  #: phase at which the period begins [rad]
    span: float  #: length of the period [rad]
    step: Array  #: (steps, n) [rad]
    theta_1: Array  #: phase at the first stage, (steps, n) [rad]
    theta_2: Array  #: phase at the second stage, the end of the step


@dataclass(frozen=True, slots=True, kw_only=True)
class _State:
    v1: Array  #: reservoir voltage at the first stage, (steps, n)
    v2: Array
    i1: Array  #: charging current
    i2: Array


def _first_window(branches: Branches) -> tuple[Array, Array]:
    """Where the diodes may conduct: half angle for an endless reservoir, reaching further back for a small one.

    Source: tan a − a = π Rs/RL (half-wave), half of it for full-wave, with tan a − a ≈ a³/3.
    """
    peak = np.maximum(branches.peak - branches.drop, 0.05 * branches.peak)
    drawn = np.minimum(branches.current, branches.conductance * peak)
    ratio = math.pi * branches.resistance * drawn / peak / (2 if branches.full_wave else 1)
    half = np.clip(np.cbrt(3 * ratio), 1e-4, 1.2)
    period = (1 if branches.full_wave else 2) * math.pi / branches.angular
    sag = np.clip(drawn * period / branches.reservoir / peak, 0, 1)
    before = np.clip(np.maximum(1.2 * half, np.arccos(1 - sag)), 0, 1.5)
    return math.pi / 2 - before, math.pi / 2 + 1.2 * half


def _first_guess(branches: Branches, lo: Array, hi: Array) -> Array:
    """A constant rail below the true one: Newton's method climbs from there."""
    width = np.maximum(math.pi / 2 - lo, hi - math.pi / 2)
    return np.asarray(np.maximum(branches.peak * np.cos(np.minimum(1.2 * width, 1.5)) - 1.2 * branches.drop, 0.0))


def _grid(branches: Branches, lo: Array, hi: Array, counts: tuple[int, int, int]) -> _Grid:
    """Steps that are even inside and outside the window lo…hi of the phase.

    For a doubler the second half of the period repeats the steps of the first, so that each stage has its mirror
    image half the steps away.
    """
    before, inside, after = counts
    if branches.full_wave:
        start, span, edges, parts = 0.0, math.pi, (lo, hi), (before, inside, after)
    elif branches.stacked:
        start, span = -math.pi / 2, math.pi
        tail = np.clip(hi - math.pi, start, np.minimum(lo, math.pi / 2))
        edges, parts = (tail, np.maximum(lo, tail)), (inside // 2, before, inside)
    else:
        start, span, edges, parts = -math.pi / 2, 2 * math.pi, (lo, hi), (before, inside, after)
    end = start + span
    first, second = (np.clip(edge, start, end) for edge in edges)
    lengths = (first - start, second - first, end - second)
    step = np.concatenate([np.broadcast_to(length / n, (n, lo.size)) for length, n in zip(lengths, parts, strict=True)])
    if branches.stacked:
        step, span = np.concatenate([step, step]), 2 * math.pi
    ends = start + np.cumsum(step, axis=0)
    return _Grid(start=start, span=span, step=step, theta_1=ends - (1 - _C1) * step, theta_2=ends)


def _window(branches: Branches, grid: _Grid, state: _State) -> tuple[Array, Array, bool]:
    """First and last phase with a charging current worth the name, a little widened, and whether the window was
    already well resolved."""
    conducting = np.maximum(state.i1, state.i2) > 1e-3 * np.maximum(state.i1, state.i2).max(axis=0)
    steps = conducting.shape[0]
    first = conducting.argmax(axis=0)
    last = steps - 1 - conducting[::-1].argmax(axis=0)
    columns = np.arange(first.size)
    ends, step = grid.theta_2, grid.step
    lo = ends[first, columns] - step[first, columns]
    hi = ends[last, columns]
    # One step more on either side: the edge of the pulse lies somewhere inside its first and last step.
    lo = lo - np.minimum(0.5 * step[np.maximum(first - 1, 0), columns], 0.06 * (hi - lo))
    hi = hi + np.minimum(0.5 * step[np.minimum(last + 1, steps - 1), columns], 0.06 * (hi - lo))
    return lo, hi, bool((conducting.sum(axis=0) >= 10).all())


def _carry_over(grid: _Grid, state: _State, finer: _Grid) -> tuple[Array, Array]:
    """The voltages of one grid, interpolated at the stages of another."""
    first, second = np.empty_like(finer.theta_1), np.empty_like(finer.theta_2)
    for column in range(grid.step.shape[1]):
        phase, voltage = grid.theta_2[:, column], state.v2[:, column]
        first[:, column] = np.interp(finer.theta_1[:, column], phase, voltage, period=grid.span)
        second[:, column] = np.interp(finer.theta_2[:, column], phase, voltage, period=grid.span)
    return first, second


def _emf(branches: Branches, theta: Array) -> Array:
    return np.asarray(branches.peak * np.sin(theta))


def _load(branches: Branches, v: Array) -> tuple[Array, Array]:
    """Load current, and how fast it grows with v. For a doubler the mirror image is taken to move alike, which is
    exact for slow changes and makes Newton's method an inexact one for fast ones."""
    across = _across(branches, v)
    wanted = branches.conductance * across
    limited = wanted > branches.current
    slope = np.where(limited, 0.0, branches.conductance * (2.0 if branches.stacked else 1.0))
    return np.where(limited, branches.current, wanted), slope


def _across(branches: Branches, v: Array) -> Array:
    """The voltage that the load sees."""
    return v + np.roll(v, v.shape[0] // 2, axis=0) if branches.stacked else v


def _solve(branches: Branches, grid: _Grid, v1: Array, v2: Array) -> _State:
    """Newton's method on all steps and the closing of the period."""
    emf_1, emf_2 = _emf(branches, grid.theta_1), _emf(branches, grid.theta_2)
    scale = grid.step / branches.angular / branches.reservoir
    tolerance = _TOLERANCE * branches.peak
    for iteration in range(_ITERATIONS):
        i1, g1 = branches.charge(emf_1 - v1)
        i2, g2 = branches.charge(emf_2 - v2)
        load_1, slope_1 = _load(branches, v1)
        load_2, slope_2 = _load(branches, v2)
        f1, f2 = scale * (i1 - load_1), scale * (i2 - load_2)
        a, b = -scale * (g1 + slope_1), -scale * (g2 + slope_2)
        before = np.concatenate([v2[-1:], v2[:-1]])
        r1 = v1 - before - (5 / 12) * f1 + (1 / 12) * f2
        r2 = v2 - before - _W1 * f1 - _W2 * f2
        det = 1 - (5 / 12) * a - 0.25 * b + a * b / 6
        step = _periodic((1 + a / 3) / det, -((1 - (5 / 12) * a) * r2 + 0.75 * a * r1) / det)
        move_2 = np.concatenate([step[1:], step[:1]])
        move_1 = ((1 - b / 3) * step - (1 - 0.25 * b) * r1 + (b / 12) * r2) / det
        # A doubler with a starved load can circle between two answers; half a step ends that.
        damping = 1.0 if iteration < 25 else 0.5
        v1, v2 = v1 + damping * move_1, v2 + damping * move_2
        if (np.abs(move_2).max(axis=0) <= tolerance).all():
            return _State(v1=v1, v2=v2, i1=branches.charge(emf_1 - v1)[0], i2=branches.charge(emf_2 - v2)[0])
        if not np.isfinite(move_2).all():
            break
    raise ValueError("no steady rail was found for this circuit: check EMF, resistance, reservoir and load")


def _periodic(factor: Array, offset: Array) -> Array:
    """The x of x[k+1] = factor[k]·x[k] + offset[k] with x[end] = x[0]; returned for k = 0 … steps − 1."""
    steps, n = factor.shape
    if n == 1:  # plain floats are twenty times faster than arrays of one
        x = _periodic_single(factor[:, 0].tolist(), offset[:, 0].tolist())
        return np.array(x).reshape(steps, 1)
    product, total = np.empty((steps + 1, n)), np.empty((steps + 1, n))
    product[0], total[0] = 1.0, 0.0
    for k in range(steps):
        np.multiply(factor[k], product[k], out=product[k + 1])
        np.multiply(factor[k], total[k], out=total[k + 1])
        total[k + 1] += offset[k]
    first = total[-1] / (1 - product[-1])
    return np.asarray(product[:-1] * first + total[:-1])


def _periodic_single(factor: list[float], offset: list[float]) -> list[float]:
    product, total = 1.0, 0.0
    for f, o in zip(factor, offset, strict=True):
        product *= f
        total = f * total + o
    x = total / (1 - product) if product != 1 else math.inf
    found = []
    for f, o in zip(factor, offset, strict=True):
        found.append(x)
        x = f * x + o
    return found


def _waves(branches: Branches, grid: _Grid, state: _State) -> Waves:
    """Both stages as one sequence in time, with the weights of the quadrature."""

    def both(first: Array, second: Array) -> Array:
        return np.stack([first, second], axis=1).reshape(-1, first.shape[1])

    share = grid.step / grid.span
    return Waves(
        rail=both(_across(branches, state.v1), _across(branches, state.v2)),
        charging=both(state.i1, state.i2),
        load=both(_load(branches, state.v1)[0], _load(branches, state.v2)[0]),
        weight=both(_W1 * share, _W2 * share),
    )
