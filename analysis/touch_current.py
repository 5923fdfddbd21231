"""Touch current of one point: what would flow through the body network, and its class."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from analysis.finding import ORDER, Finding, Level, worst
from analysis.touch_words import SCALED
from analysis.touchable import Verdict
from drivers.units import show

if TYPE_CHECKING:
    from analysis.chassis import Matrix, TouchPicture


def current_finding(matrix: Matrix, picture: TouchPicture) -> Finding:
    """`touch-current` of one point, by its worst state that was read with a burden."""
    judged = [v for v in matrix.verdicts if v.state.loaded or v.state.trip]
    level = worst(_current_level(v, picture) for v in judged)
    bare = [
        v.state.name for v in matrix.verdicts
        if v.state.values and not v.state.loaded and not (v.reason == "voltage" and v.level is Level.WITHIN)
    ]  # fmt: skip
    if level is Level.WITHIN and (bare or matrix.missing_states):
        level = Level.UNDECIDED
    top = max(judged, key=lambda v: (-ORDER.index(_current_level(v, picture)), _rank_current(v), v.state.name))
    bounds, limit = top.bounds, picture.setting.current_limit(top.state.coupling)
    missing = [f"a burden reading at {name}" for name in bare] + list(matrix.missing_states)
    missing += matrix.missing if level is Level.UNDECIDED else ()
    return Finding(
        id=f"touch-current:{matrix.point}", level=level,
        title=f"{matrix.point}: {_current_words(top)} through a body ({top.state.name})",
        statement=_current_statement(matrix.point, top, picture) + _not_borne_out(level, missing), unit="A",
        value=bounds.current.high if bounds else None,
        expanded_uncertainty=bounds.most - bounds.current.high if bounds and bounds.current.high is not None else None,
        limit=limit.value, limit_source=limit.source, limit_changed_by_user=limit.changed,
        states=tuple(row for verdict in judged for row in verdict.to_state_outcomes()),
        evidence=tuple(value.evidence for v in judged for value in v.state.values),
        missing=tuple(dict.fromkeys(missing)),
        extra={"low": bounds.current.low if bounds else None, "high": bounds.current.high if bounds else None},
    )  # fmt: skip


def _not_borne_out(level: Level, missing: Sequence[str]) -> str:
    if level is not Level.UNDECIDED or not missing:
        return ""
    return f" Nothing is concluded from that while this is missing: {'; '.join(dict.fromkeys(missing))}."


def _rank_current(verdict: Verdict) -> float:
    if verdict.state.trip or verdict.bounds is None or verdict.current_high is None:
        return math.inf
    return verdict.current_high


def _current_level(verdict: Verdict, picture: TouchPicture) -> Level:
    """By the current alone: the same limits, and `undecided` where the readings do not carry it."""
    overloaded = any(value.overload for value in verdict.state.loaded.values())
    if verdict.state.trip or overloaded or (verdict.reason == "overload" and verdict.level is Level.DANGER):
        return Level.DANGER
    if verdict.bounds is None:
        return Level.UNDECIDED if verdict.level is Level.WITHIN else verdict.level
    limit = picture.setting.current_limit(verdict.state.coupling)
    high = verdict.current_high
    if high is None or high >= limit.upper:
        return Level.DANGER
    factor = max((picture.setting.factors.get(value.session, 1.0) for value in verdict.state.values), default=1.0)
    if high * factor >= min(limit.value, limit.default):
        return Level.CAUTION
    return Level.UNDECIDED if verdict.unproved or verdict.later else Level.WITHIN


def _current_words(verdict: Verdict) -> str:
    if verdict.state.trip:
        return "enough to trip the residual-current device"
    if verdict.bounds is None or verdict.bounds.current.high is None:
        return "a current that nothing bounds"
    low, high = verdict.bounds.current.low or 0.0, verdict.bounds.current.high
    if high - low <= 0.02 * high:
        return show(high, "A", _third_digit(high))
    return f"{show(low, 'A', _third_digit(high))} to {show(high, 'A', _third_digit(high))}"


def _third_digit(value: float) -> float | None:
    return 10.0 ** (math.floor(math.log10(value)) - 2) if value > 0 else None


def _current_statement(point: str, verdict: Verdict, picture: TouchPicture) -> str:
    limit = picture.setting.current_limit(verdict.state.coupling)
    network = f"the IEC 60990 body network at {picture.setting.frequency:g} Hz"
    if verdict.state.coupling == "dc":
        network = "2 kΩ, the body network at DC"
    parts = [
        f"From the readings with and without a burden, {_current_words(verdict)} would flow from {point} through"
        f" {network}."
    ]
    if verdict.current_high is not None:
        parts.append(
            "With the uncertainty of the readings that is at most"
            f" {show(verdict.current_high, 'A', _third_digit(verdict.current_high))}; the limit is"
            f" {show(limit.value, 'A', _third_digit(limit.value))} ({limit.source})."
        )
        factor = max((picture.setting.factors.get(value.session, 1.0) for value in verdict.state.values), default=1.0)
        if factor >= SCALED:
            most = factor * verdict.current_high
            parts.append(
                f"At the highest mains to be expected, {factor:.2f} times that of the sitting, it would be up to "
                f"{show(most, 'A', _third_digit(most))} (computed)."
            )
    return " ".join(parts)
