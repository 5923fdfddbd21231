"""The owner's second question: what the way round of the plug changes, as far as both ways were read."""

from __future__ import annotations

from analysis.assessment import Assessment
from analysis.card import RadioCard
from analysis.finding import Finding, Outcome, StateOutcome
from analysis.report.matrix import highest, state_value, switches, touch_findings, unread
from analysis.report.proving import NOT_PROVED, ChainProof
from analysis.report.text import listed, plain
from analysis.report.touching import short
from analysis.table import Radio

#: Points whose figures the first page names; the table of every state has them all.
NAMED = 4
_SOCKET = "Another socket"
_HIGHER = f"{_SOCKET} can be wired the other way round: count on the higher figure."


def plug_lines(radio: Radio, assessment: Assessment, proof: ChainProof) -> tuple[str, ...]:
    """What every point reads in both ways of the plug, switch on and off, and what follows from that."""
    found = touch_findings(assessment)
    order = sorted(found, key=lambda point: point != "chassis")
    read = [point for point in order if highest(found[point], "1") or highest(found[point], "2")]
    words = plug_words(radio.card, proof)
    if not read:
        return (words, "Not measured: count both ways as live.")
    whole = [point for point in read if not _silent(found[point])]
    lines = [
        f"{plain(point, 60)}, {'; '.join(_way(found[point], way, radio.card) for way in '12')}."
        for point in whole[:NAMED]
    ]
    if len(whole) > NAMED:
        lines.append(f"{len(whole) - NAMED} more points: see every state below.")
    follows: dict[str, list[str]] = {}
    for point in read:
        for text in (*_follows(found[point], radio.card), *half_read(found[point], radio.card)):
            follows.setdefault(text, []).append(plain(point, 60))
    lines += [text.format(listed(names, most=6)) for text, names in follows.items()]
    return (words, *lines, *(() if any(_SOCKET in line for line in lines) else (_HIGHER,)))


def _silent(finding: Finding) -> bool:
    """Whether one of the ways has no reading at all: then its sentence says all that the figures would."""
    return not (highest(finding, "1") and highest(finding, "2"))


def _alone(finding: Finding, way: str) -> list[StateOutcome]:
    return [s for s in finding.states if s.plug == way and s.burden is None and (s.value is not None or s.overload)]


def _way(finding: Finding, way: str, card: RadioCard) -> str:
    """One way of the plug: what it reads with the switch on and off, and what of it was not measured."""
    alone = _alone(finding, way)
    lacking = [switch for plug, switch in unread(finding, card) if plug == way]
    wanted = switches(card) if any(s.switch for s in alone) else ()
    order = dict.fromkeys([*wanted, *sorted({s.switch for s in alone}, key=lambda word: (word != "on", word))])
    read: list[str] = []
    for switch in order:
        states = [s for s in alone if s.switch == switch]
        top = max(states, key=lambda s: (s.overload, abs(s.value or 0.0)), default=None)
        if top is None and switch not in lacking:
            continue
        named = plain(switch, 20) if switch in ("on", "off") and read else f"switch {plain(switch, 20)}"
        words = f"{'' if read else 'with the '}{named}" if switch else ""
        read.append(f"{short(top).removesuffix(' AC') if top else 'not measured'} {words}".strip())
    return f"way {way}: {', '.join(read)}"


def half_read(finding: Finding, card: RadioCard) -> tuple[str, ...]:
    """What of either way was not read and so is unknown, with a place for the points of which it holds.

    A way of which one position of the switch was read shows nothing of the other: a switch in the chassis' leg makes
    the position that was not read the live one.
    """
    said = []
    for way in "12":
        lacking = [switch for plug, switch in unread(finding, card) if plug == way]
        top = highest(finding, way)
        if top is None:
            seen = "2" if way == "1" else "1"
            other = highest(finding, seen)
            read = state_value(other) if other else "–"
            said.append(f"Only way {seen} was measured ({{}}: highest reading {read}). "
                        f"Way {way} is unknown: count it as live.")  # fmt: skip
        elif lacking:
            there = sorted({s.switch for s in _alone(finding, way) if s.switch in ("on", "off")} - set(lacking))
            told = f"with the switch {there[0]} only" if there else "without a note of the switch"
            unknown = " and ".join(lacking)
            said.append(f"Way {way} was read {told} ({{}}); with the switch {unknown} it is unknown: count it as live.")
    return tuple(said)


def _high(finding: Finding) -> list[StateOutcome]:
    """States whose volts are not shown to be below the limit."""
    high = (Outcome.ABOVE, Outcome.TOO_CLOSE)
    return [s for s in finding.states if s.burden is None and (s.overload or s.outcome in high)]


def _follows(finding: Finding, card: RadioCard) -> tuple[str, ...]:
    """What the two ways of one point mean, with a place for the points of which it holds; nothing where one is open."""
    high = _high(finding)
    switched = any(s.switch == "off" for s in high)
    if {"1", "2"} <= {s.plug for s in high}:
        switch = ", and not the switch," if switched else ""
        return (f"Neither way of the plug{switch} makes {{}} dead: only pulling the plug does.",)
    off = " Switching off does not make it dead: only pulling the plug does." if switched else ""
    if not comparable(finding, card):
        return ("Switched off, {} is not dead: only pulling the plug does that.",) if switched else ()
    if not high:
        return ("Both ways read below the voltage limit at the socket used ({}).",)
    lower = lower_way(finding, card)
    if lower is None:
        return (f"Neither way is clearly lower at the socket used ({{}}).{off}",)
    return (f"Way {lower} measured lower at the socket used ({{}}). {_HIGHER}{off}",)


def comparable(finding: Finding, card: RadioCard) -> bool:
    """Whether both ways have every switch state, in each kind of volts that was read: else neither is called lower."""
    return all(not unread(finding, card, coupling) for coupling in ("ac", *{s.coupling for s in finding.states
               if s.burden is None and (s.value is not None or s.overload)}))  # fmt: skip


def lower_way(finding: Finding, card: RadioCard) -> str | None:
    """The way of the plug that measured clearly lower; None where none did, both are low, or a state is open."""
    one, two = highest(finding, "1"), highest(finding, "2")
    if one is None or two is None or not comparable(finding, card) or not _high(finding):
        return None
    if one.overload or two.overload or one.value is None or two.value is None:
        return None if one.overload == two.overload else ("2" if one.overload else "1")
    doubt = (one.expanded_uncertainty or 0.0) + (two.expanded_uncertainty or 0.0)
    if abs(abs(one.value) - abs(two.value)) <= doubt:
        return None
    return "1" if abs(one.value) < abs(two.value) else "2"


def plug_words(card: RadioCard, proof: ChainProof) -> str:
    """What way 1 and way 2 stand for, and whether the live contact was proved."""
    doubt = "" if proof.contact else f" {NOT_PROVED}"
    called = "“plug 1” and “plug 2” in the findings"
    if card.plug in ("polarised", "earthed"):
        return (f"The plug is {card.plug}: way 2 stands for a socket that is wired the wrong way round, and was "
                f"measured, if at all, through a crossed test lead ({called}).{doubt}")  # fmt: skip
    if card.plug == "reversible":
        contact = "that was proved live" if proof.contact else "that was taken to be live"
        return (f"The plug fits either way round. Way 1: its marked pin in the contact {contact}; way 2: turned round "
                f"({called}).{doubt}")  # fmt: skip
    return f"Whether the plug fits either way round is not noted: count on it.{doubt}"


def without_comparison(finding: Finding, sentences: list[str]) -> list[str]:
    """Sentences of a finding's advice but for which way measured lower, where the volts are low in both."""
    return [text for text in sentences if _high(finding) or "of the plug measured lower" not in text]
