"""Guided sittings on the practice bench, from the first prompt to the judgement, by scripted users.

What is expected is the scenario's truth, stated from its circuit by whoever wrote the scenario.
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import pytest

from analysis.finding import Finding, Level
from drivers.practice import meters_of, truth
from drivers.practice_scenario import shipped
from drivers.profile import load
from drivers.reading import Coupling, Quantity
from logger.acts import Key, Phase, View
from logger.redecoding import redecode
from logger.walking import FeedError, check_feed
from tests.practice_user import Session, willing


def findings(session: Session) -> dict[str, Finding]:
    return {finding.id: finding for finding in session.assess().findings}


def touch_levels(session: Session) -> set[Level]:
    return {f.level for name, f in findings(session).items() if name.startswith(("touch-", "chassis-kind"))}


@pytest.mark.parametrize("scenario", list(shipped()))
def test_the_chassis_plan_finds_what_is_true_of_the_set(scenario: str, tmp_path: Path) -> None:
    session = Session(tmp_path, scenario)
    session.run()

    told, found = truth(scenario), findings(session)
    assert {p: str(found[f"touch-voltage:{p}"].level) for p in told.levels} == dict(told.levels)
    assert found["chassis-kind"].extra["kind"] == told.chassis_kind and found["chassis-kind"].extra["pin"] == told.pin
    assert session.assess().fully_measured and not session.guided.guide.walker.missing  # type: ignore[union-attr]


def never_turns(view: View) -> Key | str | None:
    """Does all that is asked, but for turning the plug: there the user walks away."""
    if view.move is not None and view.move.kind.startswith("plug-2"):
        return "quit"
    return willing(view)


def skips_the_turn(view: View) -> Key | str | None:
    """Does all that is asked, but skips whatever wants the plug turned."""
    turn = view.move is not None and view.move.kind.startswith("plug-2")
    return Key.SKIP if turn else willing(view)


@pytest.mark.parametrize("user", [never_turns, skips_the_turn])
@pytest.mark.parametrize("scenario", ["transformer-230", "far-leg-230"])
def test_who_never_confirms_the_turn_of_the_plug_is_never_credited_with_it(
    user: Callable[[View], Key | str | None], scenario: str, tmp_path: Path
) -> None:
    session = Session(tmp_path, scenario)
    session.run(user)

    rows = (session.guided.sitting.writer.folder / "readings.csv").read_text("utf-8").splitlines()
    plug = rows[0].split(",").index("plug")
    assert not [row for row in rows[1:] if row.split(",")[plug] == "2"]
    assert Level.WITHIN not in touch_levels(session) and not session.assess().fully_measured
    assert any("plug 2" in text for text in session.assess().missing)


@pytest.mark.parametrize("hazard", ["dead_socket", "earth_clip_off", "probe_in_air"])
@pytest.mark.parametrize("scenario", ["transformer-230", "chassis-leg-120"])
def test_a_dead_socket_a_lifted_earth_clip_and_a_probe_in_the_air_give_no_within(
    hazard: str, scenario: str, tmp_path: Path
) -> None:
    session = Session(tmp_path, scenario)
    session.bench.do(hazard, value=True)
    session.run()

    assert Level.WITHIN not in touch_levels(session)


@pytest.mark.parametrize("hazard", ["dead_socket", "earth_clip_off"])
def test_what_fails_in_the_middle_is_found_by_the_second_proof(hazard: str, tmp_path: Path) -> None:
    session = Session(tmp_path, "transformer-230")

    def user(view: View) -> Key | str | None:
        if view.step.startswith("volts-chassis-1") and view.phase is Phase.READ:
            session.bench.do(hazard, value=True)
        return willing(view)

    session.run(user)

    assert Level.WITHIN not in touch_levels(session)
    assert any("the chain is not proved" in text for text in session.said)


def test_a_clip_that_comes_off_in_the_middle_is_found_when_its_contact_is_read_again(tmp_path: Path) -> None:
    session = Session(tmp_path, "transformer-230")

    def user(view: View) -> Key | str | None:
        if view.step == "volts-chassis-1-on" and view.phase is Phase.READ:
            session.bench.do("probe_in_air", value=True)
        return willing(view)

    session.run(user)

    found = findings(session)["touch-voltage:chassis"]
    assert found.level is Level.UNDECIDED and "seen not to touch chassis after" in found.statement
    assert findings(session)["chassis-kind"].extra["kind"] != "isolated"


def test_a_meter_turned_to_dc_at_its_own_panel_clears_no_live_chassis(tmp_path: Path) -> None:
    """A chassis on the line reads 0 V DC: under the name of AC it would be a false all-clear."""
    session = Session(tmp_path, "chassis-leg-120")
    turned = []

    def user(view: View) -> Key | str | None:
        if view.step.startswith("volts-chassis") and view.phase is Phase.READ and view.step not in turned:
            turned.append(view.step)
            session.bench.turn_knob("v", Quantity.VOLTAGE, Coupling.DC)
        return willing(view)

    session.run(user)

    events = (session.guided.sitting.writer.folder / "events.csv").read_text("utf-8")
    assert len(turned) == 4 and events.count("function-changed") == 4, events
    assert findings(session)["touch-voltage:chassis"].level is Level.DANGER
    assert findings(session)["chassis-kind"].extra["kind"] == truth("chassis-leg-120").chassis_kind


def test_a_tripped_device_is_evidence_of_danger(tmp_path: Path) -> None:
    """3.3 nF pass 0.24 mA, which is within; but a device that opened passed more than that."""
    session = Session(tmp_path, "line-capacitor-230")

    def user(view: View) -> Key | str | None:
        tripping = view.phase is Phase.READ and view.step.startswith("burden-chassis-1-off")
        return Key.TRIP if tripping else willing(view)

    session.run(user)

    chassis = findings(session)["touch-voltage:chassis"]
    assert chassis.level is Level.DANGER and "residual-current device" in chassis.statement


def test_the_supply_plan_takes_volts_and_amperes_at_every_load(tmp_path: Path) -> None:
    session = Session(tmp_path, "transformer-230", plan="supply")
    session.run()

    walker = session.guided.guide.walker
    assert walker is not None
    loads = {item for item in walker.record.taken if item.startswith(("amperes-", "volts-"))}
    assert loads == {f"{kind}-{load}" for kind in ("amperes", "volts") for load in
                     ("idle", "pairing", "playing", "loudest")}  # fmt: skip
    rows = (session.guided.sitting.writer.folder / "readings.csv").read_text("utf-8").splitlines()[1:]
    volts_of_i = [row for row in rows if ",i,voltage," in row and ",secondary," in row]
    assert not volts_of_i, "rows of one meter never carry the tags of another's step"


def test_decoded_again_the_rows_of_each_meter_keep_their_own_tags(tmp_path: Path) -> None:
    session = Session(tmp_path, "transformer-230", plan="supply", wire=True)
    session.run()
    folder = session.guided.sitting.writer.folder

    again = redecode(folder, {role: load(profile) for role, profile in meters_of("transformer-230").items()})

    def tagged(place: Path) -> list[list[str]]:
        rows = list(csv.reader((place / "readings.csv").read_text("utf-8").splitlines()))[1:]
        return [[row[1], row[2], *row[12:]] for row in rows if row[12]]

    assert tagged(again.folder) == tagged(folder) and len(tagged(folder)) > 50


def test_the_wiring_plan_takes_three_repeats_in_alternation(tmp_path: Path) -> None:
    session = Session(tmp_path, "transformer-230", plan="wiring")
    session.run()

    walker = session.guided.guide.walker
    assert walker is not None
    assert list(walker.record.taken) == [f"hum-{name}-{turn}" for turn in (1, 2, 3) for name in "AB"]


def test_fed_through_an_isolating_transformer_it_refuses_and_says_why() -> None:
    from logger.plan import load_plan

    with pytest.raises(FeedError) as told:
        check_feed(load_plan("chassis"), "isolating-transformer")

    assert "For work inside the set you want one" in str(told.value) and "collapses" in str(told.value)
    assert "undecided" in check_feed(load_plan("chassis"), "variac")
    assert check_feed(load_plan("supply"), "isolating-transformer") == ""
