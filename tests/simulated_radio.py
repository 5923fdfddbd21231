"""A simulated radio and its sittings, as plain data: what is true of it, and what was recorded."""

from __future__ import annotations

from dataclasses import dataclass, field

from tests.simulated_circuit import STATES, Source, State
from tests.simulated_meter import Meter, Row
from tests.simulated_sets import SimulatedSet


@dataclass(frozen=True, slots=True, kw_only=True)
class Burden:
    """A resistor of the burden box."""

    text: str
    nominal: float
    true: float
    tolerance: float
    power: float
    voltage: float
    listed: bool = True  #: in burdens.toml; an unlisted one counts as 5 %


@dataclass(slots=True, kw_only=True)
class Sitting:
    """One session, as rows and events; a writer or a reader of tables takes them from here."""

    name: str
    start: float  #: seconds since 2026-01-01T00:00:00Z
    stage: str
    meters: list[Meter]
    fed_from: str = "mains"
    closed: bool = True
    rows: list[Row] = field(default_factory=list)
    events: list[dict[str, object]] = field(default_factory=list)
    end: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """What the sitting holds for one state of a point."""

    status: str  #: ok, missing, held, unsettled, air, late, overload, or collapsed (a fault of socket or clip)
    value: float | None = None  #: the value that counts, as shown [V]
    burdens: tuple[tuple[Burden, float], ...] = ()  #: with what each read [V]
    trip: bool = False
    sitting: int = 0
    role: str = "v"


@dataclass(slots=True, kw_only=True)
class SimulatedRadio:
    """A radio, what is true of it, and what was recorded."""

    seed: int
    made: SimulatedSet
    card: dict[str, object]
    strict: bool
    own_limits: dict[str, float]
    burdens: list[Burden]
    faults: frozenset[str]
    pins_taken: bool
    sources: dict[str, dict[State, Source]]
    taken: dict[tuple[str, State], Taken] = field(default_factory=dict)
    proof: list[dict[str, tuple[float, float] | None]] = field(default_factory=list)  #: a sitting each, by role
    sittings: list[Sitting] = field(default_factory=list)
    meter: Meter = field(default_factory=Meter)
    lined: set[int] = field(default_factory=set)
    looked: bool = False  #: ohms from the clip to the metal beside it were read before and after each point's states

    @property
    def states(self) -> tuple[State, ...]:
        """The states that a full measurement needs, by the card."""
        return tuple(s for s in STATES if self.card.get("switch") != "none" or s[1] == "on")
