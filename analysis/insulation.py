"""Insulation readings as an insulation tester gave them, typed in."""

from __future__ import annotations

import math

import numpy as np

from analysis.finding import Evidence, Finding, Level
from analysis.judge import COVERAGE, fallback_u, falls_below
from analysis.states import Chunk, chunks
from analysis.table import Radio
from drivers.units import show, show_pm

POINTS = ("mains-to-chassis", "barrier")
#: Below the first it is danger, below the second caution. [Ω]
#: Source: 1 MΩ as the lowest insulation resistance of IEC 60364-6 table 6A for circuits up to 500 V; 5 MΩ as trade
#: practice for a barrier that touchable metal hangs on. Product standards ask for more of new equipment.
LOWEST, WANTED = 1e6, 5e6
SOURCE = "IEC 60364-6, table 6A (1 MΩ); trade practice (5 MΩ)"


def insulation_finding(radio: Radio) -> Finding | None:
    """`insulation`, by the lowest of the readings; None where there are none."""
    found = [c for s in radio.judged for c in chunks(s, by=(), where=lambda point: point in POINTS)]
    read = [(c, last) for c in found if c.key.quantity == "resistance" and (last := _last(c)) is not None]
    if not read:
        return None
    chunk, row = min(read, key=lambda pair: _ohms(*pair))
    ohms = _ohms(chunk, row)
    count = float(chunk.resolution[row]) if math.isfinite(chunk.resolution[row]) else None
    guessed = not math.isfinite(chunk.u[row])
    u = chunk.u[row] if not guessed else fallback_u(ohms, count) if math.isfinite(ohms) else 0.0
    expanded = COVERAGE * float(u)
    if falls_below(ohms, expanded, LOWEST):
        level = Level.DANGER
    else:
        level = Level.CAUTION if falls_below(ohms, expanded, WANTED) else Level.WITHIN
    shown = "beyond the tester's range" if math.isinf(ohms) else show_pm(ohms, expanded, "Ohm")
    points = sorted({c.key.point for c, _ in read})
    return Finding(
        id="insulation", level=level, title=f"Insulation: {chunk.key.point} {shown}",
        statement=(
            f"The lowest insulation reading, {chunk.key.point}, is {shown}. Danger is below {show(LOWEST, 'Ohm')}, "
            f"caution below {show(WANTED, 'Ohm')}. Readings were typed in as the tester showed them."
            + (" No accuracy line covers it; 3 % + 10 counts were taken." if guessed and math.isfinite(ohms) else "")
        ),
        value=ohms if math.isfinite(ohms) else None, expanded_uncertainty=expanded if math.isfinite(ohms) else None,
        unit="Ohm", limit=LOWEST if level is Level.DANGER else WANTED, limit_source=SOURCE,
        evidence=tuple(Evidence(session=c.session.name, rows=(int(c.rows[i]),)) for c, i in read),
        missing=tuple(point for point in POINTS if point not in points),
        advice="" if level is Level.WITHIN else "Find what leaks before the set is plugged in; old capacitors first.",
    )  # fmt: skip


def _last(chunk: Chunk) -> int | None:
    """The last row that says anything: an insulation tester is read once, not settled on."""
    told = np.flatnonzero(chunk.ok | chunk.overload)
    if chunk.take is not None:
        taken = told[(chunk.rows[told] >= chunk.take.first) & (chunk.rows[told] <= chunk.take.last)]
        told = taken if len(taken) else told
    return int(told[-1]) if len(told) else None


def _ohms(chunk: Chunk, row: int) -> float:
    return math.inf if chunk.overload[row] else float(chunk.value[row])
