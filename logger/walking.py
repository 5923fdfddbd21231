"""A guided sitting put together: plan, card, meters, practice bench; refused where it could tell nothing."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import msgspec

from analysis.card import Burden, BurdenBox, RadioCard
from analysis.limits import touch_limits
from drivers.decode.tables import Scpi
from drivers.profile import load
from drivers.reading import BenchError, Coupling, Quantity
from drivers.scpi import WHICH_FUNCTION
from drivers.units import parse
from logger.agenda import Agenda, steps_of
from logger.bench import Bench
from logger.benchmeter import BenchMeter, MeterSpecError
from logger.burdening import Burdening
from logger.guide import Guide
from logger.plan import Plan, PlanError
from logger.radio import Benchbook
from logger.session import TAGS
from logger.sitting import Plan as Order
from logger.sitting import Sitting
from logger.walker import Walker

if TYPE_CHECKING:
    from logger.practicehands import PracticeHands

#: Resistors that lie on the practice bench.
PRACTICE_BOX = BurdenBox(
    burden=(
        Burden(value="1 Mohm", tolerance="1 %", power="0.5 W", voltage="350 V"),
        Burden(value="100 kohm", tolerance="1 %", power="2 W", voltage="500 V"),
        Burden(value="10 kohm", tolerance="1 %", power="10 W", voltage="500 V"),
        Burden(value="2 kohm", tolerance="1 %", power="25 W", voltage="500 V"),
    )
)
WHY_NOT_ISOLATED = (
    "Fed from an isolating transformer this plan would judge nothing. For work inside the set you want one: no part of "
    "the set is then tied to earth, and one hand on the chassis closes no circuit. This measurement asks what the "
    "socket at home does to whoever touches the set: behind the transformer every volt to earth collapses, and a live "
    "chassis reads like a dead one."
)


class FeedError(BenchError):
    """A radio that is fed so that the plan could tell nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Walk:
    """What a guided sitting was asked for."""

    radio: str
    plan: Plan
    meters: Sequence[BenchMeter]
    practice: str = ""
    fed_from: str = "mains"
    stage: str = ""
    name: str = ""
    wire: bool = True
    link_isolated: bool = False
    clock: Callable[[], float] | None = None


@dataclass(slots=True)
class Guided:
    """A guided sitting, ready to run."""

    sitting: Sitting
    bench: Bench
    guide: Guide
    warnings: list[str] = field(default_factory=list)


def check_feed(plan: Plan, fed_from: str) -> str:
    """A warning where the feed tells nothing. Raises: FeedError: an isolating transformer under a touch plan."""
    if not plan.touch or fed_from == "mains":
        return ""
    if fed_from == "isolating-transformer":
        raise FeedError(WHY_NOT_ISOLATED, remedy="Feed it straight from the socket, behind a residual-current device.")
    return (
        f"Fed from a {fed_from.replace('-', ' ')}, nothing of this will be judged: it does not isolate, and its volts "
        "are not those of the socket. Everything stays undecided."
    )


def practice_meters(scenario: str, plan: Plan) -> list[BenchMeter]:
    """The meters of a practice bench that a plan wants. Raises: PracticeError: there is no such scenario."""
    from urllib.parse import quote

    from drivers.practice import meters_of

    return [
        BenchMeter(role=role, profile=load(profile), port=f"practice://{quote(scenario)}?meter={quote(role)}")
        for role, profile in meters_of(scenario).items() if role in {step.meter for step in steps_of(plan)}
    ]  # fmt: skip


def practice_card(benchbook: Benchbook, radio: str, scenario: str) -> RadioCard:
    """The radio's card, made from the scenario where there is none. Raises: PracticeError, CardError."""
    if radio in benchbook.ids():
        return benchbook.card(radio)
    from drivers.practice_scenario import load as load_scenario

    card = load_scenario(scenario).radio
    made = {name: value for name, value in msgspec.to_builtins(card).items() if name != "points"}
    return benchbook.add({"id": radio, **made, "points": list(card.points), "notes": f"Practice scenario {scenario}."})


def roles_for(plan: Plan, meters: Sequence[BenchMeter]) -> dict[str, str]:
    """Which meter of the sitting serves each role that the plan names.

    A role that no meter has goes to the first meter; if there is a step that no meter may serve it can be skipped.
    """
    here = [meter.role for meter in meters if meter.role not in plan.typed] or [meter.role for meter in meters]
    wanted = dict.fromkeys(step.meter for step in steps_of(plan))
    return {role: role if role in {m.role for m in meters} else here[0] for role in wanted}


def extra_tags(plan: Plan) -> tuple[str, ...]:
    """Tags of the plan that are not among the usual ones."""
    return tuple(dict.fromkeys(tag for step in steps_of(plan) for tag in step.tags if tag not in TAGS))


def prepare(benchbook: Benchbook, walk: Walk) -> Guided:
    """Open everything for a guided sitting.

    Raises: FeedError, PlanError, MeterSpecError, PracticeError and all that `Sitting` raises; nothing is left behind.
    """
    plan, warning = walk.plan, check_feed(walk.plan, walk.fed_from)
    if walk.practice:
        card = practice_card(benchbook, walk.radio, walk.practice)
        plan = msgspec.structs.replace(plan, points=tuple(p for p in plan.points if p in _points_of(walk.practice)))
    else:
        card = benchbook.card(walk.radio)
    meters = [*(_watched(meter) if plan.touch else meter for meter in walk.meters), *_typed(plan, walk.meters)]
    box = PRACTICE_BOX if walk.practice and not benchbook.burdens().burden else benchbook.burdens()
    roles = roles_for(plan, meters)
    typed = [meter.role for meter in meters if meter.typed]
    serving = next((m for m in meters if m.role == roles.get("v")), meters[0])
    agenda = Agenda(plan, card, box, roles, typed=typed, burdening=_burdening(card, serving))
    if not card.points and plan.touch:
        raise PlanError("The card lists no point to probe.", f"Radio {card.id}.", "Add points to its card.")
    _load_judgement(plan)
    bench = Bench([meter.role for meter in meters], touch_limits(strict=card.limits.strict, own=card.limits.own()))
    order = Order(
        radio=walk.radio, meters=meters, extra_tags=extra_tags(plan), stage=walk.stage or plan.stage, plan=plan.name,
        fed_from=walk.fed_from, name=walk.name or plan.name, wire=walk.wire, link_isolated=walk.link_isolated,
        probes_chassis=plan.touch, clock=walk.clock,
    )  # fmt: skip
    sitting = Sitting(benchbook, order, listener=bench)
    bench.note = sitting.recorder.note
    guide = Guide(bench, Walker(agenda, typed=typed), _hands(walk.practice))
    return Guided(sitting, bench, guide, [warning] if warning else [])


def _points_of(scenario: str) -> Sequence[str]:
    from drivers.practice_scenario import load as load_scenario

    return load_scenario(scenario).radio.points


def _typed(plan: Plan, meters: Sequence[BenchMeter]) -> list[BenchMeter]:
    """Typed-in meters for the roles that a plan wants typed and nobody has."""
    here = {meter.role for meter in meters}
    return [BenchMeter(role=role, profile=load("typed"), port="") for role in plan.typed if role not in here]


def _watched(meter: BenchMeter) -> BenchMeter:
    """A meter that is asked after each reading whether it is still on the function that was set.

    Somebody may turn it to DC at its own panel: a live chassis then reads 0 V, under the name of the AC asked for.
    """
    table = meter.profile.decode
    if not isinstance(table, Scpi) or table.verify:
        return meter
    asked = msgspec.structs.replace(table, verify=WHICH_FUNCTION)
    return replace(meter, profile=msgspec.structs.replace(meter.profile, decode=asked))


def _burdening(card: RadioCard, meter: BenchMeter) -> Burdening:
    for entry in meter.profile.input:
        if entry.quantity == Quantity.VOLTAGE and entry.coupling in (Coupling.AC, Coupling.NONE):
            farads = parse(entry.capacitance, "F") if entry.capacitance else None
            return Burdening(card=card, input_resistance=parse(entry.resistance, "Ohm"), input_capacitance=farads)
    return Burdening(card=card)


def _load_judgement(plan: Plan) -> None:
    """What decides on burdens is loaded before the meters run: loading it would hold up their threads."""
    if plan.touch:
        import analysis.touch  # noqa: F401


def _hands(scenario: str) -> PracticeHands | None:
    if not scenario:
        return None
    from drivers.practice import bench_of
    from logger.practicehands import PracticeHands

    return PracticeHands(bench_of(scenario))


def meters_for(texts: Sequence[str], scenario: str, plan: Plan) -> list[BenchMeter]:
    """The meters that were named, or those of the practice bench. Raises: MeterSpecError, PracticeError."""
    from logger.benchmeter import meters_of

    if scenario and texts:
        raise MeterSpecError("A practice bench has its own meters.", remedy="Leave --meter or --practice out.")
    return practice_meters(scenario, plan) if scenario else meters_of(texts)


def declared_tags(tags: Mapping[str, str]) -> str:
    """Tags in force, for a line."""
    return "  ".join(f"{name}={value}" for name, value in tags.items() if value)
