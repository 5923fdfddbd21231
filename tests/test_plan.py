"""Plans: what is shipped can be walked, what is wrong is told in one line with file and key."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
import tomli_w
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.card import BurdenBox, RadioCard
from logger.agenda import Agenda, Item, Record
from logger.burdening import Burdening
from logger.moves import START
from logger.plan import Plan, PlanError, load_plan, read_plan, shipped

NAMES = list(shipped())
GOOD = """
schema = 1
name = "mine"
title = "Mine"
[[step]]
id = "one"
do = "Read {meter}."
quantity = "voltage"
coupling = "ac"
"""


def agenda(plan: Plan, **card: Any) -> Agenda:
    radio = RadioCard(schema=1, id="set-1", points=("chassis", "aerial"), nominal_mains="230 V", **card)
    return Agenda(plan, radio, BurdenBox(), {}, burdening=Burdening(card=radio))


def ids(made: Agenda) -> list[str]:
    return [item.id for item in made.items()]


def test_the_plans_of_the_job_are_shipped() -> None:
    assert set(NAMES) == {"chassis", "supply", "wiring", "level", "hand-over"}


@pytest.mark.parametrize("name", NAMES)
def test_every_shipped_plan_can_be_filled_in(name: str) -> None:
    made = agenda(load_plan(name))

    assert made.size > 0 and len(set(ids(made))) == made.size
    for item in made.items():
        assert item.do and "{" not in item.do + item.caution + item.missing and "(no " not in item.do
        assert not item.step.skip or item.missing


@pytest.mark.parametrize("name", NAMES)
def test_every_shipped_plan_defers_to_local_codes_and_licensed_practice(name: str) -> None:
    assert "Local codes and licensed practice come first." in load_plan(name).caution


def test_the_chassis_plan_goes_from_dead_to_live_and_covers_every_state() -> None:
    order = ids(agenda(load_plan("chassis")))

    assert order[:2] == ["ht", "ht-proved"] and order[-1] == "proof-again"
    assert order.index("pin-2-off") < order.index("proof-line") < order.index("contact-chassis")
    for point in ("chassis", "aerial"):
        states = [f"volts-{point}-{plug}-{switch}" for plug in "12" for switch in ("on", "off")]
        assert all(order.index(state) > order.index(f"contact-{point}") for state in states)


def test_a_set_without_a_switch_has_only_on_and_an_earthed_plug_has_its_pin_read() -> None:
    assert not [i for i in ids(agenda(load_plan("chassis"), switch="none")) if i.endswith("-off")]
    assert "earth-pin-on" in ids(agenda(load_plan("chassis"), plug="earthed"))
    assert "earth-pin-on" not in ids(agenda(load_plan("chassis"), plug="reversible"))


def test_the_wirings_alternate_three_times() -> None:
    tags = [item.tags["arrangement"] for item in agenda(load_plan("wiring")).items()]

    assert tags == ["A", "B"] * 3


def test_the_hand_over_repeats_the_chassis_plan_with_what_was_added() -> None:
    order = ids(agenda(load_plan("hand-over")))

    assert load_plan("hand-over").stage == "after-fit"
    assert {"volts-added-jack-2-off", "volts-module-shield-1-on", "volts-added-lead-1-on"} <= set(order)
    assert order[-3:] == ["mains-to-chassis", "barrier", "fuse"]


def test_the_next_item_is_the_first_that_is_not_done() -> None:
    made = agenda(read_plan(GOOD, "mine.toml"))
    record = Record()
    first = made.next(record, START)

    assert isinstance(first, Item) and first.id == "one" and first.do == "Read v."
    record.skipped.add("one")
    assert made.next(record, START) is None


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ('schema = 2', "schema"), ('name = 3', "name"), ('title = ""\nnonsense = 1', "nonsense"),
        ('[settle]\nwithin = "3 V"', "settle"), ('[settle]\nreadings = 0', "settle"),
        ('[moves.dance]\ndo = "x"', "moves.dance"), ('[moves.unplug]\ndo = "{nobody}"', "moves.unplug.do"),
        ('arrangements = ["A"]', "arrangements"), ('include = "nothing"', "include"),
    ],
)  # fmt: skip
def test_what_is_wrong_in_the_head_is_told_with_its_key(change: str, key: str) -> None:
    head = tomllib.loads(GOOD) | tomllib.loads(change)
    with pytest.raises(PlanError) as told:
        read_plan(tomli_w.dumps(head), "mine.toml")

    text = str(told.value)
    assert "mine.toml" in text and key in text and "\n" not in text


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"id": ""}, "id"), ({"quantity": "weight"}, "quantity"), ({"coupling": "xy"}, "coupling"),
        ({"do": "Read {secret}"}, "do"), ({"do": "Read {"}, "do"), ({"above": "3 A"}, "above"),
        ({"skip": True}, "missing"), ({"needs": "later"}, "needs"), ({"each": ["load"]}, "loads"),
        ({"repeats": 0}, "repeats"), ({"tags": {"point": "{x}"}}, "tags.point"), ({"wait": 3}, "wait"),
        ({"settle": {"counts": -1}}, "settle"), ({"refused": "Wait."}, "refused"),
        ({"below": "10 V", "refused": "{x}"}, "refused"),
    ],
)  # fmt: skip
def test_what_is_wrong_in_a_step_is_told_with_its_key(change: dict[str, Any], key: str) -> None:
    data = tomllib.loads(GOOD)
    data["step"][0] |= change
    with pytest.raises(PlanError) as told:
        read_plan(tomli_w.dumps(data), "mine.toml")

    text = str(told.value)
    assert "mine.toml" in text and "step[0]" in text and key in text and "\n" not in text


def test_a_file_that_is_not_there_and_a_name_that_is_unknown(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match="chassis, hand-over"):
        load_plan("chasis")
    with pytest.raises(PlanError, match=r"gone\.toml"):
        load_plan(str(tmp_path / "gone.toml"))


_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-5, 5) | st.text(max_size=8) | st.floats(allow_nan=False, width=16),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3), max_leaves=6,
)  # fmt: skip


def _without_none(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _without_none(v) for k, v in value.items() if v is not None}
    return [_without_none(v) for v in value if v is not None] if isinstance(value, list) else value


@settings(max_examples=200, deadline=None)
@given(data=st.data())
def test_a_spoiled_plan_is_read_or_refused_in_one_line(data: st.DataObject) -> None:
    plan = tomllib.loads(shipped()[data.draw(st.sampled_from(NAMES))])
    place = plan
    if plan.get("step") and data.draw(st.booleans()):
        place = data.draw(st.sampled_from(plan["step"]))
    key = data.draw(st.sampled_from([*place, "strange"]))
    place[key] = data.draw(_VALUES.filter(lambda v: v is not None))
    try:
        made = read_plan(tomli_w.dumps(_without_none(plan)), "mine.toml")
    except PlanError as exc:
        assert "mine.toml" in str(exc) and str(exc).isprintable()
    else:
        ids(agenda(made))


@settings(max_examples=100, deadline=None)
@given(st.text(max_size=60))
def test_any_text_is_no_plan_and_no_traceback(text: str) -> None:
    with pytest.raises(PlanError):
        read_plan(text, "mine.toml")
