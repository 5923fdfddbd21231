"""Which resistor is asked for next at one state: from the largest down, within its rating, until the answer stands.

Volts across a smaller resistor never exceed those across a larger one (a passive source, a resistive burden), so the
lowest reading so far bounds what the next resistor has to take.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.card import Burden, BurdenBox, RadioCard, figure
from analysis.judge import COVERAGE, fallback_u
from analysis.limits import Limit, touch_limits
from drivers.reading import Coupling
from drivers.units import parse, show
from logger.settle import Settled

if TYPE_CHECKING:
    from analysis.touch import MeterInput

#: Mains that is to be expected at most, of nominal. Source: IEC 60038, 230 V ± 10 %.
HIGHEST = 1.1
DEFAULT_FREQUENCY = 60.0  #: where the card names none [Hz]


@dataclass(frozen=True, slots=True, kw_only=True)
class StateReadings:
    """What was read in one state of one point."""

    alone: Settled
    loaded: Mapping[str, Settled]  #: by burden, as the box writes it
    mains: float | None  #: what proved the chain [V]


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """The next resistor, or why there is none."""

    burden: Burden | None
    why: str
    volts: str = ""  #: what may stand across it
    dissipation: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Burdening:
    """What holds for a whole sitting.

    Attributes:
        input_resistance, input_capacitance: of the meter [Ω] [F]; None: unknown.
    """

    card: RadioCard
    input_resistance: float | None = None
    input_capacitance: float | None = None

    def choose(self, state: StateReadings, box: BurdenBox) -> Choice:
        """The next resistor for a state."""
        coupling = state.alone.coupling
        limits = touch_limits(strict=self.card.limits.strict, own=self.card.limits.own())
        volts, amperes = limits.voltage_ac, limits.current_ac
        if coupling is Coupling.DC:
            volts, amperes = limits.voltage_dc, limits.current_dc
        factor = self._factor(state)
        if not self._needed(state, volts, amperes, factor):
            return Choice(burden=None, why="below the voltage limit: no burden reading is needed")
        if state.loaded and self._stands(state, box, amperes, factor):
            return Choice(burden=None, why="the burden readings settle it")
        return _largest(state, box, factor)

    def _factor(self, state: StateReadings) -> float:
        """To the highest mains that is to be expected."""
        nominal = figure(self.card.nominal_mains, "V")
        if nominal is None or not state.mains:
            return HIGHEST
        return max(1.0, HIGHEST * nominal / state.mains)

    @property
    def _input(self) -> MeterInput | None:
        from analysis.touch import MeterInput

        if self.input_resistance is None:
            return None
        return MeterInput(resistance=self.input_resistance, capacitance=self.input_capacitance or 0.0)

    @property
    def _frequency(self) -> float:
        return figure(self.card.frequency, "Hz") or DEFAULT_FREQUENCY

    def _needed(self, state: StateReadings, volts: Limit, amperes: Limit, factor: float) -> bool:
        """Whether the volts, raised and at the highest mains, reach the limit."""
        from analysis.touch import loading_guard

        if state.alone.value is None:
            return True
        value = abs(state.alone.value)
        frequency = None if state.alone.coupling is Coupling.DC else self._frequency
        relative = loading_guard(1.0, self._input, frequency, volts.default, amperes.default)
        return (value + COVERAGE * _u(state.alone)) * (1 + relative) * factor >= min(volts.value, volts.default)

    def _stands(self, state: StateReadings, box: BurdenBox, amperes: Limit, factor: float) -> bool:
        """Whether a smaller resistor cannot change the class of the current any more."""
        from analysis.touch import BurdenReading, bound_touch_current

        readings = [
            BurdenReading(value=abs(settled.value), u=_u(settled), burden=parse(burden, "Ohm") if burden else None,
                          burden_tolerance=box.tolerance_of(parse(burden, "Ohm")) if burden else 0.0)
            for burden, settled in (("", state.alone), *state.loaded.items()) if settled.value is not None
        ]  # fmt: skip
        frequency = None if state.alone.coupling is Coupling.DC else self._frequency
        bounds = bound_touch_current(readings, meter=self._input, frequency=frequency)
        low, high = bounds.current
        if high is None or high - low <= bounds.expanded_uncertainty:
            return high is not None or _class(low, amperes) == 2
        return all(_class(low * by, amperes) == _class(bounds.most * by, amperes) for by in (1.0, factor))


def _class(current: float, limit: Limit) -> int:
    return (current >= min(limit.value, limit.default)) + (current >= limit.upper)


def _u(settled: Settled) -> float:
    return settled.u if settled.u is not None else fallback_u(settled.value or 0.0, settled.resolution)


def _largest(state: StateReadings, box: BurdenBox, factor: float) -> Choice:
    """The largest resistor below those that were used, if its rating allows it."""
    read = [settled for settled in (state.alone, *state.loaded.values()) if settled.value is not None]
    if not read:
        return Choice(burden=None, why="the meter alone was beyond its range: what a resistor would take is not known")
    across = min(abs(s.value or 0.0) + COVERAGE * _u(s) for s in read) * factor
    used = min((parse(burden, "Ohm") for burden in state.loaded), default=float("inf"))
    refused = []
    for burden in sorted(box.burden, key=lambda b: b.ohms, reverse=True):
        if burden.ohms >= used * (1 - 1e-9):
            continue
        watts = across**2 / burden.ohms
        reason = _beyond(burden, across, watts)
        if not reason:
            return Choice(burden=burden, why="", volts=show(across, "V"), dissipation=show(watts, "W"))
        refused.append(f"{burden.value}: {reason}")
    if refused:
        return Choice(burden=None, why="; ".join(refused))
    return Choice(burden=None, why="the box has no smaller resistor" if box.burden else "the burden box is empty")


def _beyond(burden: Burden, volts: float, watts: float) -> str:
    """Why a resistor must not be used; a rating that is not known allows nothing."""
    power, voltage = figure(burden.power, "W"), figure(burden.voltage, "V")
    if power is None or voltage is None:
        return "its power or voltage rating is not in burdens.toml"
    if watts > power:
        return f"it would take {show(watts, 'W')}, more than its {burden.power}"
    if volts > voltage:
        return f"it would take {show(volts, 'V')}, more than its {burden.voltage}"
    return ""
