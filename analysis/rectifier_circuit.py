"""What a small rectifier supply is made of: topology, diodes, load, winding and reservoir.

All quantities are floats in SI base units; the EMF is the open-circuit rms voltage of the winding (of one half for
a centre tap), and the winding's resistance is that of the whole transformer seen from the secondary. Leakage
inductance, the core, the capacitor's own losses and flat-topped mains are outside the model.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum

#: A constant-current load falls in proportion to its voltage below this: no electronics draws full current from
#: nothing. [V]
KNEE = 1.0


#: [S] a nano-ohm: heavier loads are a wire across the rail.
_MOST_CONDUCTANCE = 1e9
#: What the solver is made for, and far beyond what a radio holds.
_RANGES = {
    "emf": (1e-3, 1e5, "V"), "winding_resistance": (0.0, 1e6, "Ω"), "reservoir": (1e-9, 1e3, "F"),
    "frequency": (1.0, 1e5, "Hz"),
}  # fmt: skip


class Topology(StrEnum):
    """How the diodes and reservoirs are wired."""

    HALF_WAVE = "half-wave"
    CENTRE_TAP = "centre-tap"
    BRIDGE = "bridge"
    DUAL_HALF_WAVE = "dual-half-wave"  #: a positive and a negative rail from one winding
    DOUBLER = "doubler"  #: full-wave: as the dual one, with one load across both reservoirs


@dataclass(frozen=True, slots=True)
class PiecewiseDiode:
    """No current below `drop`, above it (v − drop)/`resistance`."""

    drop: float = 0.7  #: [V]
    resistance: float = 0.05  #: [Ω]

    def __post_init__(self) -> None:
        if not (0 <= self.drop < math.inf and 0 <= self.resistance < math.inf):
            raise ValueError(f"diode drop {self.drop!r} V and resistance {self.resistance!r} Ω cannot be negative")


@dataclass(frozen=True, slots=True)
class ExponentialDiode:
    """i = saturation·(exp(v_junction/(emission·thermal)) − 1), with a resistance in series.

    The defaults describe a silicon rectifier of the 1 A class at 27 °C.
    Source: W. Shockley's diode equation, with an emission coefficient and a series resistance.
    """

    saturation: float = 14.11e-9  #: [A]
    emission: float = 1.984
    thermal: float = 25.865e-3  #: kT/q [V]
    resistance: float = 33.89e-3  #: [Ω]

    def __post_init__(self) -> None:
        if not (self.saturation > 0 and self.emission > 0 and self.thermal > 0 and self.resistance >= 0):
            raise ValueError("a diode's saturation current, emission and thermal voltage must be above zero")


Diode = PiecewiseDiode | ExponentialDiode
STANDARD_DIODE = PiecewiseDiode()


@dataclass(frozen=True, slots=True)
class Load:
    """Draws min(current, conductance · v); build one with the functions below."""

    current: float  #: [A]; infinite for a resistor
    conductance: float  #: [S]

    def __post_init__(self) -> None:
        if not (self.current >= 0 and 0 <= self.conductance <= _MOST_CONDUCTANCE):
            raise ValueError(f"a load of {self.current!r} A, {self.conductance!r} S: expected zero or more")


NO_LOAD = Load(0.0, 0.0)


def resistor(resistance: float) -> Load:
    """A resistor across the rail. [Ω] Raises: ValueError: not above zero."""
    if not resistance > 0:
        raise ValueError(f"a load resistance of {resistance!r} Ω: expected more than zero")
    return Load(math.inf, 1 / resistance)


def constant_current(current: float) -> Load:
    """A sink of `current` while its rail is above 1 V, in proportion to the voltage below. [A]"""
    return regulated(current, KNEE)


def regulated(current: float, dropout: float) -> Load:
    """A linear regulator that takes `current` while the rail is above `dropout`, and lets it fall below. [A], [V]"""
    if not (0 <= current < math.inf and dropout > 0):
        raise ValueError(f"a load of {current!r} A with a dropout of {dropout!r} V: expected zero or more, above zero")
    return Load(current, current / dropout)


@dataclass(frozen=True, slots=True, kw_only=True)
class Circuit:
    """One supply; `winding_resistance` and `emf` are of one half for a centre tap."""

    topology: Topology
    emf: float  #: open-circuit rms [V]
    winding_resistance: float  #: [Ω]
    reservoir: float  #: each reservoir capacitor [F]
    frequency: float  #: [Hz]
    load: Load
    negative_load: Load | None = None  #: dual half-wave only; None: as the positive rail
    diode: Diode = STANDARD_DIODE

    def __post_init__(self) -> None:
        for name, (low, high, unit) in _RANGES.items():
            value = getattr(self, name)
            if not low <= value <= high:
                words = name.replace("_", " ").replace("emf", "EMF")
                raise ValueError(f"the {words} is {value:g} {unit}: expected from {low:g} to {high:g} {unit}")
        if self.winding_resistance + self.diode.resistance <= 0:
            raise ValueError("winding and diode without any resistance: the charging current would be endless")
        if self.negative_load is not None and self.topology is not Topology.DUAL_HALF_WAVE:
            raise ValueError(f"a {self.topology} supply has no negative rail to load")
        if isinstance(self.diode, PiecewiseDiode) and self.emf * math.sqrt(2) <= self.diodes * self.diode.drop:
            raise ValueError(
                f"there is no rail: a peak of {self.emf * math.sqrt(2):.3g} V does not overcome "
                f"{self.diodes * self.diode.drop:.3g} V of diode drop"
            )

    @property
    def diodes(self) -> int:
        """Diodes in series while charging."""
        return 2 if self.topology is Topology.BRIDGE else 1

    @property
    def positive_and_negative(self) -> tuple[Load, Load]:
        """The loads of both rails of a dual half-wave supply."""
        return self.load, self.load if self.negative_load is None else self.negative_load

    def loaded(self, load: Load) -> Circuit:
        """The same supply with another load; both rails of a dual one get it."""
        return replace(self, load=load, negative_load=None)
