"""The trade's words put in words that an owner has: for the first page, where nobody should need a glossary."""

from __future__ import annotations

import re

from analysis.assessment import Assessment
from analysis.finding import Finding, Level
from analysis.report.text import SENTENCE, plain
from analysis.table import Radio

#: A term as the findings write it, and what stands on the first page in its place.
_WORDS = tuple(
    (re.compile(term), words)
    for term, words in (
        (r"\btied to (?:a|one) leg of the mains\b", "connected to one pin of the mains plug"),
        (r"\bof Y class\b", "of Y class (the kind made to stand between the mains and metal that is touched)"),
        (r"\b([Aa]) second burden reading\b", r"\1 reading with a second known resistor across the meter"),
        (r"\b([Aa]) burden reading\b", r"\1 reading with a known resistor across the meter"),
        (r"\b([Bb])urden readings\b", "readings with a known resistor across the meter"),
        (r"\ba smaller burden\b", "a smaller resistor across the meter"),
        (r"\bearth clip\b", "meter’s earth lead"),
        (r"^Headroom:", "How far the added board can be turned up (headroom):"),
        (r"\bcan clip\b", "can distort (clip)"),
        (r"^Rails at low and high mains\b", "The added board’s supply voltages (rails) at low and high mains"),
        (r"\bswing_loss\b", "the swing that its output loses"),
        (r"\bsource_level\b", "the level of its source"),
        (r" ?\((?:supply_max|supply_min|reservoir_rating)\)", ""),
        (r"\bmains-line\b", "the live contact of the socket"),
        (r"\bpin-([12])-to-chassis\b", r"ohms from pin \1 to the chassis"),
    )
)
_STAGES = {"before-fit": "before the board was fitted", "after-fit": "after the board was fitted"}
_KINDS = {
    "tied": "The chassis is connected to one pin of the mains plug{pin}.",
    "tied-through-switch": "The chassis is connected to one pin of the mains plug{pin} through the mains switch; with "
                           "the switch off it can take the voltage of the other pin.",
    "rc-coupled": "The chassis is coupled to the mains through a resistor with a capacitor.",
    "line-capacitor": "The chassis is coupled to the mains through a capacitor.",
    "earthed": "The chassis is connected to the earth pin of the plug.",
    "isolated": "No connection between the mains and the chassis was found by measurement.",
}  # fmt: skip
#: Kinds of chassis in two or three words.
KIND_NAMES = {
    "tied": "connected to one pin of the plug", "tied-through-switch": "connected to one pin through the switch",
    "rc-coupled": "joined through a resistor and capacitor", "line-capacitor": "joined through a capacitor",
    "earthed": "joined to earth", "isolated": "apart from the mains", "not-established": "not established",
}  # fmt: skip


def in_plain_words(text: str) -> str:
    """A finding's text with the trade's words explained or replaced."""
    for term, words in _WORDS:
        text = term.sub(words, text)
    return text


def stage_words(stage: str) -> str:
    """A stage of the work in words: `before-fit` is before the board was fitted."""
    return _STAGES.get(stage, f"at stage “{plain(stage, 60)}”" if stage else "at a stage without a name")


def kind_of(finding: Finding | None) -> str:
    """The word for the kind of chassis; empty where there is no finding."""
    return str(finding.extra.get("kind") or "") if finding else ""


def chassis_words(finding: Finding | None) -> str:
    """How the chassis stands to the mains."""
    kind = kind_of(finding)
    if kind not in _KINDS or finding is None:
        return "How the chassis stands to the mains was not established: count it as live."
    pin = finding.extra.get("pin")
    return _KINDS[kind].format(pin=f" (pin {pin})" if pin in (1, 2) else "")


def title(finding: Finding, radio: Radio, assessment: Assessment) -> str:
    """A finding in one line for the first page, without its stop."""
    if finding.id == "chassis-kind" and kind_of(finding) in _KINDS:
        return chassis_words(finding).rstrip(".")
    if finding.id == "record" and finding.level is not Level.WITHIN:
        return _record(radio, assessment)
    return in_plain_words(plain(finding.title, 200)).rstrip(".")


def _record(radio: Radio, assessment: Assessment) -> str:
    broken = sum(s.close is None for s in radio.sessions if s.name in assessment.sessions)
    if not broken:
        return "The record is not whole"
    if broken == 1:
        return "One sitting was broken off; its files are unclosed"
    return f"{broken} sittings were broken off; their files are unclosed"


def advice(finding: Finding) -> str:
    """What a finding advises, for the first page."""
    kind, _, about = finding.id.partition(":")
    if kind == "record" and finding.advice:
        return "Have what is not whole in the record recovered, or measured again, by whoever measured."
    if kind == "meter-trust" and finding.advice:
        return f"Before relying on meter ‘{plain(about, 40)}’, read what its finding below says against it."
    return in_plain_words(plain(finding.advice, SENTENCE))
