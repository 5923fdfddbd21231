"""The owner's first two questions: what may not be touched, and what the way round of the plug changes."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.assessment import Assessment
from analysis.card import RadioCard
from analysis.finding import ORDER, Finding, Level, Outcome, StateOutcome, worst
from analysis.report.matrix import highest, points, state_value, touch_findings
from analysis.report.owner import chassis_words, kind_of, stage_words
from analysis.report.proving import NOT_PROVED, ChainProof
from analysis.report.text import amount, exactly, listed, plain, rounded
from analysis.table import Radio

#: Points whose figures the first page names; the table of every state has them all.
NAMED = 4
_SOCKET = "Another socket"
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
        made.append(Stand(point=plain(point, 60), level=level, top=top, current=current))
    return made


def _by_current(assessment: Assessment, point: str) -> str:
    """What shows a point within although its volts are above the limit, or too close to it; empty where they are not.

    The current is the highest that the readings allow, with their uncertainty, at the mains of the sitting.
    """
    finding = touch_findings(assessment).get(point)
    high = [s for s in (finding.states if finding else ()) if s.burden is None and (s.overload or s.outcome in _HIGH)]
    current = assessment.of(f"touch-current:{point}")
    if not high or current is None or current.value is None or current.limit is None:
        return "within its limit" if high else ""
    most = rounded(current.value + (current.expanded_uncertainty or 0.0), "A")
    return f"within its limit ({most} < {exactly(current.limit, 'A')})"


def _plugs(finding: Finding | None) -> tuple[str, ...]:
    return tuple(dict.fromkeys(state.plug for state in finding.states)) if finding else ()


def high_or_low(stand: Stand) -> str:
    """How high a point came, for one who has only the card."""
    if stand.top is None:
        return "not measured"
    return f"{'at most' if stand.level is Level.WITHIN and not stand.current else 'up to'} {_short(stand.top)}"


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
        return ("No touchable point is on the radio’s card: count all metal as live.",)
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
    read = _short(top.top) if top.top else ""
    return (f"As measured {stage_words(before.stage)}: {listed((s.point for s in old), most=60)} up to {read}.",)


def _reason(group: list[Stand]) -> str:
    names = listed((s.point for s in group), most=60)
    top = max(group, key=lambda s: s.height)
    read = _short(top.top) if top.top is not None else ""
    level = group[0].level
    if level is Level.DANGER:
        high = top.top is not None and (top.top.overload or top.top.outcome in _HIGH)
        return (
            f"{names}: up to {read}. Touching can kill." if high else f"{names}: touching can kill, whatever was read."
        )
    if level is Level.CAUTION:
        over = top.top is not None and (top.top.overload or top.top.outcome is Outcome.ABOVE)
        why = "above the limit" if over else "too close to the limit, or above it at the highest mains to be expected"
        return f"{names}: {f'up to {read}, ' if read else ''}{why}."
    if level is Level.UNDECIDED:
        highest_read = f" (highest read: {read})" if read else ""
        return f"{names}: not shown to be below the limit, so count as live{highest_read}."
    if top.current:
        return f"{names}: up to {read}, above the voltage limit; only the current behind it was {top.current} that day."
    return f"{names}: {f'at most {read}, ' if read else ''}below the limit that day, at this socket."


def _short(state: StateOutcome) -> str:
    """Volts without U, to three digits: the table of every state has the rest."""
    if state.overload or state.value is None:
        return "over range" if state.overload else "not measured"
    value = abs(state.value)
    text = amount(value, None, "V") if value < 1 else rounded(value, "V")
    return f"{text} {state.coupling.upper().replace('ACDC', 'AC+DC')}".strip()


def plug_lines(radio: Radio, assessment: Assessment, proof: ChainProof) -> tuple[str, ...]:
    """What every point reads in both ways of the plug, switch on and off, and what follows from that."""
    found = touch_findings(assessment)
    order = sorted(found, key=lambda point: point != "chassis")
    both = [point for point in order if highest(found[point], "1") and highest(found[point], "2")]
    half = [(point, way) for point in order if point not in both for way in "12" if highest(found[point], way)]
    lines = [
        f"{plain(point, 60)}, {'; '.join(_way(found[point], way) for way in '12')}." for point in both[:NAMED]
    ]  # fmt: skip
    if len(both) > NAMED:
        lines.append(f"{len(both) - NAMED} more points: see every state below.")
    follows: dict[str, list[str]] = {}
    for point in both:
        follows.setdefault(_follows(found[point]), []).append(plain(point, 60))
    lines += [text.format(listed(names, most=6)) for text, names in follows.items()]
    lines += [_half(found[point], point, way) for point, way in half[:NAMED]]
    if not lines:
        lines = ["Not measured: count both ways as live."]
    elif not any(_SOCKET in line for line in lines):
        lines.append(f"{_SOCKET} can be wired the other way round: count on the higher figure.")
    return (*lines, plug_words(radio.card, proof))


def _way(finding: Finding, way: str) -> str:
    """One way of the plug: what it reads with the switch on and off."""
    alone = [s for s in finding.states if s.plug == way and s.burden is None and (s.value is not None or s.overload)]
    switches = sorted({s.switch for s in alone}, key=lambda word: (word != "on", word))
    read: list[str] = []
    for switch in switches:
        top = max((s for s in alone if s.switch == switch), key=lambda s: (s.overload, abs(s.value or 0.0)))
        named = plain(switch, 20) if switch in ("on", "off") and read else f"switch {plain(switch, 20)}"
        words = f"{'' if read else 'with the '}{named}" if switch else ""
        read.append(f"{_short(top).removesuffix(' AC')} {words}".strip())
    return f"way {way}: {', '.join(read)}"


def _follows(finding: Finding) -> str:
    """What the two ways of one point mean, with a place for the points of which it holds."""
    one, two = highest(finding, "1"), highest(finding, "2")
    high = [s for s in finding.states if s.burden is None and (s.overload or s.outcome in _HIGH)]
    switched = any(s.switch == "off" for s in high)
    if {"1", "2"} <= {s.plug for s in high}:
        switch = ", and not the switch," if switched else ""
        return f"Neither way of the plug{switch} makes {{}} dead: only pulling the plug does."
    off = " Switching off does not make it dead: only pulling the plug does." if switched else ""
    lower = lower_way(one, two) if one and two else None
    if lower is None:
        return f"Neither way is clearly lower at the socket used ({{}}).{off}"
    return (f"Way {lower} measured lower at the socket used ({{}}). {_SOCKET} can be wired the other way round: count "
            f"on the higher figure.{off}")  # fmt: skip


def _half(finding: Finding, point: str, way: str) -> str:
    state = highest(finding, way)
    other = "2" if way == "1" else "1"
    return (f"Only way {way} was measured ({plain(point, 60)}: at most {state_value(state) if state else '–'}). "
            f"Way {other} is unknown: count it as live.")  # fmt: skip


def lower_way(one: StateOutcome, two: StateOutcome) -> str | None:
    """The way of the plug that measured clearly lower, or None."""
    if one.overload or two.overload or one.value is None or two.value is None:
        return None if one.overload == two.overload else ("2" if one.overload else "1")
    doubt = (one.expanded_uncertainty or 0.0) + (two.expanded_uncertainty or 0.0)
    if abs(abs(one.value) - abs(two.value)) <= doubt:
        return None
    return "1" if abs(one.value) < abs(two.value) else "2"


def plug_words(card: RadioCard, proof: ChainProof) -> str:
    """What way 1 and way 2 stand for, and whether the live contact was proved."""
    doubt = "" if proof.contact else f" {NOT_PROVED}"
    if card.plug in ("polarised", "earthed"):
        return (f"The plug is {card.plug}: way 2 stands for a socket that is wired the wrong way round, and was "
                f"measured, if at all, through a crossed test lead.{doubt}")  # fmt: skip
    if card.plug == "reversible":
        contact = "that was proved live" if proof.contact else "that was taken to be live"
        return (f"The plug fits either way round. Way 1 (“plug 1” below): the marked pin in the contact {contact}."
                f"{doubt}")  # fmt: skip
    return f"The card does not say whether the plug fits either way round: count on it.{doubt}"
