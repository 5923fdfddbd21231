"""The trade's words put in words that an owner has: for the first page, where nobody should need a glossary."""

from __future__ import annotations

import re

from analysis.assessment import Assessment
from analysis.coded import coded
from analysis.finding import Finding, Level
from analysis.report.text import SENTENCE, listed, plain
from analysis.table import Radio

_BARRIER = "the barrier between mains and board"
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
        (r"\bat mains-to-chassis and barrier\b", f"to the chassis, and across {_BARRIER}"),
        (r"^mains-to-chassis$", "ohms between mains and chassis"),
        (r"^barrier$", f"ohms across {_BARRIER}"),
        (r"(?:^|,? )\bon the (?:radio's )?card\b", " in the radio’s data"),
        (r"\b([Tt])he card names no\b", r"\1he radio’s data name no"),
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
    if finding.id.startswith(_METER) and finding.level is not Level.WITHIN:
        return f"Something speaks against the readings of {meter_words(radio, finding.id.removeprefix(_METER))}"
    return in_plain_words(plain(finding.title, 200)).rstrip(".")


def _record(radio: Radio, assessment: Assessment) -> str:
    broken = sum(s.close is None for s in radio.sessions if s.name in assessment.sessions)
    if not broken:
        return "The record is not whole"
    if broken == 1:
        return "One sitting was broken off; its files are unclosed"
    return f"{broken} sittings were broken off; their files are unclosed"


def advice(finding: Finding, radio: Radio) -> str:
    """What a finding advises, for the first page."""
    if finding.id == "record" and finding.advice:
        return "Have what is not whole in the record recovered, or measured again, by whoever measured."
    text = finding.advice
    if finding.id.startswith(_METER) and text:
        role = finding.id.removeprefix(_METER)
        remedy = text.removeprefix(f"For meter '{role}': ")
        text = f"Before relying on {meter_words(radio, role)}: {remedy}"
    return in_plain_words(plain(text, SENTENCE))


def meter_words(radio: Radio, role: str) -> str:
    """A meter by what it read: its role is a letter that only whoever measured knows."""
    read: dict[str, set[str]] = {}
    for session in radio.judged:
        for group in coded(session).groups:
            read.setdefault(group.texts["meter"], set()).add(group.texts["quantity"])
    mine = [quantity for quantity in _READ if quantity in read.get(role, ())]
    own = [quantity for quantity in mine if not any(quantity in read[other] for other in read if other != role)]
    told = listed(_READ[quantity] for quantity in own[:1] or mine)  # what no other read tells it from them
    return f"the meter that read {told} (‘{plain(role, 40)}’)" if told else f"the meter ‘{plain(role, 40)}’"


_METER = "meter-trust:"
_READ = {"current": "the current", "voltage": "volts", "resistance": "ohms", "temperature": "temperatures"}
