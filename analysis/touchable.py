"""One state of one touchable point: its readings, and the level they give by the touch limits.

The table of levels stands in `state_level`; everything that a reading must go through before it meets a limit (the
guard for the meter's own loading, scaling to the highest mains, bounds on the current) is applied here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from analysis.card import BurdenBox
from analysis.contact import Contacts
from analysis.finding import Level, Outcome, StateOutcome
from analysis.judge import against_upper
from analysis.limits import Limit, TouchLimits
from analysis.states import Value
from analysis.touch import BurdenReading, MeterInput, TouchBounds, bound_touch_current, loading_guard


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """What holds for a whole radio: limits, mains frequency, meters' inputs, burdens, proof, highest mains."""

    limits: TouchLimits
    frequency: float  #: [Hz]
    inputs: Mapping[tuple[str, str, str], MeterInput | None]  #: by session, meter and coupling
    burdens: BurdenBox
    proved: Mapping[tuple[str, str], bool]  #: by session and meter
    factors: Mapping[str, float]  #: to the highest mains, by session
    contacts: Contacts = field(default_factory=dict)

    def voltage_limit(self, coupling: str) -> Limit:
        """The voltage limit of that coupling."""
        return self.limits.voltage_dc if coupling == "dc" else self.limits.voltage_ac

    def current_limit(self, coupling: str) -> Limit:
        """The current limit of that coupling."""
        return self.limits.current_dc if coupling == "dc" else self.limits.current_ac

    def input_of(self, value: Value) -> MeterInput | None:
        """The input of the meter that read a value; None if the session does not tell it."""
        place = (value.session, value.meter, value.key.coupling)
        return self.inputs.get(place) or self.inputs.get((place[0], place[1].rpartition(".")[0], place[2]))

    def worse(self, value: Value) -> float:
        """How bad one meter's value is beside another's: raised for its loading and scaled, an overload beyond any."""
        if value.overload:
            return math.inf
        coupling = value.key.coupling
        guard = _relative_guard(value, self, self.voltage_limit(coupling), self.current_limit(coupling))
        return (value.magnitude + value.expanded) * (1 + guard) * self.factors.get(value.session, 1.0)

    def is_proved(self, value: Value) -> bool:
        """Whether the chain that read a value is proved: meter, earth and socket, and nothing against the probe."""
        return self.proved.get((value.session, value.meter), False) and False not in self.contact(value)

    def contact(self, value: Value) -> tuple[bool | None, bool | None]:
        """Whether the probe was seen to touch the point before and after a value was read; None: nobody looked."""
        looks = self.contacts.get((value.session, value.key.point))
        return looks.around(value) if looks is not None else (None, None)


@dataclass(frozen=True, slots=True, kw_only=True)
class TouchState:
    """The readings of one point x plug x switch x coupling."""

    point: str
    plug: str
    switch: str
    coupling: str
    alone: Value | None = None  #: by the meter alone
    loaded: Mapping[float, Value] = field(default_factory=dict)  #: by burden [Ω]
    trip: bool = False  #: the residual-current device opened during a burden reading

    @property
    def name(self) -> str:
        """For a person: "plug 2, switch off"."""
        return f"plug {self.plug or 'not noted'}, switch {self.switch or 'not noted'}"

    @property
    def values(self) -> tuple[Value, ...]:
        """All its values, the unloaded one first."""
        return ((self.alone,) if self.alone is not None else ()) + tuple(self.loaded.values())


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What one state came to."""

    state: TouchState
    level: Level
    reason: str  #: `voltage` `current` `no-burden` `hard` `overload` `trip` `range` `none`
    volts: float | None  #: raised for loading (not scaled); None: overload or none
    expanded: float
    guard: float | None
    limit: float  #: the voltage limit in force [V]
    bounds: TouchBounds | None  #: of the current, if there are burden readings
    scaled_only: bool = False  #: `caution` only because of the highest mains to be expected
    raised_only: bool = False  #: would be `within` but for limits that the card raised
    unproved: bool = False  #: rests on a reading whose chain, from the probe to the socket, is not proved
    later: bool = False  #: a later reading of it lay above the limit

    @property
    def decided(self) -> Level:
        """The level, or `undecided` where it would be `within` on evidence that does not carry it."""
        if self.level is Level.WITHIN and (self.unproved or self.later):
            return Level.UNDECIDED
        return self.level

    @property
    def current_high(self) -> float | None:
        """Upper bound of the touch current + U [A]; None: nothing was read with a burden."""
        return None if self.bounds is None else self.bounds.most

    def to_state_outcomes(self) -> list[StateOutcome]:
        """The state as the meter alone read it, then each burden reading, the largest burden first."""
        read: list[tuple[float | None, Value | None]] = [(None, self.state.alone)]
        read += sorted(self.state.loaded.items(), reverse=True)
        return [
            StateOutcome(
                plug=self.state.plug, switch=self.state.switch, coupling=self.state.coupling, burden=ohms,
                value=value.value if value else None,
                expanded_uncertainty=value.expanded if value and not value.overload else None,
                loading_guard=self.guard if ohms is None else None, outcome=_outcome(value, self.limit),
                overload=bool(value and value.overload), session=value.session if value else "",
                rows=value.rows if value else (), take=value.take if value else None,
            )
            for ohms, value in read
        ]  # fmt: skip


def _outcome(value: Value | None, limit: float) -> Outcome:
    """Of the voltage alone, as measured."""
    if value is None:
        return Outcome.MISSING
    if value.value is None:
        return Outcome.ABOVE if value.range is None or value.range >= limit else Outcome.TOO_CLOSE
    return against_upper(value.magnitude, value.expanded, limit)


def _bounds(state: TouchState, setting: Setting, values: list[tuple[float | None, Value]]) -> TouchBounds | None:
    """Bounds of the touch current from readings (burden, value); None without a burden reading."""
    read = [(ohms, value) for ohms, value in values if value.value is not None]
    if not any(ohms is not None for ohms, _ in read):
        return None
    inputs = {setting.input_of(value) for _, value in read}
    return bound_touch_current(
        [
            BurdenReading(
                value=value.magnitude, u=value.u, burden=ohms,
                burden_tolerance=setting.burdens.tolerance_of(ohms) if ohms is not None else 0.0,
            )
            for ohms, value in read
        ],
        meter=inputs.pop() if len(inputs) == 1 else None,
        frequency=None if state.coupling == "dc" else setting.frequency,
    )  # fmt: skip


def judge_state(state: TouchState, setting: Setting) -> Verdict:
    """The level of one state, by the limits in force; scaled to the highest mains it can only become `caution`."""
    verdict = _plain(state, setting, factor=1.0)
    if verdict.level is Level.WITHIN and _any_raised(setting.limits):
        by_default = judge_state(state, replace(setting, limits=_lowered(setting.limits)))
        return replace(
            verdict, level=by_default.level, later=by_default.later, reason=by_default.reason,
            scaled_only=by_default.scaled_only, raised_only=by_default.decided is not Level.WITHIN,
        )  # fmt: skip
    if verdict.level is Level.WITHIN:
        factor = max((setting.factors.get(value.session, 1.0) for value in state.values), default=1.0)
        if factor > 1 and _plain(state, setting, factor=factor).level in (Level.CAUTION, Level.DANGER):
            verdict = replace(verdict, level=Level.CAUTION, scaled_only=True)
    return verdict


def _any_raised(limits: TouchLimits) -> bool:
    return any(limit.raised for limit in (limits.voltage_ac, limits.voltage_dc, limits.current_ac, limits.current_dc))


def _lowered(limits: TouchLimits) -> TouchLimits:
    """The same limits with every raised one put back to its default."""

    def back(limit: Limit) -> Limit:
        return replace(limit, value=limit.default) if limit.raised else limit

    return replace(
        limits, voltage_ac=back(limits.voltage_ac), voltage_dc=back(limits.voltage_dc),
        current_ac=back(limits.current_ac), current_dc=back(limits.current_dc),
    )  # fmt: skip


def _plain(state: TouchState, setting: Setting, *, factor: float) -> Verdict:
    """The level of one state with all readings multiplied by `factor`."""
    volt_limit, ampere_limit = setting.voltage_limit(state.coupling), setting.current_limit(state.coupling)
    alone = state.alone
    # Burden readings that nobody can vouch for must not talk down a reading that is proved.
    vouched = alone is not None and setting.is_proved(alone)
    usable = {ohms: value for ohms, value in state.loaded.items() if setting.is_proved(value) or not vouched}
    readings: list[tuple[float | None, Value]] = list(usable.items())
    if alone is not None:
        readings.insert(0, (None, alone))
    bounds = _bounds(state, setting, readings)
    guard = volts = None
    expanded = 0.0
    if alone is not None and alone.value is not None:
        relative = _relative_guard(alone, setting, volt_limit, ampere_limit)
        guard = alone.magnitude * relative
        volts, expanded = alone.magnitude + guard, alone.expanded * (1 + relative)
    reach = None if volts is None else (volts + expanded) * factor
    if reach is not None:  # a burden only pulls down: what reads more across one was read too low without
        reach = max([reach, *((value.magnitude + value.expanded) * factor for value in usable.values())])
    level, reason = _level(state, reach=reach, bounds=bounds, volts=volt_limit, amperes=ampere_limit, factor=factor)
    worse = _unproved_loaded(state, setting, ampere_limit)
    if worse is not None and worse > _rank(level):
        level, reason = (Level.DANGER, "hard") if worse == _rank(Level.DANGER) else (Level.CAUTION, "current")
    return Verdict(
        state=state, level=level, reason=reason, volts=volts, expanded=expanded, guard=guard, limit=volt_limit.value,
        bounds=bounds, unproved=not all(setting.is_proved(value) for value in state.values),
        later=_later(state, setting, volt_limit, ampere_limit),
    )  # fmt: skip


def _rank(level: Level) -> int:
    return {Level.DANGER: 3, Level.CAUTION: 2, Level.UNDECIDED: 1, Level.WITHIN: 0}[level]


def _relative_guard(value: Value, setting: Setting, volts: Limit, amperes: Limit) -> float:
    frequency = None if value.key.coupling == "dc" else setting.frequency
    return loading_guard(1.0, setting.input_of(value), frequency, volts.value, amperes.value)


def _level(
    state: TouchState, *, reach: float | None, bounds: TouchBounds | None, volts: Limit, amperes: Limit, factor: float
) -> tuple[Level, str]:
    """The table of levels: voltage first, then the current that a burden reading bounds."""
    if state.trip:
        return Level.DANGER, "trip"
    if any(value.overload for value in state.loaded.values()):
        return Level.DANGER, "hard"
    alone = state.alone
    if alone is None:
        return _loaded_only(state, bounds, volts, amperes, factor)
    if reach is not None and reach < volts.value:
        return Level.WITHIN, "voltage"
    if alone.overload:
        return _overload(alone, len(state.loaded), bounds, volts, amperes, factor)
    if bounds is None:
        assert reach is not None  # not an overload, so there is a value
        return (Level.CAUTION, "no-burden") if reach < volts.upper else (Level.DANGER, "no-burden")
    return _by_current(bounds, amperes, factor)


def _by_current(bounds: TouchBounds, amperes: Limit, factor: float) -> tuple[Level, str]:
    high = bounds.most * factor
    if high < amperes.value:
        return Level.WITHIN, "current"
    return (Level.CAUTION, "current") if high < amperes.upper else (Level.DANGER, "hard")


def _overload(
    alone: Value, burdens: int, bounds: TouchBounds | None, volts: Limit, amperes: Limit, factor: float
) -> tuple[Level, str]:
    """Beyond the range: above every limit up to it, and with burdens judged by what two of them say."""
    if burdens >= 2 and bounds is not None:
        return _by_current(bounds, amperes, factor)
    if burdens == 1 or alone.range is None or alone.range >= volts.upper:
        return Level.DANGER, "overload"
    return (Level.CAUTION, "overload") if alone.range >= volts.value else (Level.UNDECIDED, "range")


def _loaded_only(
    state: TouchState, bounds: TouchBounds | None, volts: Limit, amperes: Limit, factor: float
) -> tuple[Level, str]:
    """Volts across a burden alone never make a state measured, but they can show that it is bad."""
    if bounds is None:
        return Level.UNDECIDED, "none"
    across = max((value.magnitude + value.expanded for value in state.loaded.values()), default=0.0)
    surely = max(across, bounds.open_circuit.low or 0.0) * factor
    possibly = math.inf if bounds.open_circuit.high is None else bounds.open_circuit.high * factor
    if surely >= volts.value or (len(state.loaded) >= 2 and possibly >= volts.value):
        level, reason = _by_current(bounds, amperes, factor)
        if level is not Level.WITHIN:
            return level, reason
    return Level.UNDECIDED, "none"


def _unproved_loaded(state: TouchState, setting: Setting, amperes: Limit) -> int | None:
    """What burden readings without a proved chain show by themselves: a current that surely flows."""
    found = None
    for ohms, value in state.loaded.items():
        if setting.is_proved(value) or not ohms or math.isnan(ohms):
            continue
        flows = math.inf if value.overload else (value.magnitude + value.expanded) / ohms
        level = Level.DANGER if flows >= amperes.upper else Level.CAUTION if flows >= amperes.value else Level.WITHIN
        found = max(found or 0, _rank(level))
    return found


def _later(state: TouchState, setting: Setting, volts: Limit, amperes: Limit) -> bool:
    """Whether a value below the limit was followed by a reading above it."""
    alone = state.alone
    if alone is not None and alone.value is not None:
        relative = _relative_guard(alone, setting, volts, amperes)
        own = (alone.magnitude + alone.expanded) * (1 + relative)
        if own < volts.value <= alone.later * (1 + relative):
            return True
    return any(
        value.value is not None and (value.magnitude + value.expanded) / ohms < amperes.value <= value.later / ohms
        for ohms, value in state.loaded.items() if ohms and not math.isnan(ohms)
    )  # fmt: skip
