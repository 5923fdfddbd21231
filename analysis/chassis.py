"""Touch voltage and touch current of every point: the plug x switch matrix, judged by its worst state."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.card import RESERVED, RadioCard, figure
from analysis.contact import contacts
from analysis.finding import ORDER, Finding, Level, worst
from analysis.limits import TouchLimits, touch_limits
from analysis.pins import read_pins
from analysis.proof import CHAIN_POINTS, Proof, mains_factor, prove
from analysis.states import Chunk, Key, Value, chunks, last_settled, pooled, settle, settled
from analysis.table import Event, Radio, Session
from analysis.touch import MeterInput
from analysis.touch_current import current_finding
from analysis.touch_words import touch_advice, touch_statement
from analysis.touchable import Setting, TouchState, Verdict, judge_state
from drivers.units import show

#: Taken, and said, where the card names no frequency. [Hz]
DEFAULT_FREQUENCY = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Matrix:
    """All states of one point, judged, and what is missing."""

    point: str
    verdicts: tuple[Verdict, ...]
    missing_states: tuple[str, ...]
    missing: tuple[str, ...]
    proved: bool
    level: Level
    contradiction: str = ""  #: what speaks against low readings, whatever they say

    @property
    def worst(self) -> Verdict | None:
        """The worst state: by its level, then by its volts."""
        read = [v for v in self.verdicts if v.state.values or v.state.trip]
        return min(read, key=lambda v: (ORDER.index(v.decided), -_height(v)), default=None)


def _height(verdict: Verdict) -> float:
    return math.inf if verdict.state.alone is not None and verdict.state.alone.overload else verdict.volts or 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TouchPicture:
    """Everything about touch that one radio's latest stage shows."""

    matrices: tuple[Matrix, ...]
    setting: Setting
    proofs: Mapping[tuple[str, str], Proof]
    frequency_assumed: bool
    points: tuple[str, ...] = ()  #: those of the card

    @property
    def fully_measured(self) -> bool:
        """Whether every point has all its states."""
        listed = [matrix for matrix in self.matrices if matrix.point in self.points]
        return bool(listed) and not any(matrix.missing_states for matrix in listed)

    def of(self, point: str) -> Matrix | None:
        """The matrix of one point."""
        return next((matrix for matrix in self.matrices if matrix.point == point), None)


def is_touched(point: str) -> bool:
    """Whether a point is one that somebody may touch."""
    return point not in RESERVED


def wanted_states(card: RadioCard) -> tuple[tuple[str, str], ...]:
    """The plug x switch states that a point needs; a set without a switch has no `off`."""
    switches = ("on",) if card.switch == "none" else ("on", "off")
    return tuple((plug, switch) for plug in ("1", "2") for switch in switches)


def limits_of(card: RadioCard) -> TouchLimits:
    """The touch limits in force for a card."""
    return touch_limits(strict=card.limits.strict, own=card.limits.own())


def _inputs(sessions: Sequence[Session]) -> dict[tuple[str, str, str], MeterInput | None]:
    found: dict[tuple[str, str, str], MeterInput | None] = {}
    for session in sessions:
        for role, meter in session.meters.items():
            for coupling in ("ac", "dc"):
                entry = meter.input_for("voltage", coupling)
                known = entry is not None and entry.resistance is not None and entry.resistance > 0
                found[session.name, role, coupling] = (
                    MeterInput(resistance=entry.resistance, capacitance=entry.capacitance or 0.0)
                    if known and entry is not None and entry.resistance is not None
                    else None
                )
    return found


def survey(radio: Radio) -> TouchPicture:
    """Judge every point of the card, and every other touchable point that was read, by the latest stage's sessions."""
    sessions = radio.judged
    by = ("plug", "switch", "burden")
    found = {s.name: _without_trips(chunks(s, by=by, where=_relevant), s.events) for s in sessions}
    proofs: dict[tuple[str, str], Proof] = {}
    factors = {}
    for session in sessions:
        values = settled(found[session.name])
        factors[session.name] = mains_factor(values, card=radio.card)
        for role in {value.meter for value in values}:
            mine = [value for value in values if value.meter == role]
            line = [
                c
                for c in found[session.name]
                if c.meter == role and c.key.point == "mains-line" and _is_ac_volts(c.key)
            ]
            ends = [end for c in line if (end := last_settled(c)) is not None]
            at_end = max(ends, key=lambda end: end[1], default=None)
            proofs[session.name, role] = prove(mine, card=radio.card, fed_from=session.fed_from, line_at_end=at_end)
    frequency = figure(radio.card.frequency, "Hz")
    setting = Setting(
        limits=limits_of(radio.card), frequency=frequency or DEFAULT_FREQUENCY, inputs=_inputs(sessions),
        burdens=radio.burdens, proved={key: proof.proved for key, proof in proofs.items()}, factors=factors,
        contacts=contacts(found),
    )  # fmt: skip
    touched = [c for several in found.values() for c in several if is_touched(c.key.point)]
    states = _touch_states(pooled(touched, setting.worse), _trips(sessions))
    points = dict.fromkeys((*radio.card.points, *sorted({state.point for state in states})))
    matrices = [_matrix(point, [s for s in states if s.point == point], radio.card, setting) for point in points]
    tied = read_pins(radio).tied
    matrices = [_contradicted(matrix, tied) if matrix.point == "chassis" else matrix for matrix in matrices]
    matrices = [_with_odd_burdens(matrix, touched) for matrix in matrices]
    matrices = [_beside_unsettled(matrix, touched, setting) for matrix in matrices]
    unread = (*radio.unread, *(f"{s.name}: {s.lost}" for s in sessions if s.lost))
    if unread:
        matrices = [_beside_unread(matrix, unread) for matrix in matrices]
    return TouchPicture(
        matrices=tuple(matrices), setting=setting, proofs=proofs, frequency_assumed=frequency is None,
        points=radio.card.points,
    )  # fmt: skip


def _with_odd_burdens(matrix: Matrix, found: Iterable[Chunk]) -> Matrix:
    """A burden that is no resistance makes its readings no evidence; that must not go without a word."""
    odd = {
        f"the burden of plug {c.key.plug}, switch {c.key.switch} in ohms: {c.key.burden[:40]!r} is none"
        for c in found
        if c.key.point == matrix.point and c.key.burden_ohms is not None and math.isnan(c.key.burden_ohms)
    }
    if not odd:
        return matrix
    level = Level.UNDECIDED if matrix.level is Level.WITHIN else matrix.level
    said = "Readings across what is no burden are no evidence, and what they were of is not known."
    return replace(matrix, level=level, contradiction=said, missing=(*matrix.missing, *sorted(odd)))


def _beside_unsettled(matrix: Matrix, found: Iterable[Chunk], setting: Setting) -> Matrix:
    """Volts that never settled are no value; where they lay above the limit, low ones do not settle the point."""
    if matrix.level is not Level.WITHIN:
        return matrix
    for chunk in found:
        if chunk.key.point != matrix.point or chunk.key.quantity != "voltage" or settle(chunk) is not None:
            continue
        limit = setting.voltage_limit(chunk.key.coupling)
        most = float(np.abs(chunk.value[chunk.ok]).max(initial=0.0))
        if most >= min(limit.value, limit.default):
            state = f"plug {chunk.key.plug or 'not noted'}, switch {chunk.key.switch or 'not noted'}"
            said = f"With {state} it also read up to {show(most, 'V')} {chunk.key.coupling.upper()} and never settled."
            missing = (*matrix.missing, f"{state} again, until it settles")
            return replace(matrix, level=Level.UNDECIDED, contradiction=said, missing=missing)
    return matrix


def _is_ac_volts(key: Key) -> bool:
    return key.quantity == "voltage" and key.coupling == "ac"


def _beside_unread(matrix: Matrix, unread: Sequence[str]) -> Matrix:
    """What a session that cannot be read would say is not known: low readings of the others do not settle it."""
    if matrix.level is not Level.WITHIN:
        return matrix
    said = f"A session of this radio is not as it was recorded ({'; '.join(unread)}); what it held is not known."
    return replace(matrix, level=Level.UNDECIDED, contradiction=said, missing=(*matrix.missing, "the unread session"))


def _contradicted(matrix: Matrix, tied_pin: str | None) -> Matrix:
    """A chassis that is tied to a pin carries the mains in one way of the plug: low in all states is an error."""
    if tied_pin is None or matrix.level is not Level.WITHIN:
        return matrix
    said = (
        f"Pin {tied_pin} is tied to the chassis, so it must carry the mains in one state: the low readings are wrong."
    )
    return replace(
        matrix, level=Level.UNDECIDED, contradiction=said, missing=(*matrix.missing, "all states again")
    )  # fmt: skip


def _relevant(point: str) -> bool:
    return is_touched(point) or point in (*CHAIN_POINTS, "mains")


def _trips(sessions: Iterable[Session]) -> list[Event]:
    return [event for session in sessions for event in session.events if event.kind == "trip"]


def _same_burden(a: str, b: str) -> bool:
    first, second = (Key("voltage", "ac", "", burden=text).burden_ohms for text in (a, b))
    return first == second or (first is not None and second is not None and math.isclose(first, second, rel_tol=1e-9))


def _without_trips(found: list[Chunk], events: Iterable[Event]) -> list[Chunk]:
    """Leave out the rows of a burden that opened the residual-current device: they are no reading."""
    trips = [event.detail for event in events if event.kind == "trip" and event.detail.get("burden")]
    return [
        chunk for chunk in found
        if not any(
            (t.get("point"), t.get("plug"), t.get("switch")) == (chunk.key.point, chunk.key.plug, chunk.key.switch)
            and _same_burden(t["burden"], chunk.key.burden) for t in trips
        )
    ]  # fmt: skip


def _touch_states(values: Mapping[Key, Value], trips: Sequence[Event]) -> list[TouchState]:
    """Put the volts of each point x plug x switch x coupling together, alone and across burdens."""
    states: dict[tuple[str, str, str, str], TouchState] = {}
    for key, value in values.items():
        if key.quantity != "voltage":
            continue
        place = (key.point, key.plug, key.switch, key.coupling)
        state = states.get(place) or TouchState(point=place[0], plug=place[1], switch=place[2], coupling=place[3])
        ohms = key.burden_ohms
        if ohms is None:
            state = replace(state, alone=value)
        elif ohms > 0:  # a burden that is no resistance is no evidence
            state = replace(state, loaded={**state.loaded, ohms: value})
        states[place] = state
    for event in trips:
        detail = event.detail
        if not is_touched(detail.get("point", "")):
            continue  # it says of no touchable point that it tripped
        place = (detail.get("point", ""), detail.get("plug", ""), detail.get("switch", ""), "ac")
        state = states.get(place) or TouchState(point=place[0], plug=place[1], switch=place[2], coupling="ac")
        states[place] = replace(state, trip=True)
    return list(states.values())


def _matrix(point: str, states: list[TouchState], card: RadioCard, setting: Setting) -> Matrix:
    read = {(state.plug, state.switch) for state in states if state.coupling == "ac" and state.alone is not None}
    lacking = [f"plug {plug}, switch {switch}" for plug, switch in wanted_states(card) if (plug, switch) not in read]
    have = {(state.plug, state.switch, state.coupling) for state in states}
    empty = [
        TouchState(point=point, plug=plug, switch=switch, coupling="ac")
        for plug, switch in wanted_states(card) if (plug, switch, "ac") not in have
    ]  # fmt: skip
    verdicts = [judge_state(state, setting) for state in (*states, *empty)]
    verdicts = _together(verdicts, setting)
    verdicts.sort(key=lambda v: (v.state.coupling, v.state.plug, v.state.switch != "on", v.state.switch))
    level = worst(v.decided for v in verdicts if v.state.values or v.state.trip) if states else Level.UNDECIDED
    if level is Level.WITHIN and lacking:
        level = Level.UNDECIDED
    missing = [*lacking, *_missing_evidence(verdicts, setting)]
    return Matrix(
        point=point, verdicts=tuple(verdicts), missing_states=tuple(lacking), missing=tuple(dict.fromkeys(missing)),
        proved=not any(v.unproved for v in verdicts if v.state.values), level=level,
    )  # fmt: skip


def _together(verdicts: list[Verdict], setting: Setting) -> list[Verdict]:
    """AC and DC in one state, each below its limit, must also be below them together.

    Source: IEC 62368-1:2018, 5.2.2.2: for combined AC and DC the sum of the ratios to the limits is below one.
    """
    result = []
    for verdict in verdicts:
        partner = next((v for v in verdicts if _pair(v, verdict)), None)
        if verdict.level is Level.WITHIN and partner is not None and partner.level is Level.WITHIN:
            share = sum(_share_of_limit(v, setting) for v in (verdict, partner))
            if verdict.reason == partner.reason == "voltage" and share >= 1:
                verdict = replace(verdict, level=Level.CAUTION, reason="together")
        result.append(verdict)
    return result


def _share_of_limit(verdict: Verdict, setting: Setting) -> float:
    """A voltage at the highest mains as a part of its limit; a limit that was raised counts as it was before."""
    limit = setting.voltage_limit(verdict.state.coupling)
    factor = max((setting.factors.get(value.session, 1.0) for value in verdict.state.values), default=1.0)
    return ((verdict.volts or 0.0) + verdict.expanded) * factor / min(limit.value, limit.default)


def _pair(a: Verdict, b: Verdict) -> bool:
    return a is not b and (a.state.plug, a.state.switch) == (b.state.plug, b.state.switch)


def _missing_evidence(verdicts: Iterable[Verdict], setting: Setting) -> list[str]:
    """What more would settle a state, for a person."""
    found = []
    for verdict in verdicts:
        state = verdict.state
        if verdict.reason in ("no-burden", "overload") or (
            state.alone is not None and not state.loaded and verdict.scaled_only
        ):
            more = "a second burden reading" if state.loaded else "a burden reading"
            found.append(f"{more} at {state.name}")
        if verdict.reason == "range":
            found.append(f"a reading on a higher range at {state.name}")
        if verdict.later:
            found.append(f"{state.name} again: a later reading lay above the limit")
        if verdict.reason == "hard" and verdict.bounds is not None and not state.trip:
            low = verdict.bounds.current.low
            if low is not None and low < setting.current_limit(state.coupling).upper:
                found.append(f"a smaller burden at {state.name}, if its dissipation allows")
        if any(False in setting.contact(value) for value in state.values):
            found.append(f"contact of the probe with {state.point}, and {state.name} again")
    unproved = {(value.session, value.meter) for verdict in verdicts for value in verdict.state.values}
    if not all(setting.proved.get(place, False) for place in unproved):
        found.append("proof of the measuring chain (mains-line with the same meter in the same session)")
    return found


def touch_findings(picture: TouchPicture, card: RadioCard) -> list[Finding]:
    """`touch-voltage` of every point, and `touch-current` of those that were read with a burden."""
    findings = [_voltage_finding(matrix, picture, card) for matrix in picture.matrices]
    for matrix in picture.matrices:
        if any(v.state.loaded for v in matrix.verdicts):
            findings.append(current_finding(matrix, picture))
    return findings


def _voltage_finding(matrix: Matrix, picture: TouchPicture, card: RadioCard) -> Finding:
    top = matrix.worst
    alone = top.state.alone if top else None
    coupling = top.state.coupling if top else "ac"
    limit = picture.setting.voltage_limit(coupling)
    return Finding(
        id=f"touch-voltage:{matrix.point}", level=matrix.level, title=_title(matrix, top),
        statement=touch_statement(matrix, picture),
        value=alone.value if alone else None,
        expanded_uncertainty=alone.expanded if alone and alone.value is not None else None, unit="V",
        limit=limit.value, limit_source=limit.source,
        limit_changed_by_user=limit.changed or picture.setting.current_limit(coupling).changed,
        states=tuple(row for verdict in matrix.verdicts for row in verdict.to_state_outcomes()),
        evidence=tuple(value.evidence for v in matrix.verdicts for value in v.state.values),
        missing=matrix.missing, advice=touch_advice(matrix, card),
    )  # fmt: skip


def _title(matrix: Matrix, top: Verdict | None) -> str:
    if top is None:
        return f"{matrix.point}: not measured"
    alone = top.state.alone
    if alone is None:
        return f"{matrix.point}: read across a burden only"
    shown = (
        "beyond the meter's range"
        if alone.value is None
        else f"{show(alone.magnitude, 'V', alone.resolution)} {top.state.coupling.upper()}"
    )
    return f"{matrix.point}: {shown} to earth in the worst state ({top.state.name})"
