"""What the guided plan says: each prompt can be done by hands, counts honestly, and gives an example that fits."""

from __future__ import annotations

import re

import pytest

from analysis.card import Burden, BurdenBox, RadioCard
from drivers.decode.typed import read
from drivers.reading import Coupling, Quantity, Reading
from logger.acts import Key, Phase
from logger.agenda import Agenda
from logger.burdening import Burdening
from logger.moves import typed_example
from logger.plan import load_plan
from logger.walker import Walker
from tests.walk_table import TWO_RAILS, Table, table, to_the_states


def prompts(plan: str) -> list[tuple[str, str, str]]:
    """A shipped plan walked by a meter that shows what is asked for: step, kind of move, words, in order."""
    made = table(plan_name=plan)
    seen: list[tuple[str, str, str]] = []
    for _ in range(400):
        view = made.walker.view
        if made.walker.done:
            return seen
        if not seen or seen[-1] != (view.step, made.move, view.do):
            seen.append((view.step, made.move, view.do))
        if view.phase is Phase.READ or made.at_knob:
            assert view.item is not None
            volts = 229.0 if made.step == "proof-line" else 1.0
            made.read(volts, 10, quantity=view.item.step.quantity, coupling=view.item.step.coupling)
        else:
            made.key(Key.GO)
    raise AssertionError(seen[-1])


def test_the_supply_plan_asks_for_nothing_that_hands_cannot_do() -> None:
    """No probe is clipped to the air, no winding is set to `cold`, and the board is taken off with the plug out."""
    seen = prompts("supply")
    words = [do for _, _, do in seen]

    assert not [do for do in words if "(no " in do or "on to the air" in do]
    loads = [(step, move) for step, move, _ in seen if move in ("load", "no-load")]
    assert loads == [("open", "no-load"), *((f"amperes-{load}", "load") for load in
                                            ("idle", "pairing", "playing", "loudest"))]  # fmt: skip
    moves = [move for step, move, _ in seen if step == "open"]
    assert moves.index("unplug") < moves.index("no-load") < moves.index("plug-in")


def test_the_step_counter_never_says_that_the_last_step_is_reached_before_it_is() -> None:
    """A stray 120 V on every state wants burden readings, which nobody can count beforehand."""
    box = BurdenBox(burden=(Burden(value="100 kohm", power="2 W", voltage="500 V"),
                            Burden(value="10 kohm", power="10 W", voltage="500 V")))  # fmt: skip
    made = table(box=box)
    to_the_states(made)
    counts, burdens = [made.walker.view.count], 0
    for _ in range(600):
        view = made.walker.view
        if made.walker.done:
            break
        if counts[-1] != view.count:
            counts.append(view.count)
        if made.step == "contact-after-chassis" and (made.at_knob or view.phase is Phase.READ):
            made.ohms(0.2)
        elif view.phase is Phase.READ or made.at_knob:
            burdens += view.phase is Phase.READ and made.step.startswith("burden")
            made.read(229.0 if made.step.startswith("proof") else 5.0 if "burden" in made.tags else 120.0, 5)
        else:
            made.key(Key.GO)
    assert made.walker.done and burdens >= 4
    shown = [re.fullmatch(r"step (\d+), about (\d+)", text) for text in counts]
    steps = [(int(found[1]), int(found[2])) for found in shown if found]
    assert len(steps) == len(counts) - 1 and all(step <= size for step, size in steps)
    assert [step for step, size in steps if step == size] == [steps[-1][0]]
    assert counts[-1] == made.walker.view.count == f"{steps[-1][0]} steps done"  # the plug is still to be pulled


def test_a_plan_without_burden_readings_knows_its_length() -> None:
    made = table(TWO_RAILS)
    assert made.walker.view.count == "step 1 of 3"
    made.read(12.0, 6, coupling=Coupling.DC)
    assert made.walker.view.count == "step 2 of 3"
    made.key(Key.BACK)
    assert made.walker.view.count == "step 1 of 3"


def test_what_pin_1_is_is_said_once() -> None:
    words = [do for _, _, do in prompts("chassis") if "stays pin 1" in do]

    assert len(words) == 1 and words[0].startswith("Mark one pin")


@pytest.mark.parametrize("quantity", list(Quantity))
@pytest.mark.parametrize("coupling", [Coupling.AC, Coupling.DC])
def test_the_example_that_a_prompt_gives_can_be_typed_so(quantity: Quantity, coupling: Coupling) -> None:
    for text in typed_example(quantity, coupling).split(", or "):
        got = read(text, 0.0, quantity=quantity, coupling=coupling)

        assert isinstance(got, Reading) and got.quantity is quantity
        assert got.coupling is (coupling if quantity in (Quantity.VOLTAGE, Quantity.CURRENT) else Coupling.NONE)


def test_a_prompt_for_a_typed_value_has_an_example_of_what_is_asked() -> None:
    plan = load_plan("supply")
    card = RadioCard(schema=1, id="set-1", points=("chassis",), nominal_mains="230 V")
    roles = {step.meter: "v" for step in plan.step}
    agenda = Agenda(plan, card, BurdenBox(), roles, typed=("v",), burdening=Burdening(card=card))
    made = Table(Walker(agenda, typed=("v",)))
    made.do(made.walker.start(0.0))
    hints: dict[str, str] = {}
    for _ in range(200):
        if made.walker.view.phase is Phase.READ:
            hints[made.step] = made.walker.view.hint
            made.key(Key.SKIP)
        else:
            made.key(Key.GO)
    assert "23.1 degC" in hints["air-cold"] and "kohm" in hints["primary-cold"] and "V ac" in hints["open"]
    assert "mA ac" in hints["amperes-idle"] and "V dc" in hints["rail-positive"]
