"""From what an ammeter showed in the secondary back to the load, and a winding's resistance from its volts.

An average-responding meter reads a rectifier's pulses low, and one with an ac-coupled input misses the dc part of a
half-wave current too. The reading still fixes the load, and the load every other reading.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum

from analysis.rectifier import FORM_FACTOR, Solution, solve
from analysis.rectifier_circuit import Circuit, Load, Topology


class Response(StrEnum):
    """How a meter makes one figure of an alternating current or voltage."""

    AVERAGE = "average-responding"  #: rectified mean, calibrated in rms of a sine
    TRUE_RMS = "true-rms"


@dataclass(frozen=True, slots=True)
class Ammeter:
    """How the meter in the secondary makes its reading."""

    response: Response
    ac_coupled: bool  #: the dc part of the current does not reach it
    resistance: float = 0.0  #: its own, in series with the winding while it reads [Ω]

    def __post_init__(self) -> None:
        if not 0 <= self.resistance < math.inf:
            raise ValueError(f"an ammeter's resistance of {self.resistance!r} Ω: expected zero or more")

    @classmethod
    def described(
        cls, rms: str, current_coupling: str, *, burden_voltage: float | None = None, full_scale: float | None = None
    ) -> Ammeter:
        """From a session's descriptor of the meter.

        Args:
            rms: `true` or `average`; current_coupling: `ac` or `acdc`.
            burden_voltage: drop at `full_scale` of the current range, where the profile says it. [V], [A]
        Raises: ValueError: another word, or a full scale that is not above zero.
        """
        if rms not in ("true", "average") or current_coupling not in ("ac", "acdc"):
            raise ValueError(f"a meter of rms {rms!r} and coupling {current_coupling!r}: expected true or average, "
                             "ac or acdc")  # fmt: skip
        own = 0.0
        if burden_voltage is not None and full_scale is not None:
            if not full_scale > 0:
                raise ValueError(f"a full scale of {full_scale!r} A: expected more than zero")
            own = burden_voltage / full_scale
        response = Response.TRUE_RMS if rms == "true" else Response.AVERAGE
        return cls(response, ac_coupled=current_coupling == "ac", resistance=own)

    def reads(self, solution: Solution) -> float:
        """What it shows for this supply. [A]"""
        if self.response is Response.TRUE_RMS:
            return solution.ac_coupled_true_rms_reading if self.ac_coupled else solution.secondary_rms
        return solution.ac_coupled_average_reading if self.ac_coupled else solution.average_responding_reading


#: Loads that are tried reach to this multiple of the reading; one step moves by e to this power at most.
_MOST, _STRIDE = 30.0, 1.5
_ROUNDS = 60


def load_from_reading(circuit: Circuit, reading: float, ammeter: Ammeter, *, start: float | None = None) -> Solution:
    """The supply with the load that makes `ammeter` show `reading`.

    Args:
        circuit: its loads give the kind of load and the ratio of both rails; they are scaled together.
        reading: [A], more than zero.
        start: how many times the circuit's loads the answer may be, if that is roughly known.
    Returns: the supply as it was while the meter was in circuit; its `circuit.load` is the load.
    Raises: ValueError: not above zero, an idle circuit, or more than this winding can drive.
    """
    if not 0 < reading < math.inf:
        raise ValueError(f"a secondary current of {reading!r} A: expected more than zero")
    wired = replace(circuit, winding_resistance=circuit.winding_resistance + ammeter.resistance)
    unit = _nominal_current(wired)
    if unit <= 0:
        raise ValueError("a supply without load cannot be fitted to a current: give the kind of load to look for")
    return _scaled_to(wired, reading, ammeter, start or reading / FORM_FACTOR / unit, _most(wired, reading) / unit)


def _scaled_to(wired: Circuit, reading: float, ammeter: Ammeter, start: float, most: float) -> Solution:
    """Secant steps on log reading over log load, kept inside what is known to be too little and too much."""
    low, high = -math.inf, math.log(most)
    x = min(math.log(start), high)
    before: tuple[float, float] | None = None
    for _ in range(_ROUNDS):
        found = solve(scaled(wired, math.exp(x)))
        shown = ammeter.reads(found)
        miss = math.log(shown / reading) if shown > 0 else -_STRIDE
        if abs(miss) < 1e-7 or high - low < 1e-9:
            return found
        if miss < 0 and x >= math.log(most):
            raise ValueError(
                f"a secondary current of {reading:.4g} A: this winding cannot drive more than {shown:.4g} A "
                "through its rectifier"
            )
        low, high = (max(low, x), high) if miss < 0 else (low, min(high, x))
        slope = (miss - before[1]) / (x - before[0]) if before is not None and x != before[0] else 1.0
        before = (x, miss)
        step = -miss / slope if slope > 0 else math.copysign(_STRIDE, -miss)
        wish = x + max(-_STRIDE, min(_STRIDE, step))
        if wish >= high == math.log(most):
            x = high
        else:
            x = wish if low < wish < high else (low + high) / 2 if low > -math.inf else high - _STRIDE
    return found


def scaled(circuit: Circuit, factor: float) -> Circuit:
    """The same supply with every load drawing `factor` times as much."""
    negative = circuit.negative_load
    return replace(circuit, load=_times(circuit.load, factor),
                   negative_load=None if negative is None else _times(negative, factor))  # fmt: skip


def _times(load: Load, factor: float) -> Load:
    return Load(load.current * factor if load.current > 0 else 0.0, load.conductance * factor)


def _rails(circuit: Circuit) -> tuple[Load, ...]:
    dual = circuit.topology is Topology.DUAL_HALF_WAVE
    return circuit.positive_and_negative if dual else (circuit.load,)


def _nominal_current(circuit: Circuit) -> float:
    """What all loads would draw at the peak of the EMF. [A]"""
    peak = math.sqrt(2) * circuit.emf
    return sum(min(load.current, load.conductance * peak) if load.current > 0 else 0.0 for load in _rails(circuit))


def _most(circuit: Circuit, reading: float) -> float:
    """The heaviest load worth trying: beyond the current into a short circuit the rail is gone. [A]"""
    resistance = circuit.winding_resistance + circuit.diodes * circuit.diode.resistance
    short = math.sqrt(2) * circuit.emf / resistance
    steady = all(math.isfinite(load.current) for load in _rails(circuit))
    return min(_MOST * reading, (1 if steady else 30) * short)


@dataclass(frozen=True, slots=True, kw_only=True)
class WindingFit:
    """A winding resistance that explains the volts off load and on load."""

    resistance: float  #: of the winding, the ammeter's own taken off [Ω]
    on_load: Solution  #: the supply as it was while both meters read
    naive: float  #: (off − on)/I of the reading, for comparison: far too low on a rectifier load [Ω]


def fit_winding(
    circuit: Circuit, on_load: float, reading: float, ammeter: Ammeter, *, voltmeter: Response, beyond_ammeter: bool
) -> WindingFit:
    """Winding resistance of a supply from the secondary's volts off load and on load.

    Args:
        circuit: `emf` is the off-load reading; its `winding_resistance` is not used.
        on_load: rms volts across the secondary while `reading` amperes flow. [V]
        voltmeter: how the meter that read `on_load` responds.
        beyond_ammeter: the volts were read on the rectifier's side of the ammeter, so that they contain its drop.
    Raises: ValueError: on load not below off load, or no resistance explains the readings.
    """
    off = circuit.emf
    if not 0 < on_load < off:
        raise ValueError(f"{on_load:.4g} V on load against {off:.4g} V off load: expected less on load than off load")

    start: float | None = None

    def excess(resistance: float) -> tuple[float, Solution]:
        nonlocal start
        wired = replace(circuit, winding_resistance=resistance)
        found = load_from_reading(wired, reading, ammeter, start=start)
        start = _factor(found.circuit, circuit)
        seen = found.circuit.winding_resistance if beyond_ammeter else resistance
        return _terminal(found, seen, voltmeter) - on_load, found

    naive = (off - on_load) / reading
    # The winding drops its volts only while the pulse flows, so that the true resistance is above the naive one.
    extra = ammeter.resistance if beyond_ammeter else 0.0
    low, high = max(0.0, 0.2 * naive - extra), 4 * naive
    resistance, found = _falling_root(excess, low, high)
    return WindingFit(resistance=resistance, on_load=found, naive=naive)


def _terminal(solution: Solution, seen: float, voltmeter: Response) -> float:
    """Volts across the winding behind the resistance `seen` from the voltmeter. [V]"""
    at = replace(solution, circuit=replace(solution.circuit, winding_resistance=seen))
    return at.terminal_rms if voltmeter is Response.TRUE_RMS else at.terminal_average_reading


def _factor(found: Circuit, given: Circuit) -> float:
    """How many times the given loads the found ones are."""
    one, other = (_rails(c)[0] for c in (found, given))
    if other.conductance == 0:
        one, other = (_rails(c)[-1] for c in (found, given))
    return one.conductance / other.conductance


def _falling_root(excess: Callable[[float], tuple[float, Solution]], low: float, high: float) -> tuple[float, Solution]:
    """Zero of a falling function; where it cannot even be evaluated the resistance is too high.

    Raises: ValueError: it has no zero.
    """
    at_low, found = excess(low)
    if at_low < 0:
        raise ValueError("the volts fall less than the ammeter's own drop explains: check the readings")
    at_high, first_high = math.nan, high
    x, closed = low, False
    for _ in range(60):
        if closed and high - low <= 1e-5 * high:
            break
        secant = low + (high - low) * at_low / (at_low - at_high) if at_high < 0 else math.nan
        x = (secant if low < secant < high else (low + high) / 2) if closed else high
        try:
            value, now = excess(x)
        except ValueError:
            high, closed = x, True
            continue
        found = now
        if abs(value) < 1e-7:
            return x, found
        # Halving the value at the end that stays keeps the secant from creeping (the Illinois rule).
        if value > 0:
            low, at_low, at_high = x, value, at_high / 2
            if not closed:  # capacitors draw amperes that drop next to no volts: look further up
                high *= 4
                if high > 1e4 * first_high:
                    break
        else:
            high, at_high, at_low, closed = x, value, at_low / 2, True
    if math.isnan(at_high):
        raise ValueError("no winding resistance explains these readings: check volts, current and load")
    return x, found


def resistive_winding(off_load: float, on_load: float, current: float, ammeter_resistance: float = 0.0) -> float:
    """Winding resistance from a resistive load, where current and voltage are sines: Ohm's law.

    Args:
        off_load, on_load: [V]; current: [A]; ammeter_resistance: its part of the drop is taken off. [Ω]
    Raises: ValueError: on load not below off load, a current not above zero, or the ammeter explains all of the drop.
    """
    if not 0 < on_load < off_load:
        raise ValueError(f"{on_load!r} V on load against {off_load!r} V off load: expected less on load than off load")
    if not current > 0:
        raise ValueError(f"a load current of {current!r} A: expected more than zero")
    resistance = (off_load - on_load) / current - ammeter_resistance
    if resistance <= 0:
        raise ValueError("the volts fall less than the ammeter's own drop explains: check the readings")
    return resistance


def true_rms_factor(solution: Solution, ammeter: Ammeter) -> float:
    """By what a reading must be multiplied to give the true rms of the winding current, its dc part included."""
    shown = ammeter.reads(solution)
    if not shown > 0:
        raise ValueError("no current flows, so that no reading can be corrected")
    return solution.secondary_rms / shown


def dc_from_average(topology: Topology, reading: float) -> float:
    """Total load current that a dc-coupled average-responding reading fixes, whatever the circuit. [A]

    No steady current passes a capacitor: bridge and half-wave windings carry the load current on average, each half
    of a centre tap half of it, a doubler's twice, and a dual winding the sum of both rails.
    """
    share = {Topology.CENTRE_TAP: 0.5, Topology.DOUBLER: 2.0}.get(topology, 1.0)
    return reading / FORM_FACTOR / share
