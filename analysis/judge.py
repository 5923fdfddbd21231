"""The one decision rule: guarded acceptance on the worse side, with the guard band U = 2u."""

from __future__ import annotations

import math

from analysis.finding import Outcome

#: Coverage factor for the expanded uncertainty, about 95 %. Source: JCGM 100:2008, 6.2.1 and 6.3.3.
COVERAGE = 2.0
#: Half width taken for a reading that no accuracy line covers: fraction of reading, and counts. Source: own choice,
#: wider than any common hand-held meter's AC volts line; the finding says that it was used.
FALLBACK_OF_READING, FALLBACK_COUNTS = 0.03, 10.0


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a value known to lie within ±half_width. Source: JCGM 100:2008, 4.3.7."""
    return half_width / math.sqrt(3)


def fallback_u(value: float, resolution: float | None) -> float:
    """Standard uncertainty of a reading without an accuracy line: a half width of 3 % + 10 counts. [unit of value]"""
    return rectangular(FALLBACK_OF_READING * abs(value) + FALLBACK_COUNTS * (resolution or 0.0))


def against_upper(value: float, expanded: float, limit: float) -> Outcome:
    """Where a value stands against an upper limit; a value exactly at the limit is above it.

    Source: JCGM 106:2012, 8.3 (guarded acceptance); ILAC-G8:09/2019, guard band w = U.
    """
    if value - expanded >= limit:
        return Outcome.ABOVE
    return Outcome.TOO_CLOSE if value + expanded >= limit else Outcome.BELOW


def exceeds(value: float, expanded: float, limit: float) -> bool:
    """Whether value + U reaches an upper limit: the worse side counts."""
    return value + expanded >= limit


def falls_below(value: float, expanded: float, limit: float) -> bool:
    """Whether value − U reaches a lower limit: the worse side counts."""
    return value - expanded <= limit
