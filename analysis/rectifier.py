"""Small rectifier supplies: transformer, diodes, reservoir and load to rails, ripple and secondary current."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from analysis.rectifier_circuit import Circuit, Diode, ExponentialDiode, Load, PiecewiseDiode, Topology
from analysis.rectifier_newton import Array, Branches
from analysis.rectifier_steady import Waves, steady
from drivers.units import show

#: Reading of an average-responding meter over the rectified mean: the form factor of a sine, π/(2√2).
FORM_FACTOR = math.pi / (2 * math.sqrt(2))


@dataclass(frozen=True, slots=True, kw_only=True)
class Rail:
    """One rail in the steady state; a negative one as magnitudes."""

    name: str  #: `positive` or `negative`
    mean: float  #: [V]
    lowest: float  #: [V]
    highest: float  #: [V]
    load_current: float  #: time mean [A]
    load_power: float  #: time mean [W]

    @property
    def ripple_pp(self) -> float:
        """Peak-to-peak ripple. [V]"""
        return self.highest - self.lowest

    def to_json(self) -> dict[str, Any]:
        """Keys with the unit in their name."""
        return {
            "name": self.name, "mean_V": self.mean, "min_V": self.lowest, "max_V": self.highest,
            "ripple_Vpp": self.ripple_pp,
        }  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Solution:
    """The steady state of one supply. Currents are of the winding; of one half for a centre tap."""

    circuit: Circuit
    rails: tuple[Rail, ...]
    secondary_rms: float  #: true rms, its dc part included [A]
    secondary_average_rectified: float  #: time mean of |i| [A]
    secondary_peak: float  #: [A]
    secondary_dc: float  #: time mean of i [A]
    source_power: float  #: mean of e·i, of both halves of a centre tap [W]
    ac_coupled_average_rectified: float  #: time mean of |i − mean| [A]

    @property
    def average_responding_reading(self) -> float:
        """What an average-responding meter shows if it passes dc. [A]"""
        return FORM_FACTOR * self.secondary_average_rectified

    @property
    def ac_coupled_true_rms_reading(self) -> float:
        """What a true-RMS meter with an ac-coupled input shows. [A]"""
        return math.sqrt(max(0.0, self.secondary_rms**2 - self.secondary_dc**2))

    @property
    def ac_coupled_average_reading(self) -> float:
        """What an average-responding meter with an ac-coupled input shows. [A]"""
        return FORM_FACTOR * self.ac_coupled_average_rectified

    @property
    def windings(self) -> int:
        """Windings that carry this current: both halves of a centre tap."""
        return 2 if self.circuit.topology is Topology.CENTRE_TAP else 1

    @property
    def apparent_power(self) -> float:
        """Open-circuit volts × true-RMS amperes, of both halves of a centre tap. [VA]"""
        return self.windings * self.circuit.emf * self.secondary_rms

    @property
    def winding_loss(self) -> float:
        """Heat in the winding resistance, of both halves of a centre tap. [W]"""
        return self.windings * self.secondary_rms**2 * self.circuit.winding_resistance

    @property
    def terminal_rms(self) -> float:
        """True rms voltage across the loaded winding, of one half of a centre tap: that of e − R·i. [V]"""
        r, e = self.circuit.winding_resistance, self.circuit.emf
        return math.sqrt(e**2 - 2 * r * self.source_power / self.windings + (r * self.secondary_rms) ** 2)

    @property
    def terminal_average_reading(self) -> float:
        """What an average-responding voltmeter shows across the loaded winding. [V]

        The terminal voltage has the sign of the EMF throughout, so that the rectified means subtract.
        """
        return self.circuit.emf - FORM_FACTOR * self.circuit.winding_resistance * self.secondary_average_rectified

    @property
    def diode_loss(self) -> float:
        """Heat in all diodes: what the EMF gives and neither winding nor load takes. [W]"""
        return self.source_power - self.winding_loss - self.load_power

    @property
    def load_power(self) -> float:
        """Into all loads together. [W]"""
        return sum(rail.load_power for rail in self.rails)

    @property
    def collapse(self) -> str:
        """What to say where a rail falls so low that its load does not get the current it asks for; else empty."""
        loads = self.circuit.positive_and_negative
        told = [
            f"of {show(load.current, 'A')} asked the {rail.name} rail gives {show(rail.load_current, 'A', 1e-3)} on "
            f"average, and falls to {show(rail.lowest, 'V', 1e-3)}"
            for rail, load in zip(self.rails, loads, strict=False)
            if 0 < load.current < math.inf and rail.lowest < load.current / load.conductance
        ]
        return f"The winding cannot carry this load: {'; '.join(told)}." if told else ""

    def to_json(self) -> dict[str, Any]:
        """Numbers in SI base units with the unit in the key; `problem` only where a rail collapses."""
        return {
            **({"problem": self.collapse} if self.collapse else {}),
            "topology": str(self.circuit.topology), "frequency_Hz": self.circuit.frequency,
            "rails": [rail.to_json() for rail in self.rails],
            "secondary_rms_A": self.secondary_rms,
            "secondary_average_rectified_A": self.secondary_average_rectified,
            "secondary_peak_A": self.secondary_peak,
            "average_responding_reading_A": self.average_responding_reading,
            "ac_coupled_true_rms_reading_A": self.ac_coupled_true_rms_reading,
            "ac_coupled_average_reading_A": self.ac_coupled_average_reading,
            "apparent_power_VA": self.apparent_power, "winding_loss_W": self.winding_loss,
        }  # fmt: skip


def solve(circuit: Circuit) -> Solution:
    """The periodic steady state of one supply.

    Raises: ValueError: there is no rail, or none that is steady.
    """
    return _solve_alike([circuit])[0]


def solve_many(circuits: Sequence[Circuit]) -> list[Solution]:
    """The steady states of many supplies; those of one topology, frequency and diode are solved together."""
    groups: dict[tuple[Topology, float, Diode], list[int]] = {}
    for index, circuit in enumerate(circuits):
        groups.setdefault((circuit.topology, circuit.frequency, circuit.diode), []).append(index)
    found: dict[int, Solution] = {}
    for indices in groups.values():
        found.update(zip(indices, _solve_alike([circuits[i] for i in indices]), strict=True))
    return [found[i] for i in range(len(circuits))]


def sweep(circuit: Circuit, loads: Sequence[Load]) -> list[Solution]:
    """One supply with many loads (each on both rails of a dual one), solved together."""
    return solve_many([circuit.loaded(load) for load in loads])


def _solve_alike(circuits: Sequence[Circuit]) -> list[Solution]:
    """Supplies that share topology, frequency and diode."""
    if circuits[0].topology is Topology.DUAL_HALF_WAVE:
        # A diode of one rail never conducts while the other one's does, so that each rail is a half-wave supply.
        n = len(circuits)
        positive, negative = zip(*(c.positive_and_negative for c in circuits), strict=True)
        if positive == negative:
            pulses = _pulses(circuits, positive) * 2
        else:
            pulses = _pulses([*circuits, *circuits], [*positive, *negative])
        return [_dual(circuit, pulses[k], pulses[k + n]) for k, circuit in enumerate(circuits)]
    pulses = _pulses(circuits, [c.load for c in circuits])
    return [_single(circuit, pulse) for circuit, pulse in zip(circuits, pulses, strict=True)]


@dataclass(frozen=True, slots=True)
class _Pulse:
    """The charging current of one branch over its period, and the rail that it makes."""

    rail: Rail
    charging: Array  #: at each stage, shape (n,) [A]
    weight: Array  #: of each stage in the mean over the period
    source_power: float  #: mean of e·i over the period [W]

    @property
    def mean(self) -> float:
        return float(self.weight @ self.charging)

    @property
    def mean_square(self) -> float:
        return float(self.weight @ self.charging**2)

    @property
    def peak(self) -> float:
        return float(np.abs(self.charging).max())

    def excess(self, level: float) -> float:
        """Mean of what lies above `level`."""
        return float(self.weight @ np.maximum(self.charging - level, 0.0))


def _pulses(circuits: Sequence[Circuit], loads: Sequence[Load]) -> list[_Pulse]:
    waves = steady(_branches(circuits, loads))
    return [_pulse(circuit, load, waves, k) for k, (circuit, load) in enumerate(zip(circuits, loads, strict=True))]


def _branches(circuits: Sequence[Circuit], loads: Sequence[Load]) -> Branches:
    first = circuits[0]
    diode, series = first.diode, first.diodes
    peak = math.sqrt(2) * np.array([c.emf for c in circuits])
    resistance = np.array([c.winding_resistance for c in circuits]) + series * diode.resistance
    current = np.array([load.current for load in loads])
    conductance = np.array([load.conductance for load in loads])
    if isinstance(diode, PiecewiseDiode):
        # A rail without load never calls for charge: a trace of one keeps it defined, and is taken off afterwards.
        conductance = np.where(_idle(current, conductance), 1e-9 / resistance, conductance)
        current = np.where(current == 0, math.inf, current)
    drop = series * (diode.drop if isinstance(diode, PiecewiseDiode) else 0.7)

    def charge(u: Array) -> tuple[Array, Array]:
        if isinstance(diode, PiecewiseDiode):
            over = u - drop
            return np.maximum(over, 0.0) / resistance, (over > 0) / resistance
        return _exponential(diode, series, resistance, u)

    return Branches(
        peak=peak, angular=2 * math.pi * first.frequency, charge=charge, resistance=resistance,
        drop=np.full(peak.shape, drop), reservoir=np.array([c.reservoir for c in circuits]), current=current,
        conductance=conductance, full_wave=first.topology in (Topology.CENTRE_TAP, Topology.BRIDGE),
        stacked=first.topology is Topology.DOUBLER,
    )  # fmt: skip


def _idle(current: Array, conductance: Array) -> Array:
    return np.asarray((current == 0) | (conductance == 0))


def _exponential(diode: ExponentialDiode, series: int, resistance: Array, u: Array) -> tuple[Array, Array]:
    """Current and conductance of winding and diodes in series at the voltage u.

    r·i + a·ln(1 + i/IS) = u gives i + IS = (a/r)·ω((u + r·IS)/a + ln(r·IS/a)) with the Wright omega function ω.
    """
    a = series * diode.emission * diode.thermal
    z = (u + resistance * diode.saturation) / a + np.log(resistance * diode.saturation / a)
    omega = _wright_omega(z)
    return a / resistance * omega - diode.saturation, omega / (1 + omega) / resistance


def _wright_omega(z: Array) -> Array:
    """The ω of ω + ln ω = z, to about 1e-12.

    Source: F. N. Fritsch, R. E. Shafer, W. P. Crowley, Algorithm 443, Communications of the ACM 16 (1973): the step.
    """
    z = np.maximum(z, -600.0)  # below that the current is the saturation current, and exp would underflow
    omega = np.logaddexp(0.0, z)
    for _ in range(2):
        rest = z - omega - np.log(omega)
        one = 1 + omega
        two = 2 * one * (one + 2 / 3 * rest)
        omega = omega * (1 + rest / one * (two - rest) / (two - 2 * rest))
    return np.asarray(omega)


def _pulse(circuit: Circuit, load: Load, waves: Waves, k: int) -> _Pulse:
    rail, charging, taken, weight, emf = (
        w[:, k] for w in (waves.rail, waves.charging, waves.load, waves.weight, waves.emf)
    )
    # No rail can fall below zero; the rule of integration may undershoot it a little where a reservoir runs empty.
    rail = np.maximum(rail, 0.0)
    loaded = load.current > 0 and load.conductance > 0
    if not loaded and isinstance(circuit.diode, PiecewiseDiode):
        charging, taken = np.zeros_like(charging), np.zeros_like(taken)
        at_rest = math.sqrt(2) * circuit.emf - circuit.diodes * circuit.diode.drop
        rail = np.full_like(rail, at_rest * (2 if circuit.topology is Topology.DOUBLER else 1))
    found = Rail(
        name="positive", mean=float(weight @ rail), lowest=float(rail.min()), highest=float(rail.max()),
        load_current=float(weight @ taken), load_power=float(weight @ (taken * rail)),
    )  # fmt: skip
    return _Pulse(found, charging, weight, float(weight @ (emf * charging)))


def _single(circuit: Circuit, pulse: _Pulse) -> Solution:
    """Secondary current of the topologies with one rail, from the charging pulse over its period."""
    mean, mean_square = pulse.mean, pulse.mean_square
    average, dc, power = mean, 0.0, pulse.source_power
    if circuit.topology is Topology.HALF_WAVE:
        dc = mean
        ac_average = 2 * pulse.excess(dc)
    elif circuit.topology is Topology.CENTRE_TAP:  # each half winding carries every second pulse
        mean_square, average, dc = mean_square / 2, mean / 2, mean / 2
        ac_average = pulse.excess(dc)
    elif circuit.topology is Topology.DOUBLER:  # and the mirror image in the other half cycle
        mean_square, average, power = 2 * mean_square, 2 * mean, 2 * power
        ac_average = average
    else:
        ac_average = average
    return Solution(
        circuit=circuit, rails=(pulse.rail,), secondary_rms=math.sqrt(mean_square),
        secondary_average_rectified=average, secondary_peak=pulse.peak, secondary_dc=dc,
        source_power=power, ac_coupled_average_rectified=ac_average,
    )  # fmt: skip


def _dual(circuit: Circuit, positive: _Pulse, negative: _Pulse) -> Solution:
    """Both rails of a dual half-wave supply; their pulses never overlap."""
    dc = positive.mean - negative.mean
    larger = positive if dc >= 0 else negative
    return Solution(
        circuit=circuit, rails=(positive.rail, replace(negative.rail, name="negative")),
        secondary_rms=math.sqrt(positive.mean_square + negative.mean_square),
        secondary_average_rectified=positive.mean + negative.mean,
        secondary_peak=max(positive.peak, negative.peak), secondary_dc=dc,
        source_power=positive.source_power + negative.source_power,
        ac_coupled_average_rectified=2 * larger.excess(abs(dc)),
    )  # fmt: skip
