"""What the added board draws: statistics of the secondary current for each load that was tried."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.judge import COVERAGE, fallback_u

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

#: A plateau is this many readings in a row inside the settle band, which is this fraction or this many counts.
_ROWS, _BAND, _COUNTS = 3, 0.005, 3.0
#: The load tag that means that nothing was connected.
NO_LOAD_TAG = "none"
#: What rows without a load tag are called: nobody knows what the board did then.
UNTAGGED = "load not tagged"
#: Loads that say nothing of what the board draws while it plays.
_AT_REST = (NO_LOAD_TAG, "idle", "pairing", UNTAGGED)


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadStatistics:
    """The current of one load, as the ammeter showed it."""

    load: str  #: tag: `idle`, `pairing`, `playing`, `loudest`, or own text
    rows: int
    settled: float | None  #: mean of the highest plateau; None if it never settled [A]
    percentile_99: float  #: [A]
    peak: float  #: highest single reading [A]
    u: float  #: standard uncertainty of the settled level, else of the 99th percentile [A]
    fallback: bool = False  #: no accuracy line covered a reading, so that 3 % and ten counts were taken

    @property
    def expanded_uncertainty(self) -> float:
        """U = 2u. [A]"""
        return COVERAGE * self.u

    @property
    def design(self) -> float:
        """What the transformer has to bear: the larger of settled level and 99th percentile. [A]"""
        return max(self.percentile_99, self.settled if self.settled is not None else 0.0)


def at_work(loads: Iterable[LoadStatistics]) -> bool:
    """Whether the board was read while it played (`playing`, `loudest`, or own text), and not at rest only."""
    return any(load.load not in _AT_REST for load in loads)


def load_statistics(
    values: Sequence[float] | Array,
    loads: Sequence[str],
    *,
    u: Sequence[float] | Array | None = None,
    resolution: float | None = None,
) -> tuple[LoadStatistics, ...]:
    """Statistics by load tag, in the order in which the loads first appear.

    Args:
        values: [A] shape (n,), one a row whose status is ok; loads: the tag of each row.
        u: standard uncertainty of each row [A] shape (n,); NaN, or None for all, where no accuracy line applies.
        resolution: one count of the ammeter. [A]
    Raises: ValueError: no rows at all, arrays of different length, or a current below zero.
    """
    current = np.asarray(values, dtype=float)
    if current.size == 0:
        raise ValueError("there are no current readings: nothing can be said of the load")
    each_u = np.full(current.shape, np.nan) if u is None else np.asarray(u, dtype=float)
    if len(loads) != current.size or each_u.size != current.size:
        raise ValueError(f"{current.size} currents, {len(loads)} tags, {each_u.size} uncertainties: expected as many")
    if not (np.isfinite(current).all() and (current >= 0).all()):
        raise ValueError("a secondary current is below zero or no number: expected rms readings")
    tags = np.asarray(loads, dtype=object)
    return tuple(
        _statistics(tag, current[tags == tag], each_u[tags == tag], resolution) for tag in dict.fromkeys(loads)
    )


def _statistics(tag: str, values: Array, each_u: Array, resolution: float | None) -> LoadStatistics:
    settled, scatter = _highest_plateau(values, resolution)
    percentile = float(np.percentile(values, 99))
    level = settled if settled is not None else percentile
    fallback = bool(np.isnan(each_u).any())
    instrument = fallback_u(level, resolution) if fallback else float(each_u.max())
    return LoadStatistics(
        load=tag, rows=values.size, settled=settled, percentile_99=percentile, peak=float(values.max()),
        u=math.hypot(instrument, scatter), fallback=fallback,
    )  # fmt: skip


def _highest_plateau(values: Array, resolution: float | None) -> tuple[float | None, float]:
    """Mean of the highest settled stretch and the standard uncertainty of that mean (JCGM 100:2008, 4.2.3)."""
    if values.size < _ROWS:
        return None, 0.0
    windows = np.lib.stride_tricks.sliding_window_view(values, _ROWS)
    band = np.maximum(_BAND * windows.mean(axis=1), _COUNTS * (resolution or 0.0))
    steady = windows.max(axis=1) - windows.min(axis=1) <= band
    edges = np.flatnonzero(np.diff(np.concatenate([[False], steady, [False]]).astype(np.int8)))
    best: tuple[float | None, float] = (None, 0.0)
    for first, end in zip(edges[::2], edges[1::2], strict=True):
        stretch = values[first : end + _ROWS - 1]
        mean = float(stretch.mean())
        if best[0] is None or mean > best[0]:
            best = (mean, float(stretch.std(ddof=1)) / math.sqrt(stretch.size))
    return best
