"""What an owner needs to know first, in plain words: the headline, what it rests on, four answers, what to do."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from analysis.assessment import Assessment
from analysis.card import RadioCard
from analysis.coded import coded
from analysis.finding import ORDER, Finding, Level
from analysis.headroom import RESERVE
from analysis.meterinfo import MeterInfo
from analysis.report import owner
from analysis.report.proving import ChainProof
from analysis.report.text import exactly, plain, rounded
from analysis.report.touching import stands, touch_level, touch_lines
from analysis.report.unmeasured import NAMES, earlier, unmeasured_lines
from analysis.report.ways import plug_lines, without_comparison
from analysis.table import Radio
from drivers.units import UnitError, parse

CAUTIONS = (
    "Local electrical codes and the practice of licensed persons come before anything printed here. Work on mains "
    "wiring is for people who are licensed for it where the radio is.",
    "The figures hold for the socket, the leads and the state of the radio on the day. Heat, damp, age and any repair "
    "change them.",
    "“Within” says that what was measured, with its uncertainty, lay below the limit named beside it. It is no "
    "approval, and says nothing of what was not measured.",
    "The limits are product limits for new equipment, used as yardsticks. Their source stands beside each; the edition "
    "in force locally rules.",
    "Do not remove an earth connection, a fuse or a barrier to make a reading better.",
)
#: What holds for every valve radio, and is too grave for the last page.
STORED_CHARGE = (
    "Its capacitors can hold a voltage that kills after the plug is out: unplug it, and let a competent person "
    "discharge it, before the back or the knobs come off."
)
_KEEP_OFF = "Keep off the metal of this radio while its plug is in: "
_HEADLINES = {
    Level.DANGER: "Do not touch any metal of this radio while its plug is in a socket.",
    Level.CAUTION: f"{_KEEP_OFF}not all of it stayed below its limit.",
    Level.UNDECIDED: "Treat this radio’s metal as live: too little was measured to say how it stands to the mains.",
    Level.WITHIN: "Every touchable part that was measured stayed below its touch limit, in the states shown below.",
}
_BY_CURRENT = (
    "Every touchable part that was measured stayed below its touch limit, some of them by the current only: their "
    "volts were above."
)
_FIRST = {
    Level.DANGER: "Unplug it before anyone touches metal, and have the cause put right by a licensed person.",
    Level.CAUTION: "Do not touch its metal with the plug in until a licensed person has looked at the findings below.",
    Level.UNDECIDED: "Do not touch its metal with the plug in until the missing readings have been taken.",
}
_NO_METER = MeterInfo(role="")
#: From this factor on a current was corrected by more than a rounding.
_CORRECTED = 1.005
#: Steps on the first page, the cautions among them.
_STEPS = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """A question that an owner has, and what the readings answer."""

    question: str
    lines: tuple[str, ...]


def headline(radio: Radio, assessment: Assessment) -> str:
    """One sentence on touching it, and one where something else is worse than that."""
    level = touch_level(assessment)
    others = [f for f in assessment.findings if ORDER.index(f.level) < ORDER.index(level)]
    told = owner.title(others[0], radio, assessment) if others else ""
    also = f"{'' if others[0].id == 'record' else ' Apart from touch:'} {told}." if others else ""
    return _touch_headline(radio, assessment, level) + also


def _touch_headline(radio: Radio, assessment: Assessment, level: Level) -> str:
    """The sentence by its cause: what a reading lay above is not what a part may do one day."""
    found = stands(radio, assessment)
    if level is Level.WITHIN and any(s.current for s in found):
        return _BY_CURRENT
    if level is not Level.CAUTION or any(s.level is Level.CAUTION for s in found):
        return _HEADLINES[level]
    if owner.kind_of(assessment.of("chassis-kind")) in ("line-capacitor", "rc-coupled"):
        return f"{_KEEP_OFF}its chassis is joined to the mains through a part that can fail."
    insulation = assessment.of("insulation")
    if insulation is not None and insulation.level is Level.CAUTION:
        return f"{_KEEP_OFF}the insulation between it and the mains reads low."
    return f"{_KEEP_OFF}what was found of it below speaks against touching it."


def found(radio: Radio, assessment: Assessment) -> tuple[str, ...]:
    """What the headline rests on: the findings of the worst level, at most three, in a line each."""
    if assessment.level is Level.WITHIN:
        return ()
    titles = [owner.title(f, radio, assessment) + "." for f in assessment.findings if f.level is assessment.level]
    titles = [title for title in titles if title not in headline(radio, assessment)]
    more = [f"{len(titles) - 3} more at this level, below."] if len(titles) > 3 else []
    return (*titles[:3], *more)


def actions(radio: Radio, assessment: Assessment) -> tuple[str, ...]:
    """What to do, in order of weight; a sentence that stood there before is not said again."""
    level = touch_level(assessment)
    first = _FIRST.get(level, "Keep this record with the radio; measure again after any repair.")
    said: set[str] = set()
    steps = [first, STORED_CHARGE, *(_step(f, radio) for f in assessment.findings)]
    fresh = [_fresh(step, said) for step in steps]
    return tuple(step for step in fresh if step)[:_STEPS]


def _step(finding: Finding, radio: Radio) -> str:
    """What a finding asks for; one that is within does where it asks for a change all the same."""
    if finding.level is Level.WITHIN and not short_of_reserve(finding):
        return ""
    return " ".join(without_comparison(finding, sentences(owner.advice(finding, radio))))


def short_of_reserve(finding: Finding) -> bool:
    """Whether the board is set to more gain than its finding advises, though to less than clips."""
    if finding.id != "headroom" or finding.value is None or finding.limit is None:
        return False
    return finding.limit > finding.value * 10 ** (-RESERVE / 20)


def told(finding: Finding) -> str:
    """What a finding advises, for its own place: nothing that does not follow, or that has been done."""
    kept = [
        text for text in without_comparison(finding, sentences(finding.advice))
        if not (finding.missing and text.startswith(WANTED))
    ]  # fmt: skip
    text = " ".join(kept)
    if finding.id == "headroom" and finding.limit is not None and not short_of_reserve(finding):
        text = re.sub(r"\bSet the gain to (\S+) at most\b", r"Keep the gain at \1 or less", text)
    return text


def _fresh(text: str, said: set[str]) -> str:
    """The sentences not said yet; what is still wanted has its own place in the report."""
    kept = []
    for sentence in sentences(text):
        if sentence not in said and not sentence.startswith(WANTED):
            kept.append(sentence)
        said.add(sentence)
    return " ".join(kept)


#: How a finding's advice names what is missing; the report has a list for that.
WANTED = "Still wanted:"


def sentences(text: str) -> list[str]:
    """A text in its sentences."""
    return re.split(r"(?<=[.!?]) (?=[A-Z])", text)


def answers(
    radio: Radio,
    assessment: Assessment,
    supply: Mapping[str, Any] | None,
    proof: ChainProof,
    before: Assessment | None = None,
) -> tuple[Answer, ...]:
    """What an owner asks first; `before` is what the earlier stage showed."""
    return (
        Answer(question="What may not be touched?", lines=touch_lines(radio, assessment, before)),
        Answer(question="What does the way round of the plug change?", lines=plug_lines(radio, assessment, proof)),
        Answer(question="Is the added transformer big enough?", lines=_transformer(radio, assessment, supply)),
        Answer(question="What was not measured?", lines=unmeasured_lines(radio, assessment, supply, proof)),
    )


def _transformer(radio: Radio, assessment: Assessment, supply: Mapping[str, Any] | None) -> tuple[str, ...]:
    """Big enough, and by how much: how it was reckoned stands in the finding."""
    finding = assessment.of("supply-rating")
    needed = supply.get("required_VA") if supply else None
    before = earlier(radio, NAMES["supply-rating"])
    if not (isinstance(needed, int | float) and needed > 0 and supply):
        if before:
            return (f"{before[0].upper()}{before[1:]}.",)
        if finding is None:
            return ("Not established: its current was never measured.",)
        return ("Not settled.", *_lacking(finding))
    rating = _rating(radio.card)
    asked = (_asked(float(needed), supply.get("margin"), finding), *_ammeter(radio, supply))
    if not rating:
        return (*asked, "The rating on the nameplate is not noted: read it there.")
    share = rating / float(needed)
    word, fitted = _big_enough(finding, share), exactly(rating, "VA")
    computed = "" if word == "Not settled" else ", as computed"
    lines = [f"{word}{computed}: {fitted} fitted.", asked[0], f"{fitted} is {share:.2f} times that.", *asked[1:]]
    step = supply.get("next_standard_VA")
    if word == "No" and isinstance(step, int | float):
        lines.append(f"The next common size is {exactly(float(step), 'VA')}.")
    return (*lines, *(_lacking(finding) if word == "Not settled" else ()))


def _asked(needed: float, margin: object, finding: Finding | None) -> str:
    """What the board takes, and what is asked for with the margin and its U."""
    expanded = finding.expanded_uncertainty if finding is not None and finding.unit == "VA" else None
    doubt = f" (± {float(f'{expanded:.1g}'):g} VA)" if expanded else ""
    if not isinstance(margin, int | float) or margin <= 0:
        return f"{_volt_amperes(needed)} are asked for{doubt}."
    return (f"The board takes {_volt_amperes(needed / margin)}; with the margin of {margin:g}, "
            f"{_volt_amperes(needed)} are asked for{doubt}.")  # fmt: skip


def _volt_amperes(value: float) -> str:
    """As nameplates have it, without a prefix: 0.85 VA."""
    return f"{value:.2f} VA" if value < 10 else f"{value:.3g} VA" if value < 1000 else rounded(value, "VA")


def _ammeter(radio: Radio, supply: Mapping[str, Any]) -> tuple[str, ...]:
    """That the current came from a meter that does not see all of a rectifier's pulses, and was corrected for it."""
    readers = {
        (session.meter(group.texts["meter"]) or _NO_METER).rms for session in radio.judged
        for group in coded(session).groups
        if group.texts["quantity"] == "current" and group.texts["point"] == "secondary"
    }  # fmt: skip
    if "average" in readers:
        return ("The current came from an average-reading meter: confirm it with a true-RMS one.",)
    factor = supply.get("true_rms_factor")
    if isinstance(factor, int | float) and factor > _CORRECTED:
        return ("The current was corrected for what its meter does not see: confirm it with a true-RMS one for AC and "
                "DC together.",)  # fmt: skip
    return ()


def _lacking(finding: Finding | None) -> tuple[str, ...]:
    """What keeps the rating from being settled, briefly."""
    lacking = [owner.in_plain_words(plain(what, 200)) for what in (finding.missing if finding else ())]
    more = f"; {len(lacking) - 2} more below" if len(lacking) > 2 else ""
    return (f"Missing: {'; '.join(lacking[:2])}{more}.",) if lacking else ("See its finding below.",)


def _big_enough(finding: Finding | None, share: float) -> str:
    """The short answer, which never says more than the finding does."""
    if share < 1 or (finding is not None and finding.level in (Level.DANGER, Level.CAUTION)):
        return "No"
    return "Yes" if finding is not None and finding.level is Level.WITHIN else "Not settled"


def _rating(card: RadioCard) -> float | None:
    try:
        return parse(card.transformer.rating, "VA") if card.transformer.rating else None
    except UnitError:
        return None
