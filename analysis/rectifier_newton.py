"""Newton's method on one whole period of rectifier branches: every step and the closing of the period at once.

Each step is the two-stage Radau IIA rule (third order, and stiff branches do not ring). The charging current is
convex and falling in the reservoir's voltage, and minus the load current is too, so that Newton's method climbs to
the one steady state from below. Where a reservoir is so small that this rule makes Newton's method circle, two
backward Euler steps in the place of each are certain to settle, and as good as exact.

Source of the rule: E. Hairer, G. Wanner, Solving Ordinary Differential Equations II, section IV.5, Radau IIA, s = 2.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: The first stage of either rule lies at this part of the step, the second one at its end.
C1 = 1 / 3
_ITERATIONS, _STACKED_ITERATIONS = 60, 12
#: Converged when no voltage moves by more than this fraction of the peak EMF.
_TOLERANCE = 1e-10


NO_STEADY_RAIL = "no steady rail was found for this circuit: check EMF, resistance, reservoir and load"


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


@dataclass(frozen=True, slots=True)
class _Rule:
    """A two-stage implicit rule; its second row is its quadrature."""

    a11: float
    a12: float
    a21: float
    a22: float


_RADAU = _Rule(5 / 12, -1 / 12, 3 / 4, 1 / 4)
_EULER = _Rule(1 / 3, 0.0, 1 / 3, 2 / 3)


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """The steps of one period."""

    start: float  #: phase at which the period begins [rad]
    span: float  #: length of the period [rad]
    step: Array  #: (steps, n) [rad]
    theta_1: Array  #: phase at the first stage, (steps, n) [rad]
    theta_2: Array  #: phase at the second stage, the end of the step


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """A guess, or the answer, at both stages of each step."""

    v1: Array  #: reservoir voltage at the first stage, (steps, n)
    v2: Array
    i1: Array  #: charging current
    i2: Array
    weight_1: Array  #: of the first stage in a mean over its step, (n,)
    weight_2: Array


def solve_period(branches: Branches, grid: Grid, v1: Array, v2: Array) -> State:
    """The steady state on one grid, from a first guess of both stages, (steps, n).

    Raises: ValueError: no steady state was found.
    """
    sines = emf(branches, grid.theta_1), emf(branches, grid.theta_2)
    radau, euler = _System(branches, grid, _RADAU, *sines), _System(branches, grid, _EULER, *sines)
    found = _iterate(radau, v1, v2)
    if found.settled.all():
        return radau.state(found.v1, found.v2)
    sure = _iterate(euler, v1, v2)
    if not sure.settled.all():
        raise ValueError(NO_STEADY_RAIL)
    again = _iterate(radau, sure.v1, sure.v2, damping=0.5)
    good = again.settled
    one, two = euler.state(sure.v1, sure.v2), radau.state(again.v1, again.v2)
    return State(**{name: np.where(good, getattr(two, name), getattr(one, name)) for name in State.__slots__})


@dataclass(frozen=True, slots=True)
class _Found:
    v1: Array
    v2: Array
    settled: NDArray[np.bool_]  #: which branches, (n,)


def _iterate(system: _System, v1: Array, v2: Array, damping: float = 1.0) -> _Found:
    """Newton's method until every branch is settled, or for as long as it may take; every voltage stays finite."""
    branches = system.branches
    settled = np.zeros(branches.peak.shape, bool)
    for _ in range(_STACKED_ITERATIONS if branches.stacked else _ITERATIONS):
        move_1, move_2 = system.linearise(v1, v2).moves()
        if not (np.isfinite(move_1).all() and np.isfinite(move_2).all()):
            break
        v1, v2 = v1 + damping * move_1, v2 + damping * move_2
        settled = system.settled(move_2)
        if settled.all():
            return _Found(v1, v2, settled)
    if branches.stacked:
        return _iterate_coupled(system, v1, v2, settled, damping)
    return _Found(v1, v2, settled)


@dataclass(frozen=True, slots=True)
class _System:
    """The equations of all steps of one grid."""

    branches: Branches
    grid: Grid
    rule: _Rule
    emf_1: Array
    emf_2: Array

    def linearise(self, v1: Array, v2: Array) -> _Line:
        """The equations and their slopes at one guess."""
        b, grid, rule = self.branches, self.grid, self.rule
        scale = grid.step / b.angular / b.reservoir
        (i1, g1), (i2, g2) = b.charge(self.emf_1 - v1), b.charge(self.emf_2 - v2)
        (load_1, slope_1), (load_2, slope_2) = load_current(b, v1), load_current(b, v2)
        f1, f2 = scale * (i1 - load_1), scale * (i2 - load_2)
        before = np.concatenate([v2[-1:], v2[:-1]])
        return _Line(
            own_1=scale * g1, own_2=scale * g2, load_1=scale * slope_1, load_2=scale * slope_2,
            share=2.0 if b.stacked else 1.0, rule=rule,
            r1=v1 - before - rule.a11 * f1 - rule.a12 * f2,
            r2=v2 - before - rule.a21 * f1 - rule.a22 * f2,
        )  # fmt: skip

    def settled(self, move: Array) -> NDArray[np.bool_]:
        """Which branches no longer move."""
        return np.asarray(np.abs(move).max(axis=0) <= _TOLERANCE * self.branches.peak)

    def state(self, v1: Array, v2: Array) -> State:
        """The voltages with the currents that belong to them."""
        b, n = self.branches, self.branches.peak.shape
        return State(v1=v1, v2=v2, i1=b.charge(self.emf_1 - v1)[0],
                     i2=b.charge(self.emf_2 - v2)[0],
                     weight_1=np.full(n, self.rule.a21), weight_2=np.full(n, self.rule.a22))  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Line:
    """The equations of all steps, linear about one guess; arrays have shape (steps, n)."""

    own_1: Array  #: slope of the charge per step with the branch's own voltage, first stage
    own_2: Array
    load_1: Array  #: slope of the load's charge with the voltage across the load
    load_2: Array
    rule: _Rule
    share: float  #: how much of it moves with the own voltage
    r1: Array  #: what is left over of each equation
    r2: Array

    def moves(self) -> tuple[Array, Array]:
        """The step of Newton's method at both stages.

        The mirror image of a doubler is taken to move as the branch itself does. That is exact for slow changes;
        for a starved load it is not good enough, and `coupled_moves` takes over.
        """
        a, b = -(self.own_1 + self.share * self.load_1), -(self.own_2 + self.share * self.load_2)
        m = self.rule
        first, second = 1 - m.a11 * a, 1 - m.a22 * b
        det = first * second - m.a12 * m.a21 * a * b
        up, back = m.a21 * a, m.a12 * b
        start = _periodic((first + up) / det, -(first * self.r2 + up * self.r1) / det)
        move_1 = ((second + back) * start - second * self.r1 - back * self.r2) / det
        return move_1, np.concatenate([start[1:], start[:1]])

    def coupled_moves(self, columns: NDArray[np.intp]) -> tuple[Array, Array]:
        """The step of Newton's method for some doublers, branch and mirror image together; of shape (steps, columns).

        Two voltages over half a period, which have changed places at its end.
        """
        half, n, m = self.r1.shape[0] // 2, columns.size, self.rule
        j1, j2 = _pair(self.own_1, self.load_1, columns), _pair(self.own_2, self.load_2, columns)
        one = np.eye(2)
        left = np.empty((half, n, 4, 4))
        left[..., :2, :2], left[..., :2, 2:] = one - m.a11 * j1, -m.a12 * j2
        left[..., 2:, :2], left[..., 2:, 2:] = -m.a21 * j1, one - m.a22 * j2
        right = np.empty((half, n, 4, 3))
        right[..., :2, :2] = right[..., 2:, :2] = one
        rests = (self.r1[:half], self.r1[half:], self.r2[:half], self.r2[half:])
        for row, rest in enumerate(rests):
            right[..., row, 2] = -rest[:, columns]
        solved = np.linalg.solve(left, right)
        total, offset = np.broadcast_to(one, (n, 2, 2)), np.zeros((n, 2, 1))
        for k in range(half):
            step = solved[k, :, 2:, :2]
            total, offset = step @ total, step @ offset + solved[k, :, 2:, 2:]
        now = np.linalg.solve(np.array([[0.0, 1.0], [1.0, 0.0]]) - total, offset)
        moves = np.empty((half, n, 4))
        for k in range(half):
            moves[k] = (solved[k, :, :, :2] @ now + solved[k, :, :, 2:])[..., 0]
            now = moves[k, :, 2:, None]
        return (np.concatenate([moves[..., 0], moves[..., 1]]), np.concatenate([moves[..., 2], moves[..., 3]]))


def _pair(own: Array, load: Array, columns: NDArray[np.intp]) -> Array:
    """Slopes of branch and mirror image with both voltages, shape (steps / 2, columns, 2, 2)."""
    half = own.shape[0] // 2
    slopes = np.empty((half, columns.size, 2, 2))
    slopes[:] = -load[:half, columns, None, None]
    slopes[..., 0, 0] -= own[:half, columns]
    slopes[..., 1, 1] -= own[half:, columns]
    return slopes


def _iterate_coupled(system: _System, v1: Array, v2: Array, settled: NDArray[np.bool_], damping: float) -> _Found:
    """Doublers whose load is starved, from the guess that the quick way left."""
    peak = system.branches.peak
    bound = 2 * peak
    v1, v2 = np.clip(v1, -bound, bound), np.clip(v2, -bound, bound)
    columns = np.flatnonzero(~settled)
    for iteration in range(_ITERATIONS):
        line = system.linearise(v1, v2)
        move_1, move_2 = np.zeros_like(v1), np.zeros_like(v2)
        move_1[:, columns], move_2[:, columns] = line.coupled_moves(columns)
        stride = damping * (1.0 if iteration < _ITERATIONS // 2 else 0.5)
        v1, v2 = v1 + stride * move_1, v2 + stride * move_2
        columns = columns[~system.settled(move_2)[columns]]
        if not columns.size:
            break
    settled = np.ones(peak.shape, bool)
    settled[columns] = False
    return _Found(v1, v2, settled)


def emf(branches: Branches, theta: Array) -> Array:
    """The EMF at a phase; in the second half cycle of a full-wave supply the period has begun again."""
    return np.asarray(branches.peak * np.sin(theta))


def load_current(branches: Branches, v: Array) -> tuple[Array, Array]:
    """Load current, and how fast it grows with the voltage across the load."""
    wanted = branches.conductance * across(branches, v)
    limited = wanted > branches.current
    return np.where(limited, branches.current, wanted), np.where(limited, 0.0, branches.conductance)


def across(branches: Branches, v: Array) -> Array:
    """The voltage that the load sees: for a doubler with that of the mirror image, half the steps away."""
    return v + np.roll(v, v.shape[0] // 2, axis=0) if branches.stacked else v


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
