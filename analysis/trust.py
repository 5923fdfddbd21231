"""Whether the meters can be believed, and whether the record is whole."""

from __future__ import annotations

import math
from collections import Counter
from datetime import date, timedelta
from itertools import combinations
from typing import Any, NamedTuple

import numpy as np

from analysis.chassis import is_touched
from analysis.finding import Finding, Level
from analysis.meterinfo import MeterInfo
from analysis.states import Value, chunks, settled
from analysis.table import Radio, Session
from drivers.units import show_pm

#: An AC voltmeter that loads more than this tells less of a high-impedance chassis. [Ω] Source: own choice.
LEAST_INPUT = 1e6


def meter_findings(radio: Radio) -> list[Finding]:
    """`meter-trust:ROLE` for every meter of the judged sessions."""
    doubts: dict[str, dict[_Doubt, None]] = {}
    unsaid: dict[str, dict[str, None]] = {}
    values = {
        s.name: settled(chunks(s, by=("plug", "switch", "burden", "load", "arrangement"), where=lambda _: True))
        for s in radio.judged
    }
    for session in radio.judged:
        for role in session.readings.words["meter"].names:
            mine = [value for value in values[session.name] if value.meter == role]
            doubts.setdefault(role, {}).update(dict.fromkeys(_doubts(session, role, mine)))
            meter = session.meter(role)
            if meter is not None and not meter.calibrated:
                unsaid.setdefault(role, {})["when it was calibrated is not recorded"] = None
        for pair, doubt in _disagreements(values[session.name]):
            for role in pair:
                doubts.setdefault(role, {})[doubt] = None
    return [_finding(role, list(told), list(unsaid.get(role, ()))) for role, told in sorted(doubts.items())]


class _Doubt(NamedTuple):
    """What speaks against a meter's readings, and what would settle it."""

    text: str
    remedy: str


def _finding(role: str, doubts: list[_Doubt], unsaid: list[str]) -> Finding:
    statement = "; ".join(doubt.text for doubt in doubts) or "nothing that was recorded speaks against its readings"
    statement = "; ".join((statement, *unsaid))
    word = "read first what speaks against it" if doubts else "nothing recorded speaks against it"
    remedies = "; ".join(dict.fromkeys(doubt.remedy for doubt in doubts))
    return Finding(
        id=f"meter-trust:{role}", level=Level.CAUTION if doubts else Level.WITHIN, title=f"Meter '{role}': {word}",
        statement=f"Meter '{role}': {statement}.", limit_source="JCGM 100:2008 for the uncertainties; else own choice",
        advice=f"For meter '{role}': {remedies}." if doubts else "",
    )  # fmt: skip


def _doubts(session: Session, role: str, values: list[Value]) -> list[_Doubt]:
    meter = session.meter(role)
    mine = session.readings.words["meter"].are(role)
    flags = Counter(flag for text in _words(session, "flags", mine) for flag in text.split())
    found = []
    if flags["low-battery"] or any(e.kind == "low-battery" and e.meter == role for e in session.events):
        found.append(_Doubt(f"its battery was low in session {session.name}, and readings can be off",
                            "change its battery and read again"))  # fmt: skip
    held = _words(session, "status", mine)["held"]
    if held:
        number = "one reading was a held one, which is no value" if held == 1 else (
            f"{held} readings were held ones, which are no values")  # fmt: skip
        found.append(_Doubt(number, "switch hold off and read again"))
    if meter is None:
        return [*found, _Doubt("the session does not say what meter it is", "note which meter it was")]
    if any(value.by_fallback for value in values):
        found.append(_Doubt("no accuracy line covers some of its readings; 3 % + 10 counts were taken",
                            "enter its accuracy from the data sheet in its profile"))  # fmt: skip
    found += _calibration(meter, session)
    found += _unfit(meter, values)
    if meter.isolation in ("none", "unknown") and not session.statements.get("link_isolated"):
        found.append(_Doubt(f"the isolation of its data link is {meter.isolation}",
                            "find out whether its data link is isolated before it touches a chassis"))  # fmt: skip
    return found


def _words(session: Session, column: str, mine: np.ndarray[Any, np.dtype[np.bool_]]) -> Counter[str]:
    """How often each word stands in a column, in some rows; by code, since copies of rows cost."""
    cells = session.readings.words[column]
    counts = np.bincount(cells.codes[mine], minlength=len(cells.names))
    return Counter({word: count for word, count in zip(cells.names, counts.tolist(), strict=True) if count})


def _calibration(meter: MeterInfo, session: Session) -> list[_Doubt]:
    try:
        last = date.fromisoformat(meter.calibrated)
        began = date.fromisoformat(session.start[:10])
    except ValueError:
        return []
    due = last + timedelta(days=meter.calibration_interval_days)
    if began <= due:
        return []
    return [_Doubt(f"its calibration was due on {due.isoformat()}", "compare it with one that is in date")]


def _unfit(meter: MeterInfo, values: list[Value]) -> list[_Doubt]:
    found = []
    touched = [v for v in values if v.key.quantity == "voltage" and is_touched(v.key.point)]
    if touched:
        entry = meter.input_for("voltage", touched[0].key.coupling)
        if entry is None or entry.resistance is None:
            found.append(_Doubt("its input resistance is not known; 1 MΩ was taken for the loading",
                                "enter its input resistance in its profile"))  # fmt: skip
        elif entry.resistance < LEAST_INPUT:
            found.append(_Doubt("its input loads the circuit by less than 1 MΩ, so that strays read low",
                                "read the touchable points with one of 10 MΩ"))  # fmt: skip
    currents = [v for v in values if v.key.quantity == "current" and v.key.point == "secondary"]
    if currents and meter.rms == "average":
        found.append(_Doubt("it answers to the average, and reads a rectifier's pulses low; the figures are corrected"
                            " for it", "confirm the transformer's current with a true-RMS meter"))  # fmt: skip
    return found


def _disagreements(values: list[Value]) -> list[tuple[tuple[str, str], _Doubt]]:
    """Pairs of meters that read one state differently by more than both uncertainties."""
    states: dict[object, list[Value]] = {}
    for value in values:
        if value.value is not None and value.key.quantity in ("voltage", "current"):
            states.setdefault(value.key, []).append(value)
    found = []
    for several in states.values():
        for a, b in combinations(several, 2):
            if a.meter != b.meter and abs(a.magnitude - b.magnitude) > math.hypot(a.expanded, b.expanded):
                unit = "V" if a.key.quantity == "voltage" else "A"
                one, other = (show_pm(v.magnitude, v.expanded, unit) for v in (a, b))
                text = f"'{a.meter}' and '{b.meter}' disagree at {a.key.point}: {one} and {other}"
                found.append(((a.meter, b.meter), _Doubt(text, "read a known voltage with both")))
    return found


def record_finding(radio: Radio) -> Finding:
    """`record`: whether the sessions that were judged are whole."""
    if not radio.judged and not radio.unread:
        return Finding(
            id="record", level=Level.UNDECIDED, title="The record",
            statement="Nothing was measured: there is no session.", missing=("a session",),
        )  # fmt: skip
    reasons = [] if radio.judged else ["there is no session"]
    reasons += [f"session {told} It was not judged" for told in radio.unread]
    practice = [session.name for session in radio.sessions if session.practised]
    if practice and len(practice) < len(radio.sessions):
        named = f"session {practice[0]} is" if len(practice) == 1 else f"sessions {', '.join(practice)} are"
        reasons.append(f"{named} from a practice bench, which says nothing of this radio, and did not count")
    for session in radio.judged:
        name = f"session {session.name}"
        if session.close is None:
            reasons.append(f"{name} was interrupted: it has no close")
        reasons += [f"{name}: {remark}" for remark in session.remarks]
        kinds = Counter(event.kind for event in session.events)
        lost = kinds["port-lost"] - kinds["port-back"]
        if lost > 0:
            reasons.append(f"{name}: a meter's port was lost and did not come back")
        for kind, words in (("gap", "gaps in a meter's readings"), ("clock-step", "steps of the clock"),
                            ("disk", "refusals of the disk"), ("resync", "undecodable stretches")):  # fmt: skip
            if kinds[kind]:
                reasons.append(f"{name}: {kinds[kind]} {words}")
    statement = "; ".join(reasons) if reasons else "every session is closed, whole and kept with its bytes"
    return Finding(
        id="record", level=Level.CAUTION if reasons else Level.WITHIN, title="The record",
        statement=f"{statement[:1].upper()}{statement[1:]}.", limit_source="the descriptor's counts and SHA-256",
        advice="See 'chassislog check' and 'chassislog mend' for what can be recovered." if reasons else "",
    )  # fmt: skip
