"""The agenda: a plan's templates filled in for one radio, as a list of items; and which of them is next. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby

from analysis.card import BurdenBox, RadioCard, figure
from drivers.reading import Coupling, Quantity
from logger.burdening import Burdening, Choice, StateReadings
from logger.plan import Plan, PlanError, Step, bound_of, load_plan
from logger.settle import Settled, SettleRule

STATES = (("1", "on"), ("1", "off"), ("2", "off"), ("2", "on"))  #: in this order the switch is thrown least


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One thing to do, with where everything has to be for it."""

    id: str
    step: Step
    do: str
    role: str
    caution: str = ""
    tags: Mapping[str, str] = field(default_factory=dict)
    place: Mapping[str, str] = field(default_factory=dict)  #: where everything has to be
    rule: SettleRule = field(default_factory=SettleRule)
    above: float | None = None
    below: float | None = None
    refused: str = ""  #: what to do where the value lies beyond them
    needs: str = ""  #: id of another item
    missing: str = ""
    words: Mapping[str, str] = field(default_factory=dict)  #: for the sentences of the moves

    @property
    def function(self) -> tuple[Quantity, Coupling] | None:
        """What its meter must show; None: nothing is read."""
        return (self.step.quantity, self.step.coupling) if self.step.kind == "take" else None

    def accepts(self, quantity: Quantity, coupling: Coupling) -> bool:
        """Whether a meter shows what is asked for; AC with DC counts as AC, an unknown coupling as neither."""
        if quantity is not self.step.quantity:
            return quantity in self.step.also
        wanted = self.step.coupling
        return wanted is Coupling.NONE or coupling is wanted or (wanted, coupling) == (Coupling.AC, Coupling.ACDC)


@dataclass(frozen=True, slots=True)
class BurdenSlot:
    """A place in the agenda where burden readings of one point come, as far as they are needed."""

    step: Step
    point: str


@dataclass(slots=True)
class Record:
    """What was done so far."""

    taken: dict[str, Settled] = field(default_factory=dict)  #: by item
    done: set[str] = field(default_factory=set)  #: items without a value
    skipped: set[str] = field(default_factory=set)
    tripped: set[str] = field(default_factory=set)

    def settled(self, item: str) -> bool:
        """Whether an item needs no more doing."""
        return item in self.taken or item in self.done or item in self.skipped or item in self.tripped


class Agenda:
    """The items of one plan for one radio.

    Args:
        roles: role that a step names -> role of this sitting.
        typed: roles whose values are typed in: one typed value is a settled one.
        burdening: which resistors are asked for.
    Raises: PlanError: a bound cannot be read, or a step needs what the card lacks.
    """

    def __init__(
        self, plan: Plan, card: RadioCard, box: BurdenBox, roles: Mapping[str, str], *,
        typed: Sequence[str] = (), burdening: Burdening,
    ) -> None:  # fmt: skip
        self.plan, self.card, self.roles = plan, card, roles
        self._typed, self._burdening, self._box = frozenset(typed), burdening, box
        self._mains = figure(card.nominal_mains, "V")
        self._steps = steps_of(plan)
        self.points = tuple(dict.fromkeys((*card.points, *plan.points)))
        self.switches = ("on",) if card.switch == "none" else ("on", "off")
        self.states = tuple(state for state in STATES if state[1] in self.switches)
        self._slots: list[Item | BurdenSlot] = []
        for each, steps in groupby(self._steps, key=_block):
            self._slots += self._block(each, list(steps))
        self._chosen: dict[tuple[object, ...], Choice] = {}
        self.notes: dict[str, str] = {}  #: why no further burden is asked for, by point and state

    @property
    def size(self) -> int:
        """Items known beforehand; burden readings come on top."""
        return sum(isinstance(slot, Item) for slot in self._slots)

    @property
    def open_ended(self) -> bool:
        """Whether burden readings may come on top, as many as the volts turn out to need."""
        return any(isinstance(slot, BurdenSlot) for slot in self._slots)

    def left(self, record: Record) -> int:
        """Items still to be done, as far as that is known now: each state that wants a burden reading counts once."""
        known = sum(not record.settled(item.id) for item in self.items())
        slots = [slot for slot in self._slots if isinstance(slot, BurdenSlot)]
        return known + sum(self._wants_burden(slot, record, *state) for slot in slots for state in self.states)

    def _wants_burden(self, slot: BurdenSlot, record: Record, plug: str, switch: str) -> bool:
        state = f"{slot.point}-{plug}-{switch}"
        choice = self._choose(slot, state, record)
        if choice is None or choice.burden is None:
            return False
        return not record.settled(f"{slot.step.id}-{state}-{choice.burden.value}")

    def next(self, record: Record, place: Mapping[str, str]) -> Item | None:
        """The next item that is not done; None: the plan is through."""
        for slot in self._slots:
            if isinstance(slot, BurdenSlot):
                item = self._next_burden(slot, record, place)
                if item is not None:
                    return item
            elif not record.settled(slot.id):
                return slot
        return None

    def items(self) -> Iterator[Item]:
        """The items that are known beforehand."""
        return (slot for slot in self._slots if isinstance(slot, Item))

    # -- filling in

    def _block(self, each: str, steps: list[Step]) -> list[Item | BurdenSlot]:
        """Neighbouring steps for each point, arrangement or load are walked together, one point after the other."""
        if each == "point":
            return [slot for point in self.points for step in steps for slot in self._for_point(step, point)]
        if each == "arrangement":
            rounds = max(step.repeats for step in steps)
            return [
                self._item(step, {"arrangement": name}, suffix=f"{name}-{turn + 1}")
                for turn in range(rounds) for name in self.plan.arrangements for step in steps
            ]  # fmt: skip
        if each == "load":
            loads = steps[0].loads
            return [
                self._item(step, {"load": load}, suffix=load) for load in loads for step in steps if load in step.loads
            ]
        return [slot for step in steps for slot in self._plain(step)]

    def _for_point(self, step: Step, point: str) -> list[Item | BurdenSlot]:
        if "burden" in step.each:
            return [BurdenSlot(step, point)]
        if "state" in step.each:
            return [
                self._item(step, {"point": point, "plug": plug, "switch": switch}, suffix=f"{point}-{plug}-{switch}")
                for plug, switch in self.states
            ]
        return [self._item(step, {"point": point}, suffix=point)]

    def _plain(self, step: Step) -> list[Item]:
        if step.when == "earth-pin" and self.card.plug != "earthed":
            return []
        pins = ("1", "2") if "pin" in step.each else ("",)
        switches = self.switches if "switch" in step.each else ("",)
        made = []
        for index, pin in enumerate(pins):
            # The second pin begins with the switch as the first one left it.
            for switch in reversed(switches) if index % 2 else switches:
                words = {name: value for name, value in (("pin", pin), ("switch", switch)) if value}
                made.append(self._item(step, words, suffix="-".join(word for word in (pin, switch) if word)))
        if not step.each and step.repeats > 1:
            return [self._item(step, {}, suffix=str(turn + 1)) for turn in range(step.repeats)]
        return made

    def _item(self, step: Step, words: Mapping[str, str], *, suffix: str) -> Item:
        role = self.roles.get(step.meter, step.meter)
        said = {"meter": role, "mains": self.card.nominal_mains or "the mains", **words}
        if "load" in step.tags:
            said["load"] = _fill(step.tags["load"], said)
        rule = (step.settle or self.plan.settle).rule()
        if role in self._typed:
            rule = SettleRule(readings=1, fraction=rule.fraction, counts=rule.counts, wait=0.0)
        where = f"plan {self.plan.name}, step {step.id}"
        needs = f"{step.needs}-{words['point']}" if step.needs and "point" in words else step.needs
        return Item(
            id=f"{step.id}-{suffix}" if suffix else step.id, step=step, role=role, rule=rule,
            do=_fill(step.do, said), caution=_fill(step.caution, said),
            tags={name: _fill(value, said) for name, value in step.tags.items()}, place=_place(step, said, role),
            above=bound_of(step.above, step.quantity, self._mains, where),
            below=bound_of(step.below, step.quantity, self._mains, where), refused=_fill(step.refused, said),
            needs=needs, missing=_fill(step.missing, said), words=said,
        )  # fmt: skip

    # -- burden readings

    def _next_burden(self, slot: BurdenSlot, record: Record, place: Mapping[str, str]) -> Item | None:
        """The burden reading that is asked for next, the one first that needs the fewest moves."""
        wanted: list[tuple[tuple[bool, bool, float], Item]] = []
        for plug, switch in self.states:
            state = f"{slot.point}-{plug}-{switch}"
            choice = self._choose(slot, state, record)
            if choice is None:
                continue
            self.notes[state] = choice.why
            if choice.burden is None:
                continue
            item = self._burden_item(slot, plug, switch, choice)
            if not record.settled(item.id):
                moves = (place.get("burden") != choice.burden.value, place.get("plug") != plug, -choice.burden.ohms)
                wanted.append((moves, item))
        return min(wanted, key=lambda pair: pair[0], default=(None, None))[1]

    def _choose(self, slot: BurdenSlot, state: str, record: Record) -> Choice | None:
        alone = next((taken for item, taken in record.taken.items() if item == f"volts-{state}"), None)
        chain = f"{slot.step.id}-{state}-"
        ended = any(item.startswith(chain) for item in (*record.skipped, *record.tripped))
        if alone is None or ended or f"volts-{state}" in record.tripped:
            return None
        loaded = {
            item.removeprefix(chain): taken for item, taken in record.taken.items() if item.startswith(chain)
        }  # fmt: skip
        line = record.taken.get("proof-line")
        readings = StateReadings(alone=alone, loaded=loaded, mains=line.value if line is not None else None)
        key = (state, *(id(settled) for settled in (alone, *loaded.values())), readings.mains)
        if key not in self._chosen:
            self._chosen[key] = self._burdening.choose(readings, self._box)
        return self._chosen[key]

    def _burden_item(self, slot: BurdenSlot, plug: str, switch: str, choice: Choice) -> Item:
        assert choice.burden is not None
        words = {"point": slot.point, "plug": plug, "switch": switch, "burden": choice.burden.value,
                 "dissipation": choice.dissipation, "volts": choice.volts}  # fmt: skip
        return self._item(slot.step, words, suffix=f"{slot.point}-{plug}-{switch}-{choice.burden.value}")


def steps_of(plan: Plan) -> tuple[Step, ...]:
    """A plan's steps after those of the plan it includes. Raises: PlanError: a step's id is in both."""
    if not plan.include:
        return plan.step
    included = load_plan(plan.include)
    steps = (*steps_of(included), *plan.step)
    ids = [step.id for step in steps]
    twice = next((step for step in ids if ids.count(step) > 1), None)
    if twice is not None:
        raise PlanError(f"Step {twice!r} is in plan {plan.include!r} already.", f"Plan {plan.name}, key step.id.")
    return steps


def _block(step: Step) -> str:
    return next((kind for kind in ("point", "arrangement", "load") if kind in step.each), "")


def _fill(sentence: str, words: Mapping[str, str]) -> str:
    """A sentence with its words; a word that this step does not have is said as such."""
    return sentence.format_map(_Words(words)) if "{" in sentence or "}" in sentence else sentence


class _Words(dict[str, str]):
    def __missing__(self, name: str) -> str:
        return f"(no {name})"


def _place(step: Step, words: Mapping[str, str], role: str) -> dict[str, str]:
    """Where everything has to be for a step; what does not matter is not named."""
    load = "" if step.plug == "out" else words.get("load", "")  # a winding's `cold` and `hot` are nothing to be set
    place = {"plug": words.get("plug", step.plug), "switch": words.get("switch", ""), "socket": step.socket,
             "load": load, "arrangement": words.get("arrangement", ""),
             f"clip:{role}": _fill(step.clip, words), f"common:{role}": _fill(step.common, words)}  # fmt: skip
    place = {key: value for key, value in place.items() if value}
    if "state" in step.each or "burden" in step.each:
        place["burden"] = words.get("burden", "none")
    elif step.plug == "out" and step.kind == "take":
        place["burden"] = "none"
    return place


def filled(sentence: str, words: Mapping[str, str]) -> str:
    """A move's sentence with an item's words."""
    return _fill(sentence, words)
