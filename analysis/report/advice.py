"""What an owner needs to know first, in plain words: the headline, four answers, what to do, and the radio's card."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from analysis.assessment import Assessment
from analysis.card import RadioCard
from analysis.finding import ORDER, Finding, Level, StateOutcome, worst
from analysis.report.matrix import highest, points, state_value, touch_findings
from analysis.report.text import SENTENCE, exactly, listed, plain, rounded
from analysis.table import Radio
from drivers.units import UnitError, parse

CAUTIONS = (
    "Local electrical codes and the practice of licensed persons come before anything printed here. Work on mains "
    "wiring is for people who are licensed for it where the radio is.",
    "A valve radio holds voltages that can kill, and its reservoir capacitors can keep them after the plug is out. "
    "Unplug it, and let a competent person discharge it, before the back or the knobs come off.",
    "The figures hold for the socket, the leads and the state of the radio on the day. Heat, damp, age and any repair "
    "change them. Another socket may be wired the other way round.",
    "“Within” says that what was measured, with its uncertainty, lay below the limit named beside it. It is no "
    "approval, and says nothing of what was not measured.",
    "The limits are product limits for new equipment, used as yardsticks. Their source stands beside each; the edition "
    "in force locally rules.",
    "Do not remove an earth connection, a fuse or a barrier to make a reading better.",
)
_HEADLINES = {
    Level.DANGER: "Do not touch any metal of this radio while its plug is in a socket.",
    Level.CAUTION: "Keep off the metal of this radio while its plug is in: not all of it stayed below its limit.",
    Level.UNDECIDED: "Treat this radio’s metal as live: too little was measured to say how it stands to the mains.",
    Level.WITHIN: "Every touchable part that was measured stayed below its touch limit, in the states shown below.",
}
_FIRST = {
    Level.DANGER: "Unplug it before anyone touches metal, and have the cause put right by a licensed person.",
    Level.CAUTION: "Do not touch its metal with the plug in until a licensed person has looked at the findings below.",
    Level.UNDECIDED: "Do not touch its metal with the plug in until the missing readings have been taken.",
}
_KINDS = {
    "tied": "The chassis is connected to one pin of the mains plug{pin}.",
    "tied-through-switch": "The chassis is connected to one pin of the mains plug{pin} through the mains switch; with "
                           "the switch off it can take the voltage of the other pin.",
    "rc-coupled": "The chassis is coupled to the mains through a resistor with a capacitor.",
    "line-capacitor": "The chassis is coupled to the mains through a capacitor.",
    "earthed": "The chassis is connected to the earth pin of the plug.",
    "isolated": "No connection between the mains and the chassis was found by measurement.",
}  # fmt: skip
#: What a finding is about, where its id would puzzle an owner.
_NAMES = {"chassis-kind": "how the chassis is joined to the mains"}
_TIED = ("tied", "tied-through-switch")


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """A question that an owner has, and what the readings answer."""

    question: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CardText:
    """The card that stays with the radio."""

    signal: str  #: DANGER, WARNING or CAUTION
    title: str
    message: str
    chassis: str
    plug: str
    connect: tuple[str, ...]
    fuse: str
    date: str
    notice: str


def touch_level(assessment: Assessment) -> Level:
    """The worst of what bears on touching the radio; of nothing at all, undecided."""
    kinds = ("touch-voltage:", "touch-current:", "chassis-kind", "insulation")
    level = worst(f.level for f in assessment.findings if f.id.startswith(kinds))
    # A radio that is not fully measured is never shown as within.
    return Level.UNDECIDED if level is Level.WITHIN and not assessment.fully_measured else level


def headline(assessment: Assessment) -> str:
    """One sentence on touching it, and one where something else is worse than that."""
    level = touch_level(assessment)
    others = [f for f in assessment.findings if ORDER.index(f.level) < ORDER.index(level)]
    also = f" Apart from touch: {plain(others[0].title, 160).rstrip('.')}." if others else ""
    return _HEADLINES[level] + also


def found(assessment: Assessment) -> tuple[str, ...]:
    """What the headline rests on: the findings of the worst level, at most three, in a line each."""
    if assessment.level is Level.WITHIN:
        return ()
    titles = [plain(f.title, 200).rstrip(".") + "." for f in assessment.findings if f.level is assessment.level]
    titles = [title for title in titles if title not in headline(assessment)]
    more = [f"{len(titles) - 3} more at this level, below."] if len(titles) > 3 else []
    return (*titles[:3], *more)


def actions(assessment: Assessment) -> tuple[str, ...]:
    """What to do, in order of weight; a sentence that stood there before is not said again."""
    level = touch_level(assessment)
    first = _FIRST.get(level, "Keep this record with the radio; measure again after any repair.")
    said: set[str] = set()
    steps = [first, *(plain(f.advice, SENTENCE) for f in assessment.findings if f.level is not Level.WITHIN)]
    fresh = [_fresh(step, said) for step in steps]
    return tuple(step for step in fresh if step)[:8]


def _fresh(text: str, said: set[str]) -> str:
    """The sentences not said yet; what is still wanted has its own place in the report."""
    kept = []
    for sentence in re.split(r"(?<=[.!?]) (?=[A-Z])", text):
        if sentence not in said and not sentence.startswith("Still wanted:"):
            kept.append(sentence)
        said.add(sentence)
    return " ".join(kept)


def answers(radio: Radio, assessment: Assessment, supply: Mapping[str, Any] | None) -> tuple[Answer, ...]:
    """What an owner asks first."""
    return (
        Answer(question="What may not be touched?", lines=_touch(radio, assessment)),
        Answer(question="What does the way round of the plug change?", lines=plug_lines(radio, assessment)),
        Answer(question="Is the added transformer big enough?", lines=_transformer(radio.card, assessment, supply)),
        Answer(question="What was not measured?", lines=_unmeasured(radio, assessment)),
    )


def _touch(radio: Radio, assessment: Assessment) -> tuple[str, ...]:
    if not points(radio, assessment):
        return ("No touchable point is on the radio’s card: count all metal as live.",)
    levels = _point_levels(radio, assessment)
    words = {
        Level.DANGER: "Never with the plug in: {}.",
        Level.CAUTION: "Not with the plug in: {}; above the limit, or too close to it.",
        Level.UNDECIDED: "Not shown to be below the limit, so count as live: {}.",
        Level.WITHIN: "Below the touch limits in every state measured: {}.",
    }
    lines = []
    for level in ORDER:
        names = [plain(point, 60) for point, found in levels.items() if found is level]
        if names:
            lines.append(words[level].format(listed(names, most=60)))
    lines.append("Screws, shafts and sockets that join a point above count with it. Other metal was not measured.")
    return tuple(lines)


def _point_levels(radio: Radio, assessment: Assessment) -> dict[str, Level]:
    found: dict[str, Level] = {}
    for point in points(radio, assessment):
        ids = (f"touch-voltage:{point}", f"touch-current:{point}")
        found[point] = worst(f.level for f in assessment.findings if f.id in ids)
    return found


def plug_lines(radio: Radio, assessment: Assessment) -> tuple[str, ...]:
    """What the two ways of the plug read on the chassis, or on the first point that has both."""
    found = touch_findings(assessment)
    order = sorted(found, key=lambda point: point != "chassis")
    for point in order:
        one, two = highest(found[point], "1"), highest(found[point], "2")
        if one is not None and two is not None:
            return (*_two_ways(plain(point, 60), one, two), _plug_words(radio.card))
    half = next(((point, way) for point in order for way in "12" if highest(found[point], way)), None)
    if half:
        point, way = half
        state = highest(found[point], way)
        read = state_value(state) if state else "–"
        other = "2" if way == "1" else "1"
        return (f"Only way {way} was measured ({plain(point, 60)}: at most {read}). Way {other} is unknown: "
                "count it as live.", _plug_words(radio.card))  # fmt: skip
    return ("Not measured: count both ways as live.", _plug_words(radio.card))


def _two_ways(point: str, one: StateOutcome, two: StateOutcome) -> tuple[str, ...]:
    first = f"{point}: at most {state_value(one)} in way 1, {state_value(two)} in way 2."
    lower = lower_way(one, two)
    if lower is None:
        return (first, "Neither way is clearly lower at the socket used.")
    return (first, f"Way {lower} measured lower at the socket used. In another socket it can be the other way: count "
                   "on the higher figure.")  # fmt: skip


def lower_way(one: StateOutcome, two: StateOutcome) -> str | None:
    """The way of the plug that measured clearly lower, or None."""
    if one.overload or two.overload or one.value is None or two.value is None:
        return None if one.overload == two.overload else ("2" if one.overload else "1")
    doubt = (one.expanded_uncertainty or 0.0) + (two.expanded_uncertainty or 0.0)
    if abs(one.value - two.value) <= doubt:
        return None
    return "1" if one.value < two.value else "2"


def _plug_words(card: RadioCard) -> str:
    if card.plug in ("polarised", "earthed"):
        return (f"The plug is {card.plug}: way 2 stands for a socket that is wired the wrong way round, and was "
                "measured, if at all, through a crossed test lead.")  # fmt: skip
    if card.plug == "reversible":
        return ("The plug fits either way round. Way 1 (“plug 1” below): the marked pin in the contact that was "
                "proved live.")  # fmt: skip
    return "The card does not say whether the plug fits either way round: count on it."


def _transformer(card: RadioCard, assessment: Assessment, supply: Mapping[str, Any] | None) -> tuple[str, ...]:
    finding = assessment.of("supply-rating")
    lines = []
    needed = supply.get("required_VA") if supply else None
    if isinstance(needed, int | float) and needed > 0 and supply:
        rating = _rating(card)
        how = _reckoned(supply)
        if rating:
            share = rating / float(needed)
            word = _big_enough(finding, share)
            lines.append(f"{word}: {exactly(rating, 'VA')} fitted, {rounded(float(needed), 'VA')} needed{how}: "
                         f"{share:.2f} times what is needed.")  # fmt: skip
        else:
            lines.append(
                f"Needed: {rounded(float(needed), 'VA')}{how}. The rating of the one fitted is not on the card."
            )
        step = supply.get("next_standard_VA")
        if isinstance(step, int | float):
            lines.append(f"Next standard size: {exactly(float(step), 'VA')}.")
    if finding is not None:
        lines.append(plain(finding.statement, SENTENCE))
    return tuple(lines) or ("Not established: its current was not measured.",)


def _big_enough(finding: Finding | None, share: float) -> str:
    """The short answer, which never says more than the finding does."""
    if share < 1 or (finding is not None and finding.level in (Level.DANGER, Level.CAUTION)):
        return "No"
    return "Yes" if finding is not None and finding.level is Level.WITHIN else "Not settled"


def _reckoned(supply: Mapping[str, Any]) -> str:
    """What the needed rating was made of."""
    current, factor, margin = (supply.get(key) for key in ("design_current_A", "true_rms_factor", "margin"))
    parts = [f"largest load {rounded(float(current), 'A')} as read"] if isinstance(current, int | float) else []
    if isinstance(factor, int | float) and factor != 1:
        parts.append(f"× {factor:.3g} for true RMS")
    if isinstance(margin, int | float):
        parts.append(f"× {margin:g} margin")
    return f" ({', '.join(parts)})" if parts else ""


def _rating(card: RadioCard) -> float | None:
    try:
        return parse(card.transformer.rating, "VA") if card.transformer.rating else None
    except UnitError:
        return None


def missing(assessment: Assessment) -> tuple[str, ...]:
    """What was not measured, a line for each thing that it is missing of."""
    return tuple(f"{of}: {'; '.join(lacking)}" if of else "; ".join(lacking) for of, lacking in _lacking(assessment))


def _lacking(assessment: Assessment) -> list[tuple[str, tuple[str, ...]]]:
    """What is missing, by what it is missing of, each thing once."""
    groups: dict[str, dict[str, None]] = {}
    for entry in assessment.missing:
        of, colon, what = entry.partition(": ")
        groups.setdefault(_NAMES.get(of, plain(of)) if colon else "", {})[plain(what if colon else entry, 300)] = None
    for finding in assessment.findings:
        kind, _, about = finding.id.partition(":")
        of = about if kind.startswith("touch-") else finding.id
        for what in finding.missing:
            groups.setdefault(_NAMES.get(of, plain(of)), {})[plain(what, 300)] = None
    return [(of, tuple(lacking)) for of, lacking in groups.items()]


def _unmeasured(radio: Radio, assessment: Assessment) -> tuple[str, ...]:
    lines = ["The radio is not fully measured."]
    if assessment.fully_measured:
        lines = ["Every plug and switch state of the points on the card was measured."]
    touch = {plain(point) for point in points(radio, assessment)} | {*_NAMES.values(), ""}
    lacking = _lacking(assessment)
    near = [f"{of}: {'; '.join(what)}." if of else f"{'; '.join(what)}." for of, what in lacking if of in touch]
    lines += near if len(near) <= 6 else [*near[:5], f"{len(near) - 5} more, all under “What was not measured”."]
    beside = [of for of, _ in lacking if of not in touch]
    return (*lines, f"Apart from touch: {listed(beside, most=12)}.") if beside else tuple(lines)


def chassis_words(finding: Finding | None) -> str:
    """How the chassis stands to the mains."""
    kind = str(finding.extra.get("kind") or "") if finding else ""
    if kind not in _KINDS:
        return "How the chassis stands to the mains was not established: count it as live."
    pin = finding.extra.get("pin") if finding else None
    return _KINDS[kind].format(pin=f" (pin {pin})" if pin in (1, 2) else "")


def card_text(radio: Radio, assessment: Assessment, date: str) -> CardText:
    """The card that stays with the radio."""
    level = touch_level(assessment)
    finding = assessment.of("chassis-kind")
    kind = str(finding.extra.get("kind") or "") if finding else ""
    signal, message = {
        Level.DANGER: ("DANGER", "Mains voltage on metal parts. Touching them can kill."),
        Level.CAUTION: ("WARNING", "Metal parts can carry voltage. Touching them could kill or injure."),
        Level.UNDECIDED: ("WARNING", "Metal parts were not shown to be free of mains voltage. Count them as live."),
        Level.WITHIN: ("CAUTION", "Mains voltage inside. Below the touch limits when it was measured, on that day."),
    }[level]
    return CardText(
        signal=signal, title=plain(radio.card.title), message=message, chassis=chassis_words(finding),
        plug=_card_plug(radio, assessment, kind, level), connect=_connections(kind, level),
        fuse=plain(radio.card.transformer.fuse, 80) or "not recorded", date=date,
        notice="Unplug before opening. Capacitors keep their charge. Local codes and licensed practice come first.",
    )  # fmt: skip


def _card_plug(radio: Radio, assessment: Assessment, kind: str, level: Level) -> str:
    found = touch_findings(assessment)
    chassis = found.get("chassis") or next(iter(found.values()), None)
    one, two = (highest(chassis, way) if chassis else None for way in "12")
    lower = lower_way(one, two) if one and two else None
    at = f" At the socket used, way {lower} measured lower ({state_value(one if lower == '1' else two)}" if (
        lower and one and two) else ""  # fmt: skip
    at += f", the other way {state_value(two if lower == '1' else one)})." if at and one and two else ""
    if radio.card.plug in ("polarised", "earthed"):
        return f"A socket that is wired the wrong way round can make the chassis live.{at}"
    if kind in _TIED or level is not Level.WITHIN:
        return f"Either way round of the plug can make the chassis live.{at}"
    return (
        f"Either way round of the plug changes what the chassis reads.{at}" if at else "See the report for both ways."
    )


def _connections(kind: str, level: Level) -> tuple[str, ...]:
    if kind in _TIED or level is Level.DANGER:
        return ("An earth wire, an aerial with bare metal, headphones, an extension loudspeaker.",
                "A record player, recorder, computer, telephone or anything else by wire.")  # fmt: skip
    if level is Level.WITHIN:
        return ("Anything that was not there when it was measured, until it has been measured again.",)
    return ("An earth wire, headphones or other equipment by wire, until the missing or high readings are cleared up.",)
