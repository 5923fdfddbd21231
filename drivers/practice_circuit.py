"""The circuit of a practice radio: a few complex nodes, solved by elimination, each point a Thévenin source.

Plain Python, so that a practice sitting starts as fast as a real one.

Source: nodal analysis; a point's open-circuit voltage is its node's, its impedance what one ampere into it raises.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

CLOSED_OHMS, OPEN_OHMS, OPEN_FARADS = 0.03, 5e10, 4e-12  #: a switch's contact with its cord, and its gap


@dataclass(frozen=True, slots=True)
class Branch:
    """Between two nodes: (resistance + inductance in series) beside a capacitance."""

    one: str
    other: str
    resistance: float = math.inf  #: [Ω]
    capacitance: float = 0.0  #: [F]
    inductance: float = 0.0  #: [H]
    cold: float | None = None  #: resistance with the set off, as of heaters [Ω]

    def admittance(self, omega: float, *, on: bool) -> complex:
        """At an angular frequency; `on`: the set is on, its heaters hot. [S]"""
        resistance = self.resistance if on or self.cold is None else self.cold
        through = 0j if math.isinf(resistance) else 1 / complex(resistance, omega * self.inductance)
        return through + 1j * omega * self.capacitance


@dataclass(frozen=True, slots=True)
class Source:
    """A point as a voltage source behind an impedance."""

    volts: complex
    ohms: complex

    def across(self, admittance: complex) -> float:
        """Magnitude of the voltage over what is put across it. [V]"""
        return abs(self.volts / (1 + self.ohms * admittance))


def contact(one: str, other: str, *, closed: bool) -> Branch:
    """A switch's contact."""
    return Branch(one, other, CLOSED_OHMS) if closed else Branch(one, other, OPEN_OHMS, OPEN_FARADS)


def solve(
    branches: Iterable[Branch], known: dict[str, complex], point: str, omega: float, *, on: bool, leak: float = 1e-13
) -> Source:
    """One point of a network as a source.

    Args:
        known: nodes held at a voltage; all others float. [V]
        omega: angular frequency, 0 for direct current. [rad/s]
        leak: from every node to where 0 V is, so that nothing floats without end. [S]
    """
    parts = list(branches)
    nodes = sorted({n for part in parts for n in (part.one, part.other)} | {point} - known.keys())
    nodes = [node for node in nodes if node not in known]
    if point in known:
        return Source(known[point], 0j)
    at = {node: i for i, node in enumerate(nodes)}
    size = len(nodes)
    rows = [[0j] * (size + 2) for _ in range(size)]  # the matrix, what is driven in, and one ampere into the point
    for i in range(size):
        rows[i][i] += leak
    for part in parts:
        y = part.admittance(omega, on=on)
        for here, there in ((part.one, part.other), (part.other, part.one)):
            if here in at:
                row = rows[at[here]]
                row[at[here]] += y
                if there in at:
                    row[at[there]] -= y
                else:
                    row[size] += y * known[there]
    rows[at[point]][size + 1] = 1.0
    _eliminate(rows, size)
    solved = rows[at[point]]
    return Source(solved[size], solved[size + 1])


def _eliminate(rows: list[list[complex]], size: int) -> None:
    """Gauss-Jordan with the largest pivot, in place: the right-hand columns become the solutions."""
    for column in range(size):
        pivot = max(range(column, size), key=lambda r: abs(rows[r][column]))
        if pivot != column:
            rows[column], rows[pivot] = rows[pivot], rows[column]
        scale = rows[column][column]
        rows[column] = [value / scale for value in rows[column]]
        for other in range(size):
            factor = rows[other][column]
            if other != column and factor:
                rows[other] = [a - factor * b for a, b in zip(rows[other], rows[column], strict=True)]
