"""The few formulas of an uncertainty budget that the judgement uses, after JCGM 100 and JCGM 106."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

FloatArray = np.ndarray[Any, np.dtype[np.float64]]


def combined(contributions: Sequence[float], correlations: Sequence[tuple[int, int, float]] = ()) -> float:
    """Combined standard uncertainty of contributions c·u, each in the unit of the result.

    Args: correlations: (i, j, r) of contributions that are not independent.
    Raises: ValueError: a correlation outside −1 to 1.
    Source: JCGM 100:2008, equations 10 and 13.
    """
    square = sum(part * part for part in contributions)
    for i, j, r in correlations:
        if not -1 <= r <= 1:
            raise ValueError(f"a correlation is {r!r}: expected -1 to 1")
        square += 2 * r * contributions[i] * contributions[j]
    return math.sqrt(max(square, 0.0))


def of_mean(values: Sequence[float] | FloatArray) -> float:
    """Standard uncertainty of the mean of repeated readings, type A; 0 for a single one.

    Source: JCGM 100:2008, 4.2.3.
    """
    count = len(values)
    return float(np.std(values, ddof=1)) / math.sqrt(count) if count > 1 else 0.0


def conformance(value: float, u: float, *, lower: float = -math.inf, upper: float = math.inf) -> float:
    """Probability that the true value lies inside limits, for a normal distribution about the measured one.

    Source: JCGM 106:2012, 7.2 to 7.4.
    """
    if u <= 0:
        return float(lower <= value <= upper)

    def below(limit: float) -> float:
        return 0.5 * (1 + math.erf((limit - value) / u / math.sqrt(2)))

    return (1.0 if upper == math.inf else below(upper)) - (0.0 if lower == -math.inf else below(lower))
