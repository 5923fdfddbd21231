"""The periodic steady state of many rectifier branches at once, found directly and not by waiting out the transient.

A branch is an EMF behind a resistance and a diode path, feeding one reservoir with one load:
`C dv/dt = i(e − v) − load(v)`. The period is cut into steps, finer where the diode conducts. Where that is comes out
of a first solution on a coarse grid; then the grid follows it until the pulse of current is well resolved.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.rectifier_newton import C1, Array, Branches, Grid, State, across, emf, load_current, solve_period

#: Steps before, inside and after the conducting window, for the first pass and for the later ones.
_FIRST, _LATER = (16, 32, 16), (20, 64, 20)
#: A doubler has the steps of both half cycles.
_LATER_STACKED = (16, 44, 16)
#: Few branches can have more steps: the cost is then in the number of calls, not in their size.
_FINE, _FEW = (40, 160, 40), 8
_PASSES = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Waves:
    """Steady state at the stages of each step; arrays have shape (2 · steps, n)."""

    rail: Array  #: across the load [V]
    charging: Array  #: through the diode path of one branch [A]
    load: Array  #: [A]
    emf: Array  #: [V]
    weight: Array  #: of each stage in a mean over the period; the sum over a column is 1


def steady(branches: Branches) -> Waves:
    """The one periodic steady state of each branch.

    Raises: ValueError: a branch did not settle to a steady rail.
    """
    lo, hi = _first_window(branches)
    grid = _grid(branches, lo, hi, _FIRST)
    start = _first_guess(branches, lo, hi)
    flat = np.broadcast_to(start, grid.theta_1.shape)
    state = solve_period(branches, grid, flat, flat)
    counts = _FINE if start.size <= _FEW else _LATER_STACKED if branches.stacked else _LATER
    for _ in range(_PASSES):
        new_lo, new_hi, resolved = _window(grid, state)
        finer = _grid(branches, new_lo, new_hi, counts)
        state = solve_period(branches, finer, *_carry_over(grid, state, finer))
        grid = finer
        if resolved:
            break
    return _waves(branches, grid, state)


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


def _grid(branches: Branches, lo: Array, hi: Array, counts: tuple[int, int, int]) -> Grid:
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
    return Grid(start=start, span=span, step=step, theta_1=ends - (1 - C1) * step, theta_2=ends)


def _window(grid: Grid, state: State) -> tuple[Array, Array, bool]:
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


def _carry_over(grid: Grid, state: State, finer: Grid) -> tuple[Array, Array]:
    """The voltages of one grid, interpolated at the stages of another."""
    steps = finer.step.shape[0]
    wanted = np.concatenate([finer.theta_1, finer.theta_2])
    found = np.empty_like(wanted)
    for column in range(grid.step.shape[1]):
        phase, voltage = grid.theta_2[:, column], state.v2[:, column]
        found[:, column] = np.interp(wanted[:, column], phase, voltage, period=grid.span)
    return found[:steps], found[steps:]


def _waves(branches: Branches, grid: Grid, state: State) -> Waves:
    """Both stages as one sequence in time, with the weights of the quadrature."""

    def both(first: Array, second: Array) -> Array:
        return np.stack([first, second], axis=1).reshape(-1, first.shape[1])

    share = grid.step / grid.span
    return Waves(
        rail=both(across(branches, state.v1), across(branches, state.v2)),
        charging=both(state.i1, state.i2),
        emf=both(emf(branches, grid.theta_1), emf(branches, grid.theta_2)),
        load=both(load_current(branches, state.v1)[0], load_current(branches, state.v2)[0]),
        weight=both(state.weight_1 * share, state.weight_2 * share),
    )
