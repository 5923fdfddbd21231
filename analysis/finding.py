"""Findings: judged statements with their evidence, limit, source and what is missing; and how levels combine."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any


class Level(StrEnum):
    """How a finding is judged. Nothing is ever called more than `within`."""

    DANGER = "danger"
    CAUTION = "caution"
    UNDECIDED = "undecided"
    WITHIN = "within"


#: Worst first.
ORDER = (Level.DANGER, Level.CAUTION, Level.UNDECIDED, Level.WITHIN)


def worst(levels: Iterable[Level]) -> Level:
    """The worst of some levels; of none at all, `undecided`, since nothing was shown."""
    return min(levels, key=ORDER.index, default=Level.UNDECIDED)


class Outcome(StrEnum):
    """A state's voltage as measured against its limit, without guard and scaling."""

    ABOVE = "above"
    BELOW = "below"
    TOO_CLOSE = "too-close"
    MISSING = "missing"


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """Where the rows are that a finding rests on (rows of readings.csv, first data row = 0)."""

    session: str
    rows: tuple[int, ...]
    take: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StateOutcome:
    """One plug x switch x coupling x burden state of a point, judged."""

    plug: str
    switch: str
    coupling: str
    burden: float | None  #: [Ω]; None: the meter alone
    value: float | None  #: as measured; None if missing or overload [V]
    expanded_uncertainty: float | None  #: U = 2u [V]
    loading_guard: float | None  #: what the reading is raised by for the meter's own loading [V]
    outcome: Outcome
    overload: bool = False
    # Where it was read; for a person who looks it up, and no part of the shape that leaves the program.
    session: str = ""
    rows: tuple[int, ...] = ()  #: of the session's readings.csv, first data row = 0
    take: int | None = None

    @property
    def compared(self) -> float | None:
        """What of the meter's own reading meets the limit: it, raised for the meter's loading, and U of that. [V]"""
        if self.value is None or self.burden is not None:
            return None
        size = abs(self.value)
        raised = 1 + (self.loading_guard or 0.0) / size if size else 1.0
        return (size + (self.expanded_uncertainty or 0.0)) * raised

    def to_json(self) -> dict[str, Any]:
        """The shape that leaves the program."""
        return {
            "plug": self.plug, "switch": self.switch, "coupling": self.coupling, "burden_ohm": self.burden,
            "value": self.value, "expanded_uncertainty": self.expanded_uncertainty,
            "loading_guard": self.loading_guard, "outcome": str(self.outcome), "overload": self.overload,
        }  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One judged statement."""

    id: str  #: kind, then what it is about: `touch-voltage:chassis`
    level: Level
    title: str
    statement: str  #: two or three sentences for a person
    value: float | None = None
    expanded_uncertainty: float | None = None
    unit: str | None = None  #: UCUM code
    limit: float | None = None
    limit_source: str = ""
    limit_changed_by_user: bool = False
    states: tuple[StateOutcome, ...] = ()
    evidence: tuple[Evidence, ...] = ()
    missing: tuple[str, ...] = ()
    advice: str = ""
    extra: dict[str, Any] = field(default_factory=dict)  #: further JSON keys of this kind, such as `kind` and `pin`

    def to_json(self) -> dict[str, Any]:
        """The shape that leaves the program; `extra` keys stand beside the others."""
        return {
            "id": self.id, "level": str(self.level), "title": self.title, "statement": self.statement,
            "value": self.value, "expanded_uncertainty": self.expanded_uncertainty, "unit": self.unit,
            "limit": self.limit, "limit_source": self.limit_source or None,
            "limit_changed_by_user": self.limit_changed_by_user,
            "states": [state.to_json() for state in self.states],
            "evidence": [{"session": e.session, "rows": list(e.rows), "take": e.take} for e in self.evidence],
            "missing": list(self.missing), "advice": self.advice, **self.extra,
        }  # fmt: skip
