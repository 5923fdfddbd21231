"""Whether the meters can be believed, and whether the record is whole."""

from __future__ import annotations

import math
from collections import Counter
from datetime import date, timedelta
from itertools import combinations
from typing import Any

import numpy as np

from analysis.chassis import TouchPicture, is_touched
from analysis.finding import Finding, Level
from analysis.states import Value, chunks, settled
from analysis.table import MeterInfo, Radio, Session
from drivers.units import show_pm

#: An AC voltmeter that loads more than this tells less of a high-impedance chassis. [Ω] Source: own choice.
LEAST_INPUT = 1e6


def meter_findings(radio: Radio, picture: TouchPicture) -> list[Finding]:
    """`meter-trust:ROLE` for every meter of the judged sessions."""
    reasons: dict[str, dict[str, None]] = {}
    values = {
        s.name: settled(chunks(s, by=("plug", "switch", "burden", "load", "arrangement"), where=lambda _: True))
        for s in radio.judged
    }
    for session in radio.judged:
        for role in session.readings["meter"].cat.categories if len(session.readings) else ():
            told = reasons.setdefault(str(role), {})
            mine = [value for value in values[session.name] if value.meter == role]
            told.update(dict.fromkeys(_reasons(session, str(role), mine, picture)))
        for pair, reason in _disagreements(values[session.name]):
            for role in pair:
                reasons.setdefault(role, {})[reason] = None
    return [_finding(role, list(told)) for role, told in sorted(reasons.items())]


def _finding(role: str, reasons: list[str]) -> Finding:
    statement = "; ".join(reasons) if reasons else "nothing speaks against its readings"
    word = "read first what speaks against it" if reasons else "nothing speaks against it"
    return Finding(
        id=f"meter-trust:{role}", level=Level.CAUTION if reasons else Level.WITHIN, title=f"Meter '{role}': {word}",
        statement=f"Meter '{role}': {statement}.", limit_source="JCGM 100:2008 for the uncertainties; else own choice",
        advice="Settle these before much is built on its readings." if reasons else "",
    )  # fmt: skip


def _reasons(session: Session, role: str, values: list[Value], picture: TouchPicture) -> list[str]:
    meter = session.meter(role)
    mine = (session.readings["meter"] == role).to_numpy()
    flags = Counter(flag for text in _words(session, "flags", mine) for flag in text.split())
    found = []
    if flags["low-battery"] or any(e.kind == "low-battery" and e.meter == role for e in session.events):
        found.append(f"its battery was low in session {session.name}, and readings can be off")
    held = _words(session, "status", mine)["held"]
    if held:
        found.append(f"{held} readings were held ones, which are no values")
    if meter is None:
        return [*found, "the session does not say what meter it is"]
    if any(value.by_fallback for value in values):
        found.append("no accuracy line covers some of its readings; 3 % + 10 counts were taken")
    found += _calibration(meter, session)
    found += _unfit(meter, values, picture)
    if meter.isolation in ("none", "unknown") and not session.statements.get("link_isolated"):
        found.append(f"the isolation of its data link is {meter.isolation}")
    return found


def _words(session: Session, column: str, mine: np.ndarray[Any, np.dtype[np.bool_]]) -> Counter[str]:
    """How often each word stands in a column, in some rows; by code, since copies of rows cost."""
    cells = session.readings[column].cat
    counts = np.bincount(cells.codes.to_numpy()[mine], minlength=len(cells.categories))
    return Counter({str(word): int(count) for word, count in zip(cells.categories, counts, strict=True) if count})


def _calibration(meter: MeterInfo, session: Session) -> list[str]:
    try:
        last = date.fromisoformat(meter.calibrated)
        began = date.fromisoformat(session.start[:10])
    except ValueError:
        return []
    due = last + timedelta(days=meter.calibration_interval_days)
    return [f"its calibration was due on {due.isoformat()}"] if began > due else []


def _unfit(meter: MeterInfo, values: list[Value], picture: TouchPicture) -> list[str]:
    found = []
    touched = [v for v in values if v.key.quantity == "voltage" and is_touched(v.key.point)]
    if touched:
        entry = meter.input_for("voltage", touched[0].key.coupling)
        if entry is None or entry.resistance is None:
            found.append("its input resistance is not known; 1 MΩ was taken for the loading")
        elif entry.resistance < LEAST_INPUT:
            found.append("its input loads the circuit by less than 1 MΩ, so that strays read low")
    currents = [v for v in values if v.key.quantity == "current" and v.key.point == "secondary"]
    if currents and meter.rms == "average":
        found.append("it answers to the average, and reads a rectifier's pulses low; the figures are corrected for it")
    del picture
    return found


def _disagreements(values: list[Value]) -> list[tuple[tuple[str, str], str]]:
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
                reason = f"'{a.meter}' and '{b.meter}' disagree at {a.key.point}: {one} and {other}"
                found.append(((a.meter, b.meter), reason))
    return found


def record_finding(radio: Radio) -> Finding:
    """`record`: whether the sessions that were judged are whole."""
    reasons = [] if radio.judged else ["there is no session"]
    reasons += [f"session {told} It was not judged" for told in radio.unread]
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
