"""What was not measured: on the first page in a few lines, and in full; what an earlier stage measured is told."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from analysis.assessment import Assessment
from analysis.chassis import wanted_states
from analysis.readings import BoolArray, Words
from analysis.report.matrix import points, touch_findings
from analysis.report.owner import in_plain_words, stage_words
from analysis.report.proving import ChainProof
from analysis.report.text import listed, plain
from analysis.table import Radio, Session

#: What a finding or a topic is called where its id would puzzle an owner.
NAMES = {
    "chassis-kind": "how the chassis is joined to the mains", "insulation": "insulation between mains and metal",
    "supply-rating": "the transformer’s rating", "transformer rating": "the transformer’s rating",
    "rail-window": "the board’s supply voltages", "rails": "the board’s supply voltages",
    "headroom": "how far the board can be turned up",
    "level-match": "how loud it is beside the radio", "level match": "how loud it is beside the radio",
    "hum-difference": "hum", "hum": "hum", "winding-rise": "how warm the transformer gets",
    "winding rise": "how warm the transformer gets", "mains-level": "the mains voltage",
    "mains level": "the mains voltage",
}  # fmt: skip
_CHASSIS = NAMES["chassis-kind"]
#: Topics that do not bear on touching.
_BESIDE = {*NAMES.values()} - {_CHASSIS, NAMES["insulation"]}
#: The points whose readings answer a topic, and the tag that they need.
_POINTS: Mapping[str, tuple[tuple[str, ...], str]] = {
    NAMES["supply-rating"]: (("secondary",), ""),
    NAMES["rails"]: (("rail-positive", "rail-negative"), ""),
    NAMES["headroom"]: (("secondary", "rail-positive", "rail-negative"), ""),
    NAMES["level match"]: (("speaker",), "load"),
    "hum": (("speaker",), "arrangement"),
    NAMES["winding rise"]: (("winding-primary", "winding-secondary"), ""),
    NAMES["mains level"]: (("mains", "mains-line"), ""),
    NAMES["insulation"]: (("mains-to-chassis", "barrier"), ""),
    _CHASSIS: (("pin-1-to-chassis", "pin-2-to-chassis"), ""),
}
_STATE = re.compile(r"plug (\S+), switch (on|off)")
#: Lines on touch that the first page gives; the rest stands further down.
_MOST = 5


def earlier(radio: Radio, *topics: str) -> str:
    """That a topic, or each of some points, was measured in an earlier stage and not since; empty where not."""
    wanted = [_POINTS.get(topic) or (((topic,), "plug") if topic in _own(radio) else None) for topic in topics]
    if not wanted or any(w is None or any(_has(s, *w) for s in radio.judged) for w in wanted):
        return ""
    old = [session for session in radio.counted if session.stage != radio.stage]
    last = [next((s for s in reversed(old) if w is not None and _has(s, *w)), None) for w in wanted]
    names = list(dict.fromkeys((s.stage, s.name) for s in last if s is not None))
    if not names or None in last:
        return ""
    sittings = listed(plain(name) for _, name in names)
    return f"measured {stage_words(names[-1][0])} (sitting {sittings}), not since: measure again"


def _own(radio: Radio) -> set[str]:
    return {plain(point) for point in radio.card.points}


def _has(session: Session, names: tuple[str, ...], tag: str) -> bool:
    """Whether a sitting has a reading at one of the points, with the tag where one is needed."""
    words = session.readings.words
    if not set(names) & set(words["point"].names):
        return False
    told = _is(words["point"], names) & _is(words["status"], ("ok", "overload"))
    return bool((told & ~_is(words[tag], ("",))).any() if tag else told.any())


def _is(column: Words, texts: Iterable[str]) -> BoolArray:
    """Where a column of words has one of these; by code, since copies of a long sitting's rows cost."""
    wanted = [at for at, word in enumerate(column.names) if word in texts]
    return np.isin(column.codes, wanted)


def missing(
    radio: Radio, assessment: Assessment, supply: Mapping[str, Any] | None, proof: ChainProof
) -> tuple[str, ...]:
    """What was not measured, a line for each thing that it is missing of; points that lack the same stand together."""
    lines = [_line(radio, of, what) for of, what in lacked(radio, assessment)]
    never = [f"{line[:1].upper()}{line[1:]}" for line in (*contact(proof), *_never(radio, assessment))]
    return (*lines, *never, *_computed(radio, supply), *_assumed(assessment, supply))


def _line(radio: Radio, of: tuple[str, ...], what: tuple[str, ...]) -> str:
    told = "; ".join(text for text in (earlier(radio, *of), *what) if text)
    return f"{listed(of, most=60)}: {told}" if of != ("",) else told


def _assumed(assessment: Assessment, supply: Mapping[str, Any] | None) -> tuple[str, ...]:
    """What the transformer's computation lacked and took for granted, where no finding says so."""
    said = {what for finding in assessment.findings for what in finding.missing}
    lacking = [str(what) for what in (supply or {}).get("missing") or () if what not in said]
    return tuple(f"For the transformer’s figures: {in_plain_words(plain(what, 300))}" for what in lacking)


def lacked(radio: Radio, assessment: Assessment) -> list[tuple[tuple[str, ...], tuple[str, ...]]]:
    """What is missing, by what it is missing of, each thing once; points that lack the same together."""
    groups: dict[str, dict[str, None]] = {}
    for entry in assessment.missing:
        of, colon, what = entry.partition(": ")
        groups.setdefault(_named(of) if colon else "", {})[what if colon else entry] = None
    for finding in assessment.findings:
        kind, _, about = finding.id.partition(":")
        of = about if kind.startswith("touch-") else finding.id
        for what in finding.missing:
            groups.setdefault(_named(of), {})[what] = None
    alike: dict[tuple[str, ...], list[str]] = {}
    ours = {plain(point) for point in points(radio, assessment)}
    for of, lacking in groups.items():
        told = _shortened(radio, lacking)
        alike.setdefault(told if of in ours else (of, *told), []).append(of)
    return [(tuple(ofs), told if set(ofs) <= ours else told[1:]) for told, ofs in alike.items()]


def _named(of: str) -> str:
    return NAMES.get(of, plain(of))


def _shortened(radio: Radio, lacking: Mapping[str, None]) -> tuple[str, ...]:
    """States of plug and switch put together; the rest as it is, in plain words."""
    states = [found.groups() for what in lacking if (found := _STATE.fullmatch(what))]
    rest = [in_plain_words(plain(what, 300)) for what in lacking if not _STATE.fullmatch(what)]
    if len(states) > 1 and set(states) >= set(wanted_states(radio.card)):
        return ("every plug and switch state", *rest)
    switches: dict[str, list[str]] = {}
    for plug, switch in states:
        switches.setdefault(plug, []).append(switch)
    return (*(f"plug {plain(plug, 20)}, switch {' and '.join(found)}" for plug, found in switches.items()), *rest)


def contact(proof: ChainProof) -> tuple[str, ...]:
    """Low readings that rest on the word of whoever held the probe: one in the air reads as low as a dead part."""
    told = (
        ("whether the probe touched the metal (ohms before and after), for the low readings of", proof.unseen),
        ("whether the probe still touched the metal (ohms) after the low readings of", proof.unseen_after),
    )
    return tuple(f"{words} {listed(points_, most=60)}" for words, points_ in told if points_)


def unmeasured_lines(
    radio: Radio, assessment: Assessment, supply: Mapping[str, Any] | None, proof: ChainProof
) -> tuple[str, ...]:
    """The first page's answer: what bears on touch first, then the rest by name."""
    full = f"Measured: {completeness(radio, assessment)}."
    lines = [full if assessment.fully_measured else "The radio is not fully measured."]
    near, beside = [], []
    for of, what in lacked(radio, assessment):
        if of[0] in _BESIDE:
            beside.append(of[0])
        else:
            line = _line(radio, of, what)
            near.append(f"{line if of[0] in _own(radio) else line[:1].upper() + line[1:]}.")
    lines += near if len(near) <= _MOST + 1 else [*near[:_MOST], f"{len(near) - _MOST} more, all under “What was not "
                                                  "measured”."]  # fmt: skip
    lines += [f"{line[:1].upper()}{line[1:]}." for line in contact(proof)]
    lines.append(f"Nor were {listed(_never(radio, assessment))} measured.")
    lines += [f"{line}." for line in _computed(radio, supply)]
    before = [of for of in beside if earlier(radio, of)]
    rest = [of for of in beside if of not in before]
    if rest:
        lines.append(f"Apart from touch: {listed(rest, most=12)}.")
    if before:
        lines.append(f"Measured at an earlier stage only, so measure again: {listed(before, most=12)}.")
    return tuple(lines)


def completeness(radio: Radio, assessment: Assessment) -> str:
    """How much of the card's points was measured, and by what kind of volts."""
    if not assessment.fully_measured:
        return "not fully measured"
    number = len(radio.card.points)
    where = "the one point listed for it" if number == 1 else f"the {number} points listed for it"
    return f"every plug and switch state of {where}, {'AC only' if _without_direct(radio, assessment) else 'AC and DC'}"


def _without_direct(radio: Radio, assessment: Assessment) -> list[str]:
    """Points of which no direct volts were read."""
    found = touch_findings(assessment)
    return [
        plain(point, 60) for point in points(radio, assessment)
        if not any(
            s.coupling == "dc" and (s.value is not None or s.overload)
            for s in (found[point].states if point in found else ())
        )
    ]  # fmt: skip


def _never(radio: Radio, assessment: Assessment) -> tuple[str, ...]:
    """What a touch statement leaves open even where every state of the card was read."""
    without = _without_direct(radio, assessment)
    every = len(without) == len(points(radio, assessment))
    lines = [f"DC volts at {'any point' if every else listed(without)}"] if without else []
    return (*lines, "metal not listed for this radio", "the earth connection itself (only volts against it)")


def _computed(radio: Radio, supply: Mapping[str, Any] | None) -> tuple[str, ...]:
    """What looks measured and is computed."""
    rails = _POINTS[NAMES["rails"]]
    if not (supply or {}).get("at_mains") or any(_has(session, *rails) for session in radio.judged):
        return ()
    return ("The board’s supply voltages are computed from the transformer’s readings, not measured",)
