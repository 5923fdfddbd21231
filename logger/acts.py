"""What goes into the guided plan's state machine and what comes out of it: keys, acts, and the view of a screen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from drivers.reading import Coupling, Quantity
from logger.agenda import Item
from logger.moves import Move


class Key(StrEnum):
    """What a person can say."""

    GO = "go"  #: done as asked; the foot switch too
    BACK = "back"
    SKIP = "skip"
    TRIP = "trip"


class Phase(StrEnum):
    """What the plan waits for."""

    MOVE = "move"  #: something to be done, and the key
    CONFIRM = "confirm"  #: a step without a value, and the key
    TEXT = "text"  #: a line to be typed
    RELEASE = "release"  #: the value before to be let go of, or the key
    READ = "read"  #: the meter to hold still
    DONE = "done"


@dataclass(frozen=True, slots=True)
class SetTags:
    """Put these tags in force, all of them, for the rows of one meter; what the others read meanwhile is not this."""

    tags: Mapping[str, str]
    role: str = ""


@dataclass(frozen=True, slots=True)
class Note:
    """Write an event."""

    kind: str
    detail: Mapping[str, str]
    role: str = ""


@dataclass(frozen=True, slots=True)
class Measure:
    """Set a meter's function, where it can be told so."""

    role: str
    quantity: Quantity
    coupling: Coupling


@dataclass(frozen=True, slots=True)
class Say:
    """Tell the person; `beep` for a take."""

    text: str
    beep: bool = False


Act = SetTags | Note | Measure | Say


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """What a screen shows of the plan."""

    phase: Phase
    title: str
    step: str  #: id of the item
    do: str
    caution: str
    hint: str  #: what the plan waits for
    said: str  #: what was said last
    done: int
    size: int  #: done and still to be done
    about: bool  #: the size may grow, by burden readings
    takes: tuple[str, ...]  #: the last ones, newest last
    missing: tuple[str, ...]
    move: Move | None
    item: Item | None
    can_skip: bool

    @property
    def count(self) -> str:
        """Where the plan stands, for a person."""
        if self.item is None:
            return f"{self.done} steps done"
        return f"step {self.done + 1}, about {self.size}" if self.about else f"step {self.done + 1} of {self.size}"
