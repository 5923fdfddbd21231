"""The auxiliary transformer: from measured current and volts to its rating, regulation, winding and rails."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

from analysis.judge import COVERAGE
from analysis.rectifier import Rail, Solution, solve
from analysis.rectifier_circuit import NO_LOAD, STANDARD_DIODE, Circuit, Diode, Topology, constant_current
from analysis.rectifier_inverse import (
    Ammeter,
    Response,
    fit_winding,
    load_from_reading,
    resistive_winding,
    true_rms_factor,
)
from analysis.supply_loads import NO_LOAD_TAG, LoadStatistics, at_work

T = TypeVar("T")
#: Kept between the design current and the rating unless told otherwise. Source: own choice; a cabinet is warmer and
#: more closed than the air that a rating is given for, and programme is not a steady load.
MARGIN = 1.5
#: Common sizes of encapsulated mains transformers. [VA] Source: union of makers' catalogues.
STANDARD_SIZES = (
    0.35, 0.5, 0.6, 1.0, 1.2, 1.5, 1.8, 2.0, 2.3, 2.8, 3.0, 3.2, 4.0, 4.5, 5.0, 6.0, 8.0, 10.0, 12.0, 14.0, 15.0, 16.0,
    18.0, 20.0, 24.0, 25.0, 30.0, 36.0, 42.0, 50.0,
)  # fmt: skip
#: Lowest and highest mains to be expected, over nominal. Source: IEC 60038, 230 V ±10 %; taken for every nominal.
MAINS_LOW, MAINS_HIGH = 0.9, 1.1
LOUDEST_MISSING = "readings of the secondary current with the board at its loudest"
_ARRANGEMENTS = ("single", "parallel", "series")


@dataclass(frozen=True, slots=True, kw_only=True)
class Volts:
    """A reading of secondary volts, and the mains at that moment."""

    value: float  #: rms [V]
    u: float  #: standard uncertainty [V]
    mains: float | None = None  #: [V]; None if it was not read
    mains_u: float = 0.0  #: standard uncertainty of it [V]

    def __post_init__(self) -> None:
        if not 0 < self.value < math.inf or not self.u >= 0 or not (self.mains is None or self.mains > 0):
            raise ValueError(f"secondary volts of {self.value!r} V at mains {self.mains!r} V: expected more than zero")


@dataclass(frozen=True, slots=True, kw_only=True)
class OnLoad:
    """Secondary volts and current read together."""

    volts: Volts
    current: float  #: as the ammeter showed it [A]
    resistive: bool = False  #: the load was a plain resistor across the winding
    beyond_ammeter: bool = True  #: the volts were read on the load's side of the ammeter


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyInput:
    """What is known; whatever is None limits what can be found."""

    nominal_mains: float | None = None  #: [V]
    frequency: float | None = None  #: [Hz]; None: 60 Hz is taken and said
    topology: Topology | None = None
    reservoir: float | None = None  #: each [F]
    winding_volts: float | None = None  #: rated rms of one secondary winding, from the nameplate [V]
    windings: int = 1
    arrangement: str = "single"  #: single, parallel or series
    rating: float | None = None  #: nameplate [VA]
    loads: tuple[LoadStatistics, ...] = ()  #: of the secondary current; of one half winding for a centre tap
    ammeter: Ammeter | None = None
    voltmeter: Response = Response.TRUE_RMS
    same_voltmeter: bool = True  #: off-load and on-load volts by one meter, whose gain error they share
    off_load: Volts | None = None
    on_load: OnLoad | None = None
    supply_min: float | None = None  #: per rail, at the lowest of the ripple [V]
    supply_max: float | None = None  #: per rail, absolute maximum [V]
    reservoir_rating: float | None = None  #: [V]
    margin: float = MARGIN
    diode: Diode = STANDARD_DIODE

    def __post_init__(self) -> None:
        if self.arrangement not in _ARRANGEMENTS:
            raise ValueError(f"arrangement {self.arrangement!r}: expected one of {', '.join(_ARRANGEMENTS)}")
        if self.windings < 1:
            raise ValueError(f"{self.windings} secondary windings: expected one or more")
        if not 1 <= self.margin < 100:
            raise ValueError(f"a margin of {self.margin!r}: expected a factor of one or more")
        for name in ("nominal_mains", "frequency", "reservoir", "winding_volts", "rating", "supply_min", "supply_max",
                     "reservoir_rating"):  # fmt: skip
            value = getattr(self, name)
            if value is not None and not 0 < value < math.inf:
                raise ValueError(f"{name.replace('_', ' ')} is {value!r}: expected more than zero")

    @property
    def rated_volts(self) -> float | None:
        """Rated volts of the secondary as wired; of one half for a centre tap. [V]"""
        if self.winding_volts is None:
            return None
        in_series = self.arrangement == "series" and self.topology is not Topology.CENTRE_TAP
        return self.winding_volts * (self.windings if in_series else 1)

    @property
    def halves(self) -> int:
        """Windings that each carry the measured current: both halves of a centre tap."""
        return 2 if self.topology is Topology.CENTRE_TAP else 1


@dataclass(frozen=True, slots=True, kw_only=True)
class AtMains:
    """Secondary and rails at one mains voltage and load."""

    mains: float  #: [V]
    load: str
    secondary: float  #: true rms across the loaded winding [V]
    rails: tuple[Rail, ...]

    def to_json(self) -> dict[str, Any]:
        """One entry of `at_mains`."""
        return {
            "mains_V": self.mains, "load": self.load, "secondary_V": self.secondary,
            "rails": [rail.to_json() for rail in self.rails],
        }  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyFigures:
    """What the evidence gives; None where it gives nothing, with the reason in `missing`."""

    given: SupplyInput
    design: LoadStatistics | None = None  #: the largest load
    true_rms_factor: float | None = None  #: true rms of the winding current over the reading
    off_load: float | None = None  #: at nominal mains where that is known [V]
    on_load: float | None = None  #: as `off_load` [V]
    winding_resistance: float | None = None  #: [Ω]
    at_mains: tuple[AtMains, ...] = ()
    winding_loss: float | None = None  #: at nominal mains and the largest load [W]
    missing: tuple[str, ...] = ()

    @property
    def design_current(self) -> float | None:
        """The largest load, as the ammeter showed it. [A]"""
        return None if self.design is None else self.design.design

    @property
    def required_secondary(self) -> float | None:
        """True-RMS amperes, margin included. [A]"""
        if self.design_current is None or self.true_rms_factor is None:
            return None
        return self.design_current * self.true_rms_factor * self.given.margin

    @property
    def required_rating(self) -> float | None:
        """Rated volts × required true-RMS amperes. [VA]"""
        amperes, volts = self.required_secondary, self.given.rated_volts
        return None if amperes is None or volts is None else self.given.halves * volts * amperes

    @property
    def next_standard(self) -> float | None:
        """The smallest common size that is large enough; None if none is. [VA]"""
        wanted = self.required_rating
        return None if wanted is None else next((s for s in STANDARD_SIZES if s >= wanted * (1 - 1e-9)), None)

    @property
    def regulation(self) -> float | None:
        """(off − on)/on; makers who divide by the off-load volts print a smaller figure."""
        if self.off_load is None or self.on_load is None:
            return None
        return (self.off_load - self.on_load) / self.on_load

    def at(self, load: str, mains_factor: float) -> AtMains | None:
        """The entry for one load and mains over nominal, if there is one."""
        nominal = self.given.nominal_mains or math.nan
        wanted = (a for a in self.at_mains if a.load == load and math.isclose(a.mains, mains_factor * nominal))
        return next(wanted, None)

    def to_json(self) -> dict[str, Any]:
        """The shape of the `supply` command."""
        return {
            "design_current_A": self.design_current, "true_rms_factor": self.true_rms_factor,
            "margin": self.given.margin, "required_secondary_A": self.required_secondary,
            "required_VA": self.required_rating, "next_standard_VA": self.next_standard,
            "off_load_V": self.off_load, "on_load_V": self.on_load, "regulation": self.regulation,
            "winding_resistance_ohm": self.winding_resistance,
            "at_mains": [entry.to_json() for entry in self.at_mains], "missing": list(self.missing),
        }  # fmt: skip


@dataclass(slots=True)
class _Reasons:
    """What could not be found, and why, as it comes up."""

    said: list[str] = field(default_factory=list)

    def add(self, reason: str) -> None:
        """A reason, once."""
        if reason not in self.said:
            self.said.append(reason)

    def attempt(self, compute: Callable[[], T], what: str) -> T | None:
        """What `compute` returns; or None, with the sentence in which it refused."""
        try:
            return compute()
        except (ValueError, ArithmeticError) as exc:
            self.add(f"{what}: {exc}")
            return None


def supply_figures(given: SupplyInput) -> SupplyFigures:
    """Every figure that the evidence supports.

    Nonsense among the readings (more volts on load than off, a current that the winding cannot drive) does not stop
    the rest: it stands in `missing` as one sentence.
    """
    reasons = _Reasons()
    design = _design(given, reasons)
    off, on = _at_nominal(given, reasons)
    resistance = reasons.attempt(lambda: _winding_resistance(given, reasons), "winding resistance")
    circuit = _circuit(given, off, resistance, reasons)
    loaded = None
    if circuit is not None and design is not None and resistance is not None and given.ammeter is not None:
        wired, ammeter = circuit, given.ammeter
        loaded = reasons.attempt(lambda: load_from_reading(wired, design.design, ammeter), "load on the rails")
    factor = _factor(given, loaded, reasons)
    if given.winding_volts is None:
        reasons.add("the rated volts of the secondary, from the nameplate")
    figures = SupplyFigures(
        given=given, design=design, true_rms_factor=factor, off_load=off, on_load=on, winding_resistance=resistance,
    )  # fmt: skip
    if figures.required_rating is not None and figures.next_standard is None:
        reasons.add(f"no common size reaches {figures.required_rating:.3g} VA")
    at_mains, loss = _at_mains(given, circuit, loaded, "" if design is None else design.load, reasons)
    return replace(figures, at_mains=at_mains, winding_loss=loss, missing=tuple(reasons.said))


def _design(given: SupplyInput, reasons: _Reasons) -> LoadStatistics | None:
    """The load that draws most."""
    drawn = [load for load in given.loads if load.load != NO_LOAD_TAG and load.design > 0]
    if not drawn or not at_work(drawn):
        reasons.add(LOUDEST_MISSING)
    if not drawn:
        return None
    return max(drawn, key=lambda load: load.design)


def _at_nominal(given: SupplyInput, reasons: _Reasons) -> tuple[float | None, float | None]:
    """Volts off load and on load, both as they would be at nominal mains."""

    def scaled(volts: Volts | None, what: str) -> float | None:
        if volts is None:
            reasons.add(f"volts of the secondary {what}")
            return None
        if volts.mains is None or given.nominal_mains is None:
            reasons.add(f"the mains while the secondary was read {what}: taken as nominal")
            return volts.value
        return volts.value * given.nominal_mains / volts.mains

    return scaled(given.off_load, "off load"), scaled(None if given.on_load is None else given.on_load.volts, "on load")


def _winding_resistance(given: SupplyInput, reasons: _Reasons) -> float | None:
    """By Ohm's law with a resistor as the load, else by fitting the rectifier."""
    off, on = given.off_load, given.on_load
    if off is None or on is None:
        return None
    ammeter = given.ammeter
    emf = off.value
    if off.mains is not None and on.volts.mains is not None:
        emf *= on.volts.mains / off.mains
    if on.resistive:
        own = ammeter.resistance if ammeter is not None and on.beyond_ammeter else 0.0
        return resistive_winding(emf, on.volts.value, on.current, own)
    if ammeter is None:
        reasons.add("how the ammeter in the secondary responds: average or true RMS, ac or ac+dc")
        return None
    layout = _layout(given, emf, reasons)
    if layout is None:
        return None
    fit = fit_winding(
        layout, on.volts.value, on.current, ammeter, voltmeter=given.voltmeter, beyond_ammeter=on.beyond_ammeter,
    )  # fmt: skip
    return fit.resistance


def _layout(given: SupplyInput, emf: float, reasons: _Reasons, resistance: float = 1.0) -> Circuit | None:
    """The board's supply with a load of one ampere to be scaled."""
    if given.topology is None:
        reasons.add("the board's topology, on the card")
    if given.reservoir is None:
        reasons.add("the board's reservoir, on the card")
    if given.topology is None or given.reservoir is None:
        return None
    if given.frequency is None:
        reasons.add("the mains frequency, on the card: 60 Hz is taken")
    return Circuit(
        topology=given.topology, emf=emf, winding_resistance=resistance, reservoir=given.reservoir,
        frequency=given.frequency or 60.0, load=constant_current(1.0), diode=given.diode,
    )  # fmt: skip


def _circuit(given: SupplyInput, emf: float | None, resistance: float | None, reasons: _Reasons) -> Circuit | None:
    """The board's supply at nominal mains; without a winding resistance it serves for no load only."""
    if emf is None:
        return None
    return reasons.attempt(
        lambda: _layout(given, emf, reasons, 1.0 if resistance is None else resistance), "rails"
    )  # fmt: skip


def _factor(given: SupplyInput, loaded: Solution | None, reasons: _Reasons) -> float | None:
    """What the reading is multiplied by to give the true rms."""
    ammeter = given.ammeter
    if ammeter is None:
        reasons.add("how the ammeter in the secondary responds: average or true RMS, ac or ac+dc")
        return None
    if ammeter.response is Response.TRUE_RMS:
        if not ammeter.ac_coupled or given.topology in (Topology.BRIDGE, Topology.DOUBLER):
            return 1.0
        if given.topology is Topology.DUAL_HALF_WAVE:
            reasons.add("the load of each rail: alike is taken; unlike ones hide dc from an ac-coupled ammeter")
            return 1.0
    if loaded is None:
        reasons.add(
            "a true-RMS ac+dc reading of the secondary current, or volts off load and on load: this ammeter reads a "
            "rectifier's current low, and an uncorrected figure would make the transformer too small"
        )
        return None
    if given.topology is Topology.DUAL_HALF_WAVE and ammeter.ac_coupled:
        reasons.add("the load of each rail: alike is taken; unlike ones hide dc from an ac-coupled ammeter")
    return true_rms_factor(loaded, ammeter)


def _at_mains(
    given: SupplyInput, circuit: Circuit | None, loaded: Solution | None, load: str, reasons: _Reasons
) -> tuple[tuple[AtMains, ...], float | None]:
    """Rails at low, nominal and high mains, and the winding's heat at nominal."""
    nominal = given.nominal_mains
    if nominal is None:
        reasons.add("the nominal mains, on the card")
    if circuit is None or nominal is None:
        return (), None
    entries: list[AtMains] = []
    loss = None
    cases = [] if loaded is None else [(MAINS_LOW, load, loaded.circuit), (1.0, load, loaded.circuit)]
    for factor, name, wired in [*cases, (MAINS_HIGH, NO_LOAD_TAG, circuit.loaded(NO_LOAD))]:
        # The ammeter of the reading is no longer in the way.
        at = replace(wired, emf=factor * circuit.emf, winding_resistance=circuit.winding_resistance)
        found = reasons.attempt(lambda at=at: solve(at), f"rails at {factor * nominal:.4g} V mains")  # type: ignore[misc]
        if found is None:
            continue
        if factor == 1.0:
            loss = found.winding_loss
        entries.append(AtMains(mains=factor * nominal, load=name, secondary=found.terminal_rms, rails=found.rails))
    return tuple(entries), loss


def relative_u(figures: SupplyFigures) -> tuple[float, float]:
    """Relative standard uncertainties of the design current and of the off-load volts; zero where there is none."""
    design, off = figures.design, figures.given.off_load
    return (design.u / design.design if design is not None else 0.0, off.u / off.value if off is not None else 0.0)


def rail_expanded(figures: SupplyFigures, rail: float, idle: float) -> float:
    """U of a rail level: off-load volts scale all of it, current and winding resistance the part that it sags by. [V]

    Args:
        rail: the level; idle: what the rail would be without load at the same mains. [V]
    Source: JCGM 100:2008, 5.1.2, with the sag taken as proportional to current and resistance.
    """
    of_current, of_volts = relative_u(figures)
    sag = max(0.0, idle - rail)
    of_resistance = 0.0
    off, on = figures.given.off_load, figures.given.on_load
    if sag and off is not None and on is not None and off.value > on.volts.value:
        # One meter's gain error scales the difference; two meters' errors do not cancel in it.
        apart = math.hypot(off.u, on.volts.u) / (off.value - on.volts.value)
        of_resistance = of_volts if figures.given.same_voltmeter else apart
    # In proportion to the mains that were read then; one meter's gain error would cancel, which is not counted on.
    of_mains = off.mains_u / off.mains if off is not None and off.mains else 0.0
    return COVERAGE * math.hypot(rail * of_volts, rail * of_mains, sag * of_current, sag * of_resistance)
