"""What may be said of a simulated radio, stated from its circuit and from what was recorded, without the judging code.

Source: limits of IEC 62368-1:2018, table 4 (30 V, 0.5 mA; strict: 25 V of IEC 61140, 0.25 mA of IEC 60950-1) and the
body network of IEC 60990; the resistive figure from two readings bounds the current from above for a passive source.
"""

from __future__ import annotations

from dataclasses import dataclass

from tests.simulated_circuit import Source, State, body_current, body_impedance
from tests.simulated_meter import Meter
from tests.simulated_radio import SimulatedRadio, Taken

#: A meter's leads as a judge counts them. [F]
LEADS = 100e-12
#: Faults that come in the middle of a sitting.
MIDWAY = frozenset({"socket-dies", "clip-falls"})
#: Faults with which what was read is not what is true, so that nothing is said about false alarms.
UNTRUE = MIDWAY | {"dead-socket", "clip-off", "isolating-transformer"}


@dataclass(frozen=True, slots=True, kw_only=True)
class PointTruth:
    """What is true of one point, and what its finding may be."""

    name: str
    hazards: tuple[State, ...]  #: states whose voltage and body current both reach the radio's limits
    evidence_lacking: tuple[str, ...]  #: each a reason for which `within` is ruled out, whatever the truth
    evidence_doubtful: tuple[str, ...]  #: reasons for which `undecided` is right too
    unseen: bool  #: hazardous, and by the rules no row tells: see `_unseen`
    clear: bool  #: caution or danger would be a false alarm: the truth, raised, scaled and + 2U, is below the limits

    @property
    def within_is_false(self) -> bool:
        """Whether `within` would be a false all-clear."""
        return bool(self.hazards or self.evidence_lacking)

    @property
    def undecided_is_right(self) -> bool:
        return bool(self.evidence_lacking or self.evidence_doubtful)


@dataclass(frozen=True, slots=True, kw_only=True)
class Expectations:
    """All that is expected of an assessment of one radio."""

    points: dict[str, PointTruth]
    kinds: tuple[str, ...]  #: words that are right for the chassis
    pin: int | None
    kind_due: bool  #: the plan was complete and some state of the chassis was read with a burden
    isolated_is_false: bool  #: some point is hazardous, or the chassis is of another kind
    broke_midway: bool  #: socket or clip failed during the sitting; its last proof of the chain, always taken, fails


def limits_of(radio: SimulatedRadio) -> tuple[float, float]:
    """Volts and amperes that count: the card's own where lower, since a raised one yields no `within`."""
    volts, amperes = (25.0, 0.25e-3) if radio.strict else (30.0, 0.5e-3)
    return (
        min(volts, radio.own_limits.get("touch_voltage_ac", volts)),
        min(amperes, radio.own_limits.get("touch_current_ac", amperes)),
    )


def judge_truth(radio: SimulatedRadio) -> Expectations:
    """What is expected of an assessment of this radio."""
    points = {point: _point(radio, point) for point in radio.sources}
    hazardous = any(truth.hazards for truth in points.values())
    chassis = [radio.taken.get(("chassis", state)) for state in radio.states]
    complete = all(t is not None and t.status == "ok" for t in chassis) and radio.pins_taken
    proved = len(radio.proof) == 1 or radio.lined == {0, 1}
    return Expectations(
        points=points,
        kinds=(radio.made.kind, *radio.made.also),
        pin=radio.made.pin,
        kind_due=complete and proved and not radio.faults and any(t and t.burdens for t in chassis),
        isolated_is_false=hazardous or radio.made.kind != "isolated",
        broke_midway=bool(radio.faults & MIDWAY),
    )


def _point(radio: SimulatedRadio, point: str) -> PointTruth:
    frequency = radio.made.circuit.frequency
    volts, amperes = limits_of(radio)
    sources = radio.sources[point]
    hazards = tuple(
        state for state in radio.states
        if abs(sources[state].volts) >= volts and body_current(sources[state], frequency) >= amperes
    )  # fmt: skip
    taken = {state: radio.taken[point, state] for state in radio.states}
    lacking, doubtful = _evidence(radio, taken)
    clear = all(_clear(radio, sources[state], taken[state], volts, amperes) for state in radio.states)
    return PointTruth(
        name=point,
        hazards=hazards,
        evidence_lacking=tuple(lacking),
        evidence_doubtful=tuple(doubtful),
        unseen=_unseen(radio, hazards, taken, lacking),
        clear=clear,
    )


def _unseen(radio: SimulatedRadio, hazards: tuple[State, ...], taken: dict[State, Taken], lacking: list[str]) -> bool:
    """Whether the record hides the hazard from anyone who keeps to the rules for reading a session.

    In every hazardous state the probe hung in the air, and nobody looked whether it touched the point; or socket or
    clip failed after some state had proved the chain, and the socket was not read again by this meter.
    """
    if not hazards or lacking:
        return False
    hidden = set() if radio.looked else {"air"}
    if radio.faults & MIDWAY and radio.faults & {"no-proof", "other-meter-proof"}:
        hidden.add("collapsed")
    return all(taken[s].status in hidden and not taken[s].trip for s in hazards)


def _evidence(radio: SimulatedRadio, taken: dict[State, Taken]) -> tuple[list[str], list[str]]:
    """Reasons that rule `within` out, and reasons that let it be undecided."""
    lacking, doubtful = [], []
    for (plug, switch), state in taken.items():
        where = f"plug {plug}, switch {switch}"
        if state.status in ("missing", "held"):
            lacking.append(f"{where}: {state.status}")
        elif state.status in ("unsettled", "late", "collapsed") or (state.value is None and state.status != "overload"):
            doubtful.append(f"{where}: {state.status}")
        elif state.status == "air" and radio.looked:
            lacking.append(f"{where}: the probe was seen in the air")
    for fault in ("isolating-transformer", "variac", "lamp-limiter", "no-nominal"):
        if fault in radio.faults:
            lacking.append(fault)
    for index in sorted({state.sitting for state in taken.values() if state.status != "missing"}):
        proved = _proved(radio, index)
        if proved is False:
            lacking.append(f"sitting {index}: the measuring chain was not proved")
        elif proved is None:
            doubtful.append(f"sitting {index}: the proof is near its bounds")
    return lacking, doubtful


def _proved(radio: SimulatedRadio, index: int) -> bool | None:
    """Whether a sitting's readings prove the chain of its meter; None where it is too near to a bound to state."""
    nominal = radio.made.nominal
    here = [t for t in radio.taken.values() if t.sitting == index and t.value is not None]
    highest = max([0.0, *(t.value or 0.0 for t in here), *(v for t in here for _, v in t.burdens)]) / nominal
    line, neutral = radio.proof[index].get(radio.meter.role) or (0.0, 0.0)
    off = abs(line / nominal - 1)
    if neutral / nominal > 0.11 or (off > 0.17 and highest < 0.77):
        return False
    if neutral / nominal < 0.09 and (off < 0.13 or (highest > 0.83 and line == 0.0)):
        return True
    return None


def _clear(radio: SimulatedRadio, source: Source, taken: Taken, volts: float, amperes: float) -> bool:
    """Whether this state gives no reason for an alarm, by the truth and with room for 2U."""
    circuit, meter = radio.made.circuit, radio.meter
    over = meter.fixed is not None and abs(source.volts) * 1.1 > meter.fixed
    if taken.trip or taken.status == "overload" or over or radio.faults & UNTRUE:
        return False
    known = (
        Meter(ohms=meter.ohms, farads=meter.farads, lead=LEADS) if meter.knows_input else Meter(ohms=1e6, lead=3e-10)
    )
    scale = max(1.0, 1.1 * radio.made.nominal / circuit.mains)
    true = abs(source.volts)
    raised = true * (1 + volts / amperes * abs(known.admittance(circuit.frequency)))
    if (raised + 4 * meter.u(raised)) * scale < volts:
        return True
    if not meter.knows_input or taken.value is None or not taken.burdens:
        return False
    bounds = [
        resistive_current(
            taken.value + sign * 4 * meter.u(taken.value),
            value + 4 * meter.u(value),
            burden.nominal * (1 - 2 * burden.tolerance),
            meter.ohms,
            circuit.frequency,
        )
        for burden, value in taken.burdens
        for sign in (-1, 1)
    ]
    per_burden = [max(bounds[i : i + 2]) for i in range(0, len(bounds), 2)]
    # The meter's capacitance turns the phase a little, which the resistive figure doesn't know: 15 % for that.
    return min(per_burden) * 1.15 * scale < amperes


def resistive_current(alone: float, loaded: float, burden: float, meter: float, frequency: float) -> float:
    """Body current if the source were a resistor: the upper bound from two readings. [A]"""
    current = loaded / burden + loaded / meter - alone / meter
    if loaded >= alone:
        return alone / abs(body_impedance(frequency))
    if current <= 0:  # as steep as an endless source impedance gives: a current source
        return alone / meter
    ohms = (alone - loaded) / current
    return alone * (1 + ohms / meter) / (ohms + abs(body_impedance(frequency)))
