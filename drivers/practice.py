"""A simulated radio on a bench, and what its meters would read: a place to learn the job, and to test it.

One `PracticeBench` a scenario is shared by all ports of a process (`bench_of`). By default the tags in force move the
bench: the plug is where the tag says. What a person does can be taken from the tags (`do`, `by_hand`), since a user
who confirms a step has not necessarily turned the plug.
"""

from __future__ import annotations

import math
import random
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass

from drivers.practice_circuit import Branch, Source, contact, solve
from drivers.practice_scenario import MeterOnBench, PracticeError, Scenario, load
from drivers.reading import Coupling, Quantity
from drivers.units import UnitError, parse

#: What the tags in force move on the bench.
FOLLOWED = ("point", "plug", "switch", "burden", "load", "arrangement", "quantity", "coupling", "meter")
#: What can go wrong, for `do`.
HAZARDS = ("dead_socket", "earth_clip_off", "probe_in_air", "trip")
_LEAD = 60e-12  #: leads of the meter [F]
_AIR = 0.3e-12  #: what couples a probe in the air to the mains around it [F]
_LOOSE = 40e-12  #: what couples a loose earth clip and its lead to earth [F]
_PINS = {"pin-1-to-chassis": "pin-1", "pin-2-to-chassis": "pin-2", "earth-pin-to-chassis": "earth-pin"}
_SOCKET = ("mains", "mains-line", "mains-neutral")


@dataclass(frozen=True, slots=True)
class Truth:
    """What a complete plan should find on a scenario."""

    chassis_kind: str
    pin: int | None
    levels: Mapping[str, str]
    why: str


@dataclass(frozen=True, slots=True)
class Seen:
    """What is at a meter's terminals, in the function that its knob is at."""

    quantity: Quantity
    coupling: Coupling
    value: float | None  #: without the meter's error; None: an open circuit, or beyond every range


def at_speed(factor: float) -> tuple[Callable[[], float], Callable[[float], None]]:
    """A clock and a sleep for a bench whose time runs `factor` times as fast as the real one.

    Raises: ValueError: the factor is not above zero.
    """
    if not factor > 0:
        raise ValueError(f"the speed {factor!r} is not above zero")
    return (lambda: time.monotonic() * factor), (lambda seconds: time.sleep(max(0.0, seconds) / factor))


def truth(scenario: str) -> Truth:
    """What should be found on a shipped scenario. Raises: PracticeError: there is none of that name."""
    told = load(scenario).truth
    return Truth(told.chassis_kind, told.pin, dict(told.levels), told.why)


def meters_of(scenario: str) -> dict[str, str]:
    """The meters on a scenario's bench: role to profile name. Raises: PracticeError."""
    return {meter.role: meter.profile for meter in load(scenario).meter}


class PracticeBench:
    """The state of one bench; safe to use from several threads.

    Args:
        scenario: the radio.
        seed: of the noise.
        clock, sleep: seconds that pass on this bench, and how to wait; hand in others to make it run at full speed.
    """

    def __init__(
        self,
        scenario: Scenario,
        *,
        seed: int = 1,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.scenario, self.clock, self.sleep = scenario, clock, sleep
        self._lock = threading.RLock()
        self._seed = seed
        self._noise: dict[str, random.Random] = {}
        self._tags: dict[str, str] = {}
        self._done: dict[str, str] = {}
        self._hands: set[str] = set()
        self._hazards: set[str] = set()
        self._knobs: dict[str, tuple[Quantity, Coupling]] = {}
        self._branches = scenario.branches()
        self._solved: dict[tuple[str, ...], Source] = {}
        self._meters = {meter.role: meter for meter in scenario.meter}
        self.mains = parse(scenario.mains.level, "V")
        self.neutral = parse(scenario.mains.neutral, "V")
        self._omega = 2 * math.pi * parse(scenario.radio.frequency, "Hz")
        self._trips_at = parse(scenario.mains.trip, "A") if scenario.mains.trip else math.inf

    # -- what moves the bench

    def set_tags(self, tags: Mapping[str, str]) -> None:
        """The tags in force now, all of them: a tag that is not given is unset."""
        with self._lock:
            before = self._state("burden"), self._state("plug")
            self._tags = {key: value for key, value in tags.items() if key in FOLLOWED and value}
            after = self._state("burden"), self._state("plug")
            if before != after and "trip" not in self._hands:  # whoever goes on has switched it on again
                self._hazards.discard("trip")

    def by_hand(self, *actions: str) -> None:
        """Take actions away from the tags: from now on only `do` moves them; they stay as they are."""
        with self._lock:
            for action in actions:
                self._check(action)
                self._done[action] = self._state(action)
                self._hands.add(action)

    def follow_tags(self, *actions: str) -> None:
        """Give actions back to the tags; all of them if none is named."""
        with self._lock:
            self._hands -= set(actions or self._hands)

    def do(self, action: str, value: str | bool) -> None:
        """What a person does, or what goes wrong; from then on the tags do not move this any more.

        Args:
            action: `plug` (`1`, `2`, `out`), `switch` (`on`, `off`), `point` (the clip moved there), `burden`, `load`,
                `arrangement`, `quantity`, `coupling`; or a hazard of HAZARDS.
            value: a text; for a hazard whether it is there (`trip` False: switched on again).
        Raises: PracticeError: there is no such action, or not with such a value.
        """
        with self._lock:
            self._check(action)
            if action in HAZARDS:
                (self._hazards.add if value else self._hazards.discard)(action)
                if action == "trip":
                    self._hands.add(action)
                return
            allowed = {"plug": ("1", "2", "out"), "switch": ("on", "off")}.get(action)
            if not isinstance(value, str) or (allowed and value not in allowed):
                expected = " or ".join(f"'{word}'" for word in allowed) if allowed else "a text"
                raise PracticeError(
                    f"The practice bench cannot set {action} to {value!r}.", remedy=f"Expected {expected}."
                )
            self._hands.add(action)
            self._done[action] = value

    @staticmethod
    def _check(action: str) -> None:
        if action not in (*FOLLOWED, *HAZARDS):
            raise PracticeError(f"The practice bench has no action {action!r}.",
                                remedy=f"It has {', '.join((*FOLLOWED, *HAZARDS))}.")  # fmt: skip

    def turn_knob(self, role: str, quantity: Quantity, coupling: Coupling) -> None:
        """A meter's function, set by the program that talks to it; the tags do not turn it."""
        with self._lock:
            self._knobs[role] = quantity, coupling

    @property
    def tripped(self) -> bool:
        """Whether the residual-current device has opened."""
        with self._lock:
            return "trip" in self._hazards

    def _state(self, key: str) -> str:
        if key in self._hands:
            return self._done.get(key, "")
        value = self._tags.get(key, "")
        if key == "point" and not value:
            return self.scenario.radio.points[0]
        if key == "switch" and not value:
            return "off"
        if key == "plug" and not value:
            return "out"
        return value

    def meter(self, role: str) -> MeterOnBench:
        """The meter of that role. Raises: PracticeError: the bench has none."""
        if role not in self._meters:
            raise PracticeError(f"The practice bench has no meter {role!r}.",
                                remedy=f"It has {', '.join(self._meters)}.")  # fmt: skip
        return self._meters[role]

    # -- what a meter would read

    def noise(self, role: str) -> random.Random:
        """The meter's own noise, the same for the same seed."""
        if role not in self._noise:
            self._noise[role] = random.Random(f"{self.scenario.name}/{role}/{self._seed}")
        return self._noise[role]

    def function(self, role: str) -> tuple[Quantity, Coupling]:
        """Where a meter's knob is: set by the program, else where the step's tags want it, else by the point."""
        with self._lock:
            if role in self._knobs:
                return self._knobs[role]
            if self._state("quantity") and self._state("meter") in ("", role):
                with suppress(ValueError):  # a word that no knob has
                    return Quantity(self._state("quantity")), Coupling(self._state("coupling"))
            return self._usual(self._state("point"), role)

    def _usual(self, point: str, role: str) -> tuple[Quantity, Coupling]:
        if point in _PINS or point.startswith("winding"):
            return Quantity.RESISTANCE, Coupling.NONE
        if point == "air":
            return Quantity.TEMPERATURE, Coupling.NONE
        if point.startswith("rail"):
            return Quantity.VOLTAGE, Coupling.DC
        if point == "secondary" and role == "i":
            return Quantity.CURRENT, Coupling.AC
        return Quantity.VOLTAGE, Coupling.AC

    def seen(self, role: str) -> Seen:
        """What is at a meter's terminals now, as an ideal meter of its input impedance would read it."""
        meter = self.meter(role)
        with self._lock:
            quantity, coupling = self.function(role)
            value = self._value(meter, quantity, coupling, self._state("point"))
        return Seen(quantity, coupling, value)

    def _value(self, meter: MeterOnBench, quantity: Quantity, coupling: Coupling, point: str) -> float | None:
        if quantity in (Quantity.RESISTANCE, Quantity.CONTINUITY):
            return self._resistance(point)
        if "probe_in_air" in self._hazards and point not in _SOCKET:
            if quantity is Quantity.VOLTAGE and coupling is not Coupling.DC:
                pickup = Source(complex(self.mains), 1 / (1j * self._omega * _AIR))
                return pickup.across(self._input(meter))
            return 0.0 if quantity in (Quantity.VOLTAGE, Quantity.CURRENT) else None
        if quantity is Quantity.CURRENT:
            return self._current(coupling) if point == "secondary" else 0.0
        if quantity is Quantity.TEMPERATURE:
            return self._temperature()
        if quantity is not Quantity.VOLTAGE:
            return None
        low = self._low_volts(point, coupling)
        if low is not None:
            return low
        return 0.0 if coupling is Coupling.DC else self._touch(meter, point)

    def _input(self, meter: MeterOnBench) -> complex:
        farads = parse(meter.capacitance, "F") + _LEAD
        return complex(1 / parse(meter.resistance, "Ohm"), self._omega * farads)

    def _burden(self) -> float:
        """Resistor across the meter. [Ω] inf without; a text that is no resistance is none"""
        text = self._state("burden")
        try:
            return max(1.0, parse(text, "Ohm")) if text else math.inf
        except UnitError:
            return math.inf

    def _touch(self, meter: MeterOnBench, point: str) -> float:
        """Volts AC between a point and earth, over meter and burden; it may trip the protective device."""
        across = self._input(meter) + 1 / self._burden()
        source = self.source(point)
        if "earth_clip_off" in self._hazards:
            return Source(source.volts, source.ohms + 1 / (1j * self._omega * _LOOSE)).across(across)
        volts = source.across(across)
        if not self._dead() and volts / self._burden() > self._trips_at:
            self._hazards.add("trip")
        return volts

    def _dead(self) -> bool:
        return bool(self._hazards & {"dead_socket", "trip"})

    def source(self, point: str) -> Source:
        """The point as it stands now, against earth: what the meter's loading is taken from."""
        with self._lock:
            line = 0.0 if self._dead() else self.mains
            if point == "mains":
                return Source(complex(line), 0.3)
            if point == "mains-line":
                return Source(complex(line + self.neutral), 0.5)
            if point == "mains-neutral":
                return Source(complex(self.neutral), 0.5)
            plug, switch = self._state("plug"), self._state("switch")
            key = (point, plug, switch, str(self._dead()))
            if key not in self._solved:
                known: dict[str, complex] = {"earth": 0j}
                if plug in ("1", "2"):
                    hot, cold = ("pin-1", "pin-2") if plug == "1" else ("pin-2", "pin-1")
                    known |= {hot: complex(line + self.neutral), cold: complex(self.neutral)}
                    branches = [*self._wired(switch), Branch("earth-pin", "earth", 0.2)]
                else:
                    branches = self._wired(switch)
                self._solved[key] = solve(branches, known, point, self._omega, on=switch == "on" and plug != "out")
            return self._solved[key]

    def _wired(self, switch: str) -> list[Branch]:
        """The set's branches with the pins by number and the switch's contacts."""
        circuit = self.scenario.circuit
        pins = {"pin-a": f"pin-{circuit.leg_a_pin}", "pin-b": f"pin-{3 - circuit.leg_a_pin}"}
        made = [
            Branch(
                pins.get(b.one, b.one), pins.get(b.other, b.other), b.resistance, b.capacitance, b.inductance, b.cold
            )
            for b in self._branches
        ]
        for leg in ("a", "b"):
            closed = switch == "on" or leg not in circuit.switch_breaks
            made.append(contact(pins[f"pin-{leg}"], f"leg-{leg}", closed=closed))
        return made

    def _resistance(self, point: str) -> float | None:
        """Ohms that a meter would show; None where nothing is connected, or where the mains is on it."""
        secondary = self.scenario.secondary
        if point.startswith("winding") and secondary is not None:
            written = {
                ("winding-primary", "cold"): secondary.primary_cold, ("winding-primary", "hot"): secondary.primary_hot,
                ("winding-secondary", "cold"): secondary.secondary_cold,
                ("winding-secondary", "hot"): secondary.secondary_hot,
            }.get((point, self._state("load")), "")  # fmt: skip
            return parse(written, "Ohm") if written else None
        if self._state("plug") != "out" or "probe_in_air" in self._hazards:
            return None
        if point in self.scenario.radio.points:  # clip to point: is there contact?
            return 0.2
        if point not in _PINS:
            return None
        branches = [b for b in self._wired(self._state("switch")) if "earth" not in (b.one, b.other)]
        ohms = solve(branches, {"chassis": 0j}, _PINS[point], 0.0, on=False).ohms.real
        return ohms if ohms < 1e9 else None

    def _current(self, coupling: Coupling) -> float:
        drawn = self.scenario.load.get(self._state("load") or "none")
        if drawn is None or coupling is Coupling.DC or self._dead():
            return 0.0
        return parse(drawn.current, "A")

    def _low_volts(self, point: str, coupling: Coupling) -> float | None:
        """Volts of the added board's side; None for a point that is none of these."""
        scenario, name = self.scenario, self._state("load") or "none"
        drawn = scenario.load.get(name)
        dc = coupling is Coupling.DC
        if point in ("rail-positive", "rail-negative"):
            written = "" if drawn is None else drawn.rail_positive if point == "rail-positive" else drawn.rail_negative
            return parse(written, "V") if written and dc and not self._dead() else 0.0
        if point == "secondary":
            secondary = scenario.secondary
            if secondary is None or dc or self._dead():
                return 0.0
            return parse(secondary.open, "V") - parse(secondary.resistance, "Ohm") * self._current(Coupling.AC)
        if point == "speaker":
            written = scenario.programme.get(name) or scenario.hum.get(self._state("arrangement") or "A", "")
            return parse(written, "V") if written and not dc else 0.0
        return None

    def _temperature(self) -> float | None:
        secondary = self.scenario.secondary
        if secondary is None:
            return None
        return parse(secondary.air_hot if self._state("load") == "hot" else secondary.air_cold, "Cel")

    def wander(self) -> float:
        """How much of the reading the quantity itself moves between readings, beyond the meter's noise."""
        with self._lock:
            drawn = self.scenario.load.get(self._state("load"))
            moves = drawn is not None and self._state("point") == "secondary"
            return drawn.wander if moves and drawn is not None else 0.0


_benches: dict[str, PracticeBench] = {}
_benches_lock = threading.Lock()


def bench_of(scenario: str) -> PracticeBench:
    """The bench that all ports of this process share for a scenario. Raises: PracticeError: there is no such one."""
    with _benches_lock:
        if scenario not in _benches:
            _benches[scenario] = PracticeBench(load(scenario))
        return _benches[scenario]


def put_bench(bench: PracticeBench) -> PracticeBench:
    """Make a bench the shared one of its scenario: with a clock of its own, another seed, or simply a fresh one."""
    with _benches_lock:
        _benches[bench.scenario.name] = bench
    return bench
