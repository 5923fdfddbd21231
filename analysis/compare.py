"""Two arrangements against each other: the difference in dB, how sure it is, and whether it matters.

Hum wanders: neighbouring readings are alike, and everything drifts while the set warms up. So single readings are no
independent evidence. The arrangements are read in alternation, and one repeat, the mean of one stretch, is one unit. A
line or a low curve over time is fitted together with the difference: slow drift then cancels, and what is left between
repeats says how sure the difference is. Noise that is alike from one repeat to the next cancels in the alternation and
only makes the interval wider than it need be. One meter's error of gain is in both and drops out of the ratio.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from analysis.finding import Evidence, Finding, Level
from analysis.judge import COVERAGE
from drivers.units import counted, show

Array = npt.NDArray[np.float64]

#: Repeats of each arrangement, alternated, without which nothing is decided: two show no scatter that can be trusted.
FEWEST_REPEATS = 3
#: A difference of this size matters (own choice: about the least that is heard side by side). [dB]
MARGIN = 1.0
#: More repeats than this are not asked for.
MOST_REPEATS = 1000
_DECIBEL = 20 / math.log(10)  # dB per relative change


class Same(StrEnum):
    """What a comparison came to."""

    SAME = "same"  #: the whole interval lies inside the margin, even if it excludes zero
    DIFFERENT = "different"  #: the interval excludes zero and is not inside the margin
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """One arrangement's part of a comparison."""

    name: str
    mean: float  #: of its repeats [unit of the quantity]
    repeats: int  #: stretches apart from each other by the other arrangement
    readings: int
    effective_readings: float  #: independent readings that would say as much, by the autocorrelation in a stretch
    at_floor: bool  #: its level is what the meter shows with nothing connected, or less

    def to_json(self, unit: str) -> dict[str, Any]:
        """The unit stands in the key."""
        return {
            "name": self.name, f"mean_{unit}": self.mean, "repeats": self.repeats, "readings": self.readings,
            "effective_readings": self.effective_readings, "at_floor": self.at_floor,
        }  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """The first arrangement against the second."""

    point: str
    quantity: str
    unit: str  #: UCUM code of the means
    a: Side
    b: Side
    difference: float | None  #: a over b [dB]; None where there is nothing to compare
    interval: tuple[float, float] | None  #: [dB]; None with too few repeats for one
    confidence: float
    margin: float  #: [dB]
    outcome: Same
    more_repeats: int | None  #: of each arrangement, that would decide; 0 if decided, None if no number of them will
    reason: str  #: one sentence

    def to_json(self) -> dict[str, Any]:
        """The shape that leaves the program."""
        return {
            "point": self.point, "quantity": self.quantity, "a": self.a.to_json(self.unit),
            "b": self.b.to_json(self.unit), "difference_dB": self.difference,
            "interval_dB": None if self.interval is None else list(self.interval), "confidence": self.confidence,
            "margin_dB": self.margin, "outcome": str(self.outcome), "more_repeats": self.more_repeats,
            "reason": self.reason,
        }  # fmt: skip


@lru_cache(maxsize=4096)
def student_t(confidence: float, freedom: int) -> float:
    """Two-sided quantile of Student's t for a whole number of degrees of freedom.

    Source: Abramowitz and Stegun, Handbook of Mathematical Functions, 26.7.3 and 26.7.4 (closed form), by bisection.
    Raises: ValueError: the confidence is not between 0 and 1, or there is no degree of freedom.
    """
    if not 0 < confidence < 1 or freedom < 1:
        raise ValueError(f"confidence {confidence!r} with {freedom!r} degrees of freedom: expected 0 to 1, and 1 up")
    low, high = 0.0, math.pi / 2
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if _within(middle, freedom) < confidence else (low, middle)
    return math.tan(low) * math.sqrt(freedom)


def _within(angle: float, freedom: int) -> float:
    """Probability that |t| stays below √freedom·tan(angle)."""
    cosine, odd = math.cos(angle), freedom % 2
    term, total = (cosine if odd else 1.0), 0.0
    for power in range(1 if odd else 0, freedom - 1, 2):
        total += term
        term *= cosine**2 * (power + 1) / (power + 2)
    total *= math.sin(angle)
    return 2 / math.pi * (angle + total) if odd else total


def effective_count(values: Array) -> float:
    """Independent readings that would fix the mean as well as these do.

    n / (1 + 2·Σρ), the autocorrelations summed up to the first pair of lags that is not positive.
    Source: C. J. Geyer, Practical Markov chain Monte Carlo, Statistical Science 7 (1992), initial positive sequence.
    """
    count = len(values)
    spread = values - values.mean()
    power = float(spread @ spread)
    if count < 4 or power <= 0:
        return float(count)
    transform = np.fft.rfft(spread, 2 * count)
    rho = np.fft.irfft(np.abs(transform) ** 2)[:count] / power
    pairs = rho[1 : 2 * ((count - 1) // 2) + 1].reshape(-1, 2).sum(axis=1)
    stop = int(np.argmax(pairs <= 0)) if np.any(pairs <= 0) else len(pairs)
    return min(float(count), max(1.0, count / (1 + 2 * float(pairs[:stop].sum()))))


class _Repeat(NamedTuple):
    """One uninterrupted run of one arrangement."""

    first: bool  #: of arrangement a
    time: float
    values: Array


def _repeats(a: Sequence[Array], b: Sequence[Array], times: tuple[Sequence[float], Sequence[float]]) -> list[_Repeat]:
    """All stretches in order of time; neighbours of one arrangement become one, since nothing alternated there."""
    found = [
        _Repeat(first, time, np.asarray(values, dtype=np.float64))
        for first, stretches, starts in ((True, a, times[0]), (False, b, times[1]))
        for values, time in zip(stretches, starts, strict=True)
    ]
    merged: list[_Repeat] = []
    for repeat in sorted((r for r in found if len(r.values)), key=lambda r: r.time):
        if merged and merged[-1].first is repeat.first:
            before = merged.pop()
            repeat = _Repeat(
                repeat.first, (before.time + repeat.time) / 2, np.concatenate([before.values, repeat.values])
            )
        merged.append(repeat)
    return merged


class _Fit(NamedTuple):
    difference: float  #: [dB]
    error: float  #: its standard error [dB]
    freedom: int


def _fit(repeats: Sequence[_Repeat], decibels: Array) -> _Fit | None:
    """Difference with a drift polynomial of low order, by least squares; None without a degree of freedom."""
    count = len(repeats)
    order = min(3, 1 + max(0, count - 6) // 4)
    time = np.array([r.time for r in repeats])
    scaled = 2 * (time - time[0]) / (time[-1] - time[0]) - 1
    sign = np.array([0.5 if r.first else -0.5 for r in repeats])
    design = np.column_stack([sign, *(scaled**power for power in range(order + 1))])
    freedom = count - design.shape[1]
    if freedom < 1:
        return None
    inverse = np.linalg.inv(design.T @ design)
    found = inverse @ (design.T @ decibels)
    left = decibels - design @ found
    return _Fit(float(found[0]), math.sqrt(float(left @ left) / freedom * float(inverse[0, 0])), freedom)


def compare(
    a: Sequence[Array],
    b: Sequence[Array],
    *,
    times: tuple[Sequence[float], Sequence[float]] | None = None,
    floor: float = 0.0,
    resolution: float = 0.0,
    margin_dB: float = MARGIN,  # noqa: N803 - the unit's own spelling
    confidence: float = 0.95,
    names: tuple[str, str] = ("A", "B"),
    point: str = "",
    quantity: str = "voltage",
    unit: str = "V",
) -> Comparison:
    """Compare the level of two arrangements that were read in alternation by one meter.

    Args:
        a, b: one array of readings for each repeat, in order. [unit] shape (any,)
        times: when each repeat of a and of b began, in any unit; None: a, b, a, b, ...
        floor: what the meter shows with nothing connected; 0: not known. [unit]
        resolution: one count; the interval is not said finer than it. [unit]
        margin_dB: a difference inside ±margin does not matter.
        confidence: of the interval.
        names, point, quantity, unit: what is compared, for the result.
    Returns: the difference of a over b, its interval, and the outcome.
    Raises: ValueError: a value that is not finite or is negative, a margin not above zero, a confidence not in 0 to 1.
    Source: least squares with Student's t; equivalence by the interval inside the margin, at half of 1 − confidence on
        each side, as in two one-sided tests (D. J. Schuirmann, J. Pharmacokinetics and Biopharmaceutics 15, 1987).
    """
    _check(a, b, margin_dB, confidence, floor, resolution)
    taken = times or ([2.0 * k for k in range(len(a))], [2.0 * k + 1 for k in range(len(b))])
    repeats = _repeats(a, b, taken)
    sides = tuple(_side(repeats, first, name, floor) for first, name in zip((True, False), names, strict=True))
    lowest = max(floor, resolution, 1e-12)
    decibels = np.array([_DECIBEL * math.log(max(float(r.values.mean()), lowest)) for r in repeats])
    fit = _fit(repeats, decibels) if min(side.repeats for side in sides) > 0 and len(repeats) > 3 else None
    rounding = [_counted(side.mean, resolution, lowest) for side in sides]
    half = None if fit is None else _half(fit.error, fit.freedom, confidence, rounding)
    difference = fit.difference if fit else _plain_difference(repeats, decibels)
    outcome, more, reason = _outcome(sides, fit, half, margin_dB, confidence, rounding)
    return Comparison(
        point=point,
        quantity=quantity,
        unit=unit,
        a=sides[0],
        b=sides[1],
        difference=difference,
        interval=None if fit is None or half is None else (fit.difference - half, fit.difference + half),
        confidence=confidence,
        margin=margin_dB,
        outcome=outcome,
        more_repeats=more,
        reason=reason,
    )


def _check(
    a: Sequence[Array], b: Sequence[Array], margin: float, confidence: float, floor: float, resolution: float
) -> None:
    for stretch in (*a, *b):
        values = np.asarray(stretch, dtype=np.float64)
        if not np.all(np.isfinite(values)) or np.any(values < 0):
            raise ValueError("a level to compare is negative or not finite: expected magnitudes, such as AC volts")
    if not (math.isfinite(margin) and margin > 0):
        raise ValueError(f"the margin is {margin!r} dB: expected a figure above zero")
    if not 0 < confidence < 1:
        raise ValueError(f"the confidence is {confidence!r}: expected a fraction between 0 and 1, such as 0.95")
    if not (0 <= floor < math.inf and 0 <= resolution < math.inf):
        raise ValueError(f"floor {floor!r} and resolution {resolution!r}: expected zero or more")


def _side(repeats: Sequence[_Repeat], first: bool, name: str, floor: float) -> Side:
    mine = [r.values for r in repeats if r.first is first]
    mean = float(np.mean([values.mean() for values in mine])) if mine else 0.0
    return Side(
        name=name,
        mean=mean,
        repeats=len(mine),
        readings=sum(len(values) for values in mine),
        effective_readings=sum(effective_count(values) for values in mine),
        at_floor=mean <= floor,
    )


def _counted(mean: float, resolution: float, lowest: float) -> float:
    """Standard uncertainty of a level from the display's count. [dB] Source: JCGM 100:2008, F.2.2.1."""
    return _DECIBEL * resolution / math.sqrt(12) / max(mean, lowest)


def _half(error: float, freedom: int, confidence: float, rounding: Sequence[float]) -> float:
    """Half width of the interval. [dB]"""
    return math.hypot(student_t(confidence, freedom) * error, *(COVERAGE * part for part in rounding))


def _plain_difference(repeats: Sequence[_Repeat], decibels: Array) -> float | None:
    sides = [decibels[[r.first is first for r in repeats]] if repeats else np.empty(0) for first in (True, False)]
    return None if min(map(len, sides)) == 0 else float(sides[0].mean() - sides[1].mean())


def _outcome(
    sides: tuple[Side, ...], fit: _Fit | None, half: float | None, margin: float, confidence: float,
    rounding: Sequence[float],
) -> tuple[Same, int | None, str]:  # fmt: skip
    fewest = min(side.repeats for side in sides)
    low = [side.name for side in sides if side.at_floor]
    if fewest < FEWEST_REPEATS or fit is None or half is None:
        needed = max(1, FEWEST_REPEATS - fewest)
        return (
            Same.UNDECIDED,
            needed,
            f"Too few alternated repeats: {needed} more of each before anything shows.",
        )
    if len(low) == 2:
        return Same.UNDECIDED, None, "Both levels are at the meter's floor: use a meter or range that reads lower."
    size = abs(fit.difference)
    if size + half <= margin:
        if low:
            return Same.UNDECIDED, None, f"{low[0]} is at the meter's floor, so it may be lower still than it reads."
        return Same.SAME, 0, "The whole interval lies inside the margin: no difference that matters."
    if size > half:
        return Same.DIFFERENT, 0, "The interval excludes zero and is not inside the margin."
    more = _more(fit, fewest, size, margin, confidence, rounding)
    asked = (
        "no number of repeats would decide"
        if more is None
        else f"about {counted(more, 'more repeat')} of each would decide"
    )
    return Same.UNDECIDED, more, f"The interval is too wide to tell: {asked}."


def _more(
    fit: _Fit, repeats: int, size: float, margin: float, confidence: float, rounding: Sequence[float]
) -> int | None:
    """Further repeats of each after which this difference, with this scatter, would be decided either way."""

    def decides(count: int) -> bool:
        error = fit.error * math.sqrt(repeats / count)
        half = _half(error, fit.freedom + 2 * (count - repeats), confidence, rounding)
        return size > half or size + half <= margin

    low, high = repeats, MOST_REPEATS
    if not decides(high):
        return None
    while high - low > 1:  # the interval only shrinks with more repeats, so what decides once decides ever after
        middle = (low + high) // 2
        low, high = (low, middle) if decides(middle) else (middle, high)
    return high - repeats


def hum_difference(found: Comparison, *, evidence: Sequence[Evidence] = ()) -> Finding:
    """The comparison as a finding: caution where a difference was found, within if they are the same."""
    level = {Same.SAME: Level.WITHIN, Same.DIFFERENT: Level.CAUTION, Same.UNDECIDED: Level.UNDECIDED}[found.outcome]
    missing: tuple[str, ...] = ()
    if found.outcome is Same.UNDECIDED and found.more_repeats:
        more = counted(found.more_repeats, "more alternated repeat")
        missing = (f"{more} of {found.a.name} and of {found.b.name}",)
    half = None if found.interval is None else (found.interval[1] - found.interval[0]) / 2
    return Finding(
        id=f"hum-difference:{found.point}" if found.point else "hum-difference",
        level=level,
        title=f"Hum with {found.a.name} against {found.b.name}",
        statement=_statement(found),
        value=found.difference,
        expanded_uncertainty=half,
        unit="dB",
        limit=found.margin,
        limit_source="own choice: a difference that is only just heard side by side",
        evidence=tuple(evidence),
        missing=missing,
        advice=_advice(found),
        extra={"comparison": found.to_json()},
    )


def _statement(found: Comparison) -> str:
    sides = " and ".join(
        f"{side.name} {show(side.mean, found.unit)} in {counted(side.repeats, 'repeat')}" for side in (found.a, found.b)
    )
    if found.difference is None or found.interval is None:
        return f"{sides}. {found.reason}"
    low, high = found.interval
    return (
        f"{sides}: {found.a.name} is {found.difference:+.2f} dB against {found.b.name}, "
        f"{found.confidence:.0%} interval {low:+.2f} dB to {high:+.2f} dB, margin ±{found.margin:g} dB. {found.reason}"
    )


def _advice(found: Comparison) -> str:
    if found.outcome is Same.UNDECIDED or found.difference is None:
        return "Read both in alternation, with the same meter, range and volume setting."
    if found.outcome is Same.SAME:
        return "Choose between them by what is easier to build and to isolate, not by hum."
    quieter = found.b if found.difference > 0 else found.a
    return f"{quieter.name} is the quieter one; see first that its isolation from the mains is no worse."
