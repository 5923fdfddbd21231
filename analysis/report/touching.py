"""The owner's first question: what may not be touched."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from analysis.assessment import Assessment
from analysis.finding import ORDER, Finding, Level, Outcome, StateOutcome, worst
from analysis.report import standing
from analysis.report.matrix import highest, points, touch_findings, unread
from analysis.report.owner import chassis_words, kind_of, stage_words
from analysis.report.text import amount, listed, plain, rounded
from analysis.table import Radio

#: Points whose figures the first page names; the table of every state has them all.
NAMED = 4
_HIGH = (Outcome.ABOVE, Outcome.TOO_CLOSE)
_OTHERS = (
    "Screws, shafts and sockets that join a point above count with it. Other metal was not measured: count it as live."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """How one point stands."""

    point: str
    level: Level  #: by its own volts and current
    top: StateOutcome | None  #: the highest volts, without a burden
    current: str  #: what shows it within although its volts are above; empty where they are not
    whole: bool  #: every plug and switch state was read

    @property
    def height(self) -> float:
        """For ranking: over range is above any figure."""
        return -1.0 if self.top is None else float("inf") if self.top.overload else abs(self.top.value or 0.0)


def stands(radio: Radio, assessment: Assessment) -> list[Stand]:
    """Every point of the card, and every other that was judged."""
    found, made = touch_findings(assessment), []
    for point in points(radio, assessment):
        ids = (f"touch-voltage:{point}", f"touch-current:{point}")
        level = worst(f.level for f in assessment.findings if f.id in ids)
        tops = [top for plug in _plugs(found.get(point)) if (top := highest(found[point], plug)) is not None]
        top = max(tops, key=lambda s: (s.overload, abs(s.value or 0.0)), default=None)
        current = _by_current(assessment, point) if level is Level.WITHIN else ""
        whole = point in found and not unread(found[point], radio.card)
        made.append(Stand(point=plain(point, 60), level=level, top=top, current=current, whole=whole))
    return made


def _by_current(assessment: Assessment, point: str) -> str:
    """What shows a point within although its volts are not below their limit; empty where they are."""
    current = standing.by_current(touch_findings(assessment).get(point), assessment)
    if current is None:
        return ""
    return f"within its limit{f' ({current.most} < {current.limit})' if current.most else ''}"


def _plugs(finding: Finding | None) -> tuple[str, ...]:
    return tuple(dict.fromkeys(state.plug for state in finding.states)) if finding else ()


def high_or_low(stand: Stand) -> str:
    """How high a point came, for one who has only the card."""
    if stand.top is None:
        return "not measured"
    return _reach("at most" if stand.level is Level.WITHIN and not stand.current else "up to", stand)


def touch_level(assessment: Assessment) -> Level:
    """The worst of what bears on touching the radio; of nothing at all, undecided."""
    kinds = ("touch-voltage:", "touch-current:", "chassis-kind", "insulation")
    level = worst(f.level for f in assessment.findings if f.id.startswith(kinds))
    # A radio that is not fully measured is never shown as within.
    return Level.UNDECIDED if level is Level.WITHIN and not assessment.fully_measured else level


def joined_words(assessment: Assessment) -> tuple[str, ...]:
    """What makes every point doubtful, whatever its own readings: the chassis' connection, and the insulation."""
    said = []
    kind = assessment.of("chassis-kind")
    if kind is not None and kind.level in (Level.DANGER, Level.CAUTION):
        said.append(_FAIL.get(kind_of(kind)) or chassis_words(kind))
    insulation = assessment.of("insulation")
    if insulation is not None and insulation.level in (Level.DANGER, Level.CAUTION):
        said.append("The insulation between the mains and the metal reads low: it can give way.")
    return tuple(said)


_TIED = "The chassis is joined to one pin of the mains plug: count all metal that it joins as live."
_FAIL = {
    "tied": _TIED, "tied-through-switch": _TIED,
    "line-capacitor": "A capacitor joins the chassis to the mains: an old one can fail at any time and put the whole "
                      "mains on the metal.",
    "rc-coupled": "A resistor with a capacitor joins the chassis to the mains: either can fail at any time and put the "
                  "whole mains on the metal.",
}  # fmt: skip


def touch_lines(radio: Radio, assessment: Assessment, before: Assessment | None = None) -> tuple[str, ...]:
    """What may not be touched: the points first, then why, each reason once.

    `before`: what an earlier stage showed, which stands where nothing has been read since.
    """
    found = stands(radio, assessment)
    if not found:
        return ("No point to touch is listed for this radio: count all metal as live.",)
    joined = joined_words(assessment)
    off = [s for s in found if joined or s.level is not Level.WITHIN]
    lines = []
    if off:
        lines.append(f"Do not touch with the plug in: {listed((s.point for s in off), most=60)}.")
    else:
        lines.append("With the plug in, do not touch any metal that is not named here, nor the inside of the radio.")
    for level in ORDER:
        group = [s for s in found if s.level is level]
        for part in ([s for s in group if s.current], [s for s in group if not s.current]):
            lines += [_reason(part)] if part else []
    return (*lines, *_before(radio, found, before), *joined, _OTHERS)


def _before(radio: Radio, found: list[Stand], before: Assessment | None) -> tuple[str, ...]:
    """How high the points came in an earlier stage that are not shown to be below their limit in this one."""
    if before is None:
        return ()
    open_ = {s.point for s in found if s.level is Level.UNDECIDED}
    old = [s for s in stands(radio, before) if s.point in open_ and s.top is not None]
    if not old:
        return ()
    top = max(old, key=lambda s: s.height)
    names = listed((s.point for s in old), most=60)
    return (f"As measured {stage_words(before.stage)}: {names} {_reach('up to', top)}.",)


def _reason(group: list[Stand]) -> str:
    names = listed((s.point for s in group), most=60)
    top = max(group, key=lambda s: s.height)
    # A group is whole where each of its points is.
    top = replace(top, whole=all(s.whole for s in group))
    reach, level = _reach("up to", top) if top.top is not None else "", group[0].level
    if level is Level.DANGER:
        high = top.top is not None and (top.top.overload or top.top.outcome in _HIGH)
        return f"{names}: {reach}. Touching can kill." if high else f"{names}: touching can kill, whatever was read."
    if level is Level.CAUTION:
        over = top.top is not None and (top.top.overload or top.top.outcome is Outcome.ABOVE)
        why = "above the limit" if over else "too close to the limit, or above it at the highest mains to be expected"
        return f"{names}: {f'{reach}, ' if reach else ''}{why}."
    if level is Level.UNDECIDED:
        highest_read = f" (highest read: {short(top.top)})" if top.top is not None else ""
        return f"{names}: not shown to be below the limit, so count as live{highest_read}."
    if top.current:
        return f"{names}: {reach}, above the voltage limit; only the current behind it was {top.current} that day."
    most = f"{_reach('at most', top)}, " if top.top is not None else ""
    return f"{names}: {most}below the limit that day, at this socket."


def short(state: StateOutcome) -> str:
    """Volts to three digits, and no finer than their U lets them be: the table of every state has the rest."""
    if state.overload or state.value is None:
        return "over range" if state.overload else "not measured"
    value, expanded = abs(state.value), state.expanded_uncertainty or 0.0
    coupling = state.coupling.upper().replace("ACDC", "AC+DC")
    if value <= max(expanded, 0.01):
        return f"below {_ceiling(value + expanded):g} V {coupling}".strip()
    text = amount(value, None, "V") if value < 1 else rounded(value, "V")
    return f"{text} {coupling}".strip()


def _ceiling(volts: float) -> float:
    """The next higher figure of one digit, from 10 mV on: 14.3 mV are below 0.02 V."""
    digit = 10.0 ** math.floor(math.log10(max(volts, 0.01)))
    return float(f"{max(0.01, math.ceil(round(volts / digit, 6)) * digit):.1g}")


def _reach(words: str, stand: Stand) -> str:
    """How high a point came, as `up to 3.10 V AC`; the figure may be a bound already, or some states unread."""
    read = short(stand.top) if stand.top is not None else "not measured"
    height = read if read.startswith("below") else f"{words} {read}"
    return height if stand.whole else f"{height} in what was read"
