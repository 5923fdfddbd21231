"""Newton's method on one whole period of rectifier branches: every step and the closing of the period at once.

Each step is the two-stage Radau IIA rule (third order, and stiff branches do not ring). The charging current is
convex and falling in the reservoir's voltage, and minus the load current is too, so that Newton's method climbs to
the one steady state from below.

Source of the rule: E. Hairer, G. Wanner, Solving Ordinary Differential Equations II, section IV.5, Radau IIA, s = 2.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: Stages of Radau IIA with two stages: at 1/3 and 1 of the step, with the weights 3/4 and 1/4 of the quadrature.
C1, W1, W2 = 1 / 3, 0.75, 0.25
_ITERATIONS, _STACKED_ITERATIONS = 60, 25
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


def solve_period(branches: Branches, grid: Grid, v1: Array, v2: Array) -> State:
    """The steady state on one grid, from a first guess of both stages, (steps, n).

    Raises: ValueError: no steady state was found.
    """
    system = _System(branches, grid)
    for _ in range(_STACKED_ITERATIONS if branches.stacked else _ITERATIONS):
        line = system.linearise(v1, v2)
        move_1, move_2 = line.moves()
        v1, v2 = v1 + move_1, v2 + move_2
        if system.settled(move_2).all():
            return system.state(v1, v2)
        if not np.isfinite(move_2).all():
            break
    if branches.stacked:
        return _solve_coupled(system, v1, v2)
    raise ValueError(NO_STEADY_RAIL)


@dataclass(frozen=True, slots=True)
class _System:
    """The equations of all steps of one grid."""

    branches: Branches
    grid: Grid

    def linearise(self, v1: Array, v2: Array) -> _Line:
        """The equations and their slopes at one guess."""
        b, grid = self.branches, self.grid
        scale = grid.step / b.angular / b.reservoir
        (i1, g1), (i2, g2) = b.charge(emf(b, grid.theta_1) - v1), b.charge(emf(b, grid.theta_2) - v2)
        (load_1, slope_1), (load_2, slope_2) = load_current(b, v1), load_current(b, v2)
        f1, f2 = scale * (i1 - load_1), scale * (i2 - load_2)
        before = np.concatenate([v2[-1:], v2[:-1]])
        return _Line(
            own_1=scale * g1, own_2=scale * g2, load_1=scale * slope_1, load_2=scale * slope_2,
            share=2.0 if b.stacked else 1.0,
            r1=v1 - before - (5 / 12) * f1 + (1 / 12) * f2, r2=v2 - before - W1 * f1 - W2 * f2,
        )  # fmt: skip

    def settled(self, move: Array) -> NDArray[np.bool_]:
        """Which branches no longer move."""
        return np.asarray(np.abs(move).max(axis=0) <= _TOLERANCE * self.branches.peak)

    def state(self, v1: Array, v2: Array) -> State:
        """The voltages with the currents that belong to them."""
        b, grid = self.branches, self.grid
        return State(v1=v1, v2=v2, i1=b.charge(emf(b, grid.theta_1) - v1)[0],
                     i2=b.charge(emf(b, grid.theta_2) - v2)[0])  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Line:
    """The equations of all steps, linear about one guess; arrays have shape (steps, n)."""

    own_1: Array  #: slope of the charge per step with the branch's own voltage, first stage
    own_2: Array
    load_1: Array  #: slope of the load's charge with the voltage across the load
    load_2: Array
    share: float  #: how much of it moves with the own voltage
    r1: Array  #: what is left over of each equation
    r2: Array

    def moves(self) -> tuple[Array, Array]:
        """The step of Newton's method at both stages.

        The mirror image of a doubler is taken to move as the branch itself does. That is exact for slow changes;
        for a starved load it is not good enough, and `coupled_moves` takes over.
        """
        a, b = -(self.own_1 + self.share * self.load_1), -(self.own_2 + self.share * self.load_2)
        det = 1 - (5 / 12) * a - 0.25 * b + a * b / 6
        start = _periodic((1 + a / 3) / det, -((1 - (5 / 12) * a) * self.r2 + 0.75 * a * self.r1) / det)
        move_1 = ((1 - b / 3) * start - (1 - 0.25 * b) * self.r1 + (b / 12) * self.r2) / det
        return move_1, np.concatenate([start[1:], start[:1]])

    def coupled_moves(self, column: int) -> tuple[Array, Array]:
        """The step of Newton's method for one doubler, branch and mirror image together; both of shape (steps,).

        Two voltages over half a period, which have changed places at its end.
        """
        half = self.r1.shape[0] // 2
        j1, j2 = _pair(self.own_1, self.load_1, column), _pair(self.own_2, self.load_2, column)
        one = np.broadcast_to(np.eye(2), j1.shape)
        left = np.block([[one - (5 / 12) * j1, (1 / 12) * j2], [-0.75 * j1, one - 0.25 * j2]])
        rest = np.stack([self.r1[:half, column], self.r1[half:, column],
                         self.r2[:half, column], self.r2[half:, column]], axis=1)  # fmt: skip
        right = np.concatenate([np.broadcast_to(np.concatenate([np.eye(2)] * 2), (half, 4, 2)), -rest[:, :, None]], 2)
        solved = np.linalg.solve(left, right)
        total, offset = np.eye(2), np.zeros(2)
        for k in range(half):
            total, offset = solved[k, 2:, :2] @ total, solved[k, 2:, :2] @ offset + solved[k, 2:, 2]
        now = np.linalg.solve(np.array([[0.0, 1.0], [1.0, 0.0]]) - total, offset)
        moves = np.empty((half, 4))
        for k in range(half):
            moves[k] = solved[k, :, :2] @ now + solved[k, :, 2]
            now = moves[k, 2:]
        return np.concatenate([moves[:, 0], moves[:, 1]]), np.concatenate([moves[:, 2], moves[:, 3]])


def _pair(own: Array, load: Array, column: int) -> Array:
    """Slopes of branch and mirror image with both voltages, shape (steps / 2, 2, 2)."""
    half = own.shape[0] // 2
    slopes = np.empty((half, 2, 2))
    slopes[:] = -load[:half, column, None, None]
    slopes[:, 0, 0] -= own[:half, column]
    slopes[:, 1, 1] -= own[half:, column]
    return slopes


def _solve_coupled(system: _System, v1: Array, v2: Array) -> State:
    """Doublers whose load is starved, from the guess that the quick way left."""
    peak = system.branches.peak
    bound = 2 * peak
    v1, v2 = (np.clip(np.nan_to_num(v), -bound, bound) for v in (v1, v2))
    open_columns = list(range(peak.size))
    for iteration in range(2 * _ITERATIONS):
        line = system.linearise(v1, v2)
        damping = 1.0 if iteration < 30 else 0.5
        move_1, move_2 = np.zeros_like(v1), np.zeros_like(v2)
        for column in open_columns:
            move_1[:, column], move_2[:, column] = line.coupled_moves(column)
        v1, v2 = v1 + damping * move_1, v2 + damping * move_2
        open_columns = [column for column in open_columns if not system.settled(move_2)[column]]
        if not open_columns:
            return system.state(v1, v2)
    raise ValueError(NO_STEADY_RAIL)


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
