"""A bench of plain numbers for the guided plan: no thread, no port, time handed in."""

from __future__ import annotations

from dataclasses import dataclass, field

from analysis.card import BurdenBox, RadioCard
from drivers.reading import UNITS, Coupling, Quantity, Reading, Status
from logger.acts import Act, Key, Note, Phase, Say, SetTags
from logger.agenda import Agenda
from logger.burdening import Burdening
from logger.plan import load_plan, read_plan
from logger.walker import Walker

TWO_RAILS = """
schema = 1
name = "rails"
title = "Two rails"
[settle]
readings = 3
wait = "0 s"
[[step]]
id = "plus"
do = "Plus."
quantity = "voltage"
coupling = "dc"
release = "reading"
tags = { point = "rail-positive" }
skip = true
missing = "plus"
[[step]]
id = "minus"
do = "Minus."
quantity = "voltage"
coupling = "dc"
release = "reading"
tags = { point = "rail-negative" }
[[step]]
id = "again"
do = "Minus once more, when told."
quantity = "voltage"
coupling = "dc"
confirm = true
tags = { point = "rail-negative" }
"""


@dataclass
class Table:
    """A walker with its time, rows and what came out of it."""

    walker: Walker
    now: float = 0.0
    row: int = 0
    tags: dict[str, str] = field(default_factory=dict)
    acts: list[Act] = field(default_factory=list)

    def do(self, acts: list[Act]) -> None:
        self.acts += acts
        for act in acts:
            if isinstance(act, SetTags):
                self.tags = dict(act.tags)

    def key(self, *keys: Key) -> None:
        for key in keys:
            self.do(self.walker.key(key, self.now))

    def read(self, value: float | None, times: int = 1, *, quantity: Quantity = Quantity.VOLTAGE,
             coupling: Coupling = Coupling.AC, status: Status | None = None) -> None:  # fmt: skip
        for _ in range(times):
            self.now += 0.3
            unit = UNITS[quantity]
            reading = Reading(
                elapsed=self.now, quantity=quantity, unit=unit, value=value, resolution=0.01,
                coupling=coupling if unit in ("V", "A") else Coupling.NONE,
                status=status or (Status.OVERLOAD if value is None else Status.OK),
            )  # fmt: skip
            self.do(self.walker.reading("v", reading, self.row, dict(self.tags), self.now))
            self.row += 1

    def ohms(self, value: float | None, times: int = 10) -> None:
        self.read(value, times, quantity=Quantity.RESISTANCE)

    def settle_moves(self) -> None:
        """Confirm whatever is asked, up to a reading or a knob."""
        while self.walker.view.phase in (Phase.MOVE, Phase.CONFIRM) and not self.at_knob:
            self.key(Key.GO)

    @property
    def at_knob(self) -> bool:
        move = self.walker.view.move
        return move is not None and move.kind == "function"

    @property
    def step(self) -> str:
        return self.walker.view.step

    @property
    def move(self) -> str:
        move = self.walker.view.move
        return move.kind if move is not None else ""

    def events(self, kind: str) -> list[dict[str, str]]:
        return [dict(act.detail) for act in self.acts if isinstance(act, Note) and act.kind == kind]

    def said(self, words: str) -> bool:
        return any(words in act.text for act in self.acts if isinstance(act, Say))


def table(
    text: str = "", *, plan_name: str = "chassis", points: tuple[str, ...] = ("chassis",), plug: str = "reversible",
    box: BurdenBox | None = None,
) -> Table:  # fmt: skip
    plan = read_plan(text, "mine.toml") if text else load_plan(plan_name)
    card = RadioCard(schema=1, id="set-1", points=points, nominal_mains="230 V", frequency="50 Hz", plug=plug)  # type: ignore[arg-type] # one of the card's words
    roles = {step.meter: "v" for step in plan.step}
    made = Table(Walker(Agenda(plan, card, box or BurdenBox(), roles, burdening=Burdening(card=card))))
    made.do(made.walker.start(0.0))
    return made


def to_the_socket(made: Table) -> None:
    """HT and pins on a set whose metal is on nothing: what comes next is the socket's live contact."""
    made.settle_moves()
    made.read(0.01, 10, coupling=Coupling.DC)
    for _ in range(4):
        made.settle_moves()
        made.ohms(None)
    made.settle_moves()


def to_the_states(made: Table) -> None:
    """To the socket and its proof, then contact: what comes next is way 1, switch on."""
    to_the_socket(made)
    made.read(229.0, 12)
    made.settle_moves()
    made.read(0.8, 12)
    made.settle_moves()
    assert made.step == "contact-chassis", made.walker.view
    made.ohms(0.2)
