"""The guided plan without threads or ports: a bench of plain numbers, a scripted user, time handed in."""

from __future__ import annotations

from drivers.reading import Coupling, Quantity, Status
from logger.acts import Key, Measure, Phase
from tests.walk_table import TWO_RAILS, table, to_the_socket, to_the_states


def test_it_begins_with_the_plug_out() -> None:
    assert table().move == "unplug"


def test_the_plug_goes_in_only_when_the_meter_shows_ac_volts_and_out_before_its_knob_is_turned() -> None:
    made = table()
    to_the_states(made)
    seen: list[str] = []
    while made.walker.view.phase is Phase.MOVE and len(seen) < 9:
        seen.append(made.move)
        if made.at_knob:
            made.ohms(0.2, 3)
            assert made.at_knob, "ohms are not AC volts"
            made.read(0.0, 3, coupling=Coupling.DC)
            assert made.at_knob, "DC volts are not AC volts"
            made.read(0.0, 3)
        else:
            made.key(Key.GO)
    assert seen == ["common", "function", "plug-1"]  # the switch was left on
    assert made.walker.view.phase is Phase.READ

    made.ohms(0.2, 3)  # somebody turned the knob with the plug in
    assert made.move == "unplug" and made.said("AC volts are asked for. Not taken.")


def test_a_meter_that_falls_silent_does_not_let_the_plug_in() -> None:
    made = table()
    to_the_states(made)
    while not made.at_knob:
        made.key(Key.GO)
    made.read(0.0, 3)
    assert made.move == "plug-1"

    made.now += 10
    made.do(made.walker.tick(made.now))

    assert made.at_knob


def test_a_turn_of_the_plug_that_nobody_confirms_is_never_credited() -> None:
    """Zero volts before and after: the meter cannot see it."""
    made = table()
    to_the_states(made)
    for state in ("volts-chassis-1-on", "volts-chassis-1-off"):
        while made.walker.view.phase is not Phase.READ:
            made.read(0.5, 3) if made.at_knob else made.key(Key.GO)
        assert made.step == state
        made.read(0.5, 10)
    made.read(0.5, 100)

    assert made.move == "unplug" and made.step == "volts-chassis-2-off"
    assert not [take for take in made.events("take") if "-2-" in take["step"] and "volts" in take["step"]]
    assert made.tags == {}


def test_rows_before_the_key_belong_to_no_state() -> None:
    made = table()
    to_the_states(made)
    while made.move != "plug-1":
        made.read(0.0, 3) if made.at_knob else made.key(Key.GO)
    made.read(118.0, 20)  # it is in already, but that was not confirmed

    assert made.tags == {} and made.step == "volts-chassis-1-on"
    made.key(Key.GO)
    assert made.tags == {"point": "chassis", "plug": "1", "switch": "on", "step": "volts-chassis-1-on"}
    made.read(230.0, 10)
    assert made.events("take")[-1]["value"] == "230"


def test_readings_of_another_state_that_arrive_late_are_not_taken() -> None:
    made = table()
    to_the_states(made)
    while made.walker.view.phase is not Phase.READ:
        made.read(0.0, 3) if made.at_knob else made.key(Key.GO)
    armed, made.tags = made.tags, {"point": "chassis", "plug": "2", "switch": "on"}
    made.read(0.5, 20)
    assert made.step == "volts-chassis-1-on"
    made.tags = armed
    made.read(0.5, 10)
    assert made.step == "volts-chassis-1-off"


def test_a_stale_value_is_not_taken_for_the_next_step() -> None:
    made = table(TWO_RAILS)
    made.read(12.0, 1, coupling=Coupling.DC)
    made.read(12.0, 30, coupling=Coupling.DC)

    assert [take["step"] for take in made.events("take")] == ["plus"]
    assert made.walker.view.phase is Phase.RELEASE
    made.read(-12.1, 6, coupling=Coupling.DC)
    assert [take["value"] for take in made.events("take")] == ["12", "-12.1"]


def test_one_bad_frame_is_no_release() -> None:
    made = table(TWO_RAILS)
    made.read(12.0, 6, coupling=Coupling.DC)
    made.read(99.0, 1, coupling=Coupling.DC)
    made.read(12.0, 20, coupling=Coupling.DC)

    assert made.walker.view.phase is Phase.RELEASE


def test_a_key_releases_too_and_a_step_that_wants_it_waits_for_it() -> None:
    made = table(TWO_RAILS)
    made.read(12.0, 6, coupling=Coupling.DC)
    made.key(Key.GO)
    made.read(12.0, 6, coupling=Coupling.DC)
    assert [take["step"] for take in made.events("take")] == ["plus", "minus"]

    made.read(13.0, 20, coupling=Coupling.DC)
    assert made.move == "ready" and len(made.events("take")) == 2
    made.key(Key.GO)
    made.read(13.0, 6, coupling=Coupling.DC)
    assert [take["step"] for take in made.events("take")] == ["plus", "minus", "again"] and made.move == "unplug"


def test_back_keeps_the_superseded_take_and_marks_it() -> None:
    made = table(TWO_RAILS)
    made.read(12.0, 6, coupling=Coupling.DC)
    made.key(Key.BACK, Key.GO)
    made.read(11.0, 6, coupling=Coupling.DC)

    first, second = made.events("take")
    assert (first["id"], second["step"], second["supersedes"]) == ("1", "plus", "1")
    assert second["rows"] != first["rows"]


def test_a_step_that_may_not_be_skipped_says_so_and_one_that_may_says_what_is_missing() -> None:
    made = table(TWO_RAILS)
    made.read(5.0, 1, coupling=Coupling.DC)
    made.key(Key.SKIP)
    assert made.events("skip")[0]["missing"] == "plus" and made.walker.view.missing == ("plus",)
    made.key(Key.SKIP)
    assert made.said("cannot be skipped") and made.step == "minus"
    made.key(Key.BACK)
    assert made.step == "plus"
    assert not made.walker.view.missing


def test_an_overload_that_settles_is_taken_as_one() -> None:
    made = table(TWO_RAILS)
    made.read(None, 6, coupling=Coupling.DC)

    assert made.events("take")[0]["status"] == "overload" and made.events("take")[0]["value"] == ""


def test_a_held_display_is_said_and_not_taken() -> None:
    made = table(TWO_RAILS)
    made.read(12.0, 1, coupling=Coupling.DC)
    made.read(12.0, 20, coupling=Coupling.DC, status=Status.HELD)

    assert not made.events("take") and made.said("holds its display")


def test_a_dead_socket_is_not_taken_for_the_live_contact() -> None:
    made = table()
    to_the_socket(made)
    made.read(0.02, 30)

    assert made.step == "proof-line" and made.said("Not taken")
    made.read(229.0, 12)
    assert made.events("take")[-1]["step"] == "proof-line"


def test_a_charged_reservoir_sends_back_to_its_discharge_and_is_read_again() -> None:
    """250 V are no slip of the meter: the hands have to stay off until it is discharged and reads so."""
    made = table()
    made.settle_moves()
    made.read(250.0, 10, coupling=Coupling.DC)

    hint = made.walker.view.hint
    assert made.step == "ht-proved" and "keep off" in hint and "discharge it again" in hint and "skip" not in hint
    assert made.said("250.00 V DC: less than 10.00 V is expected here. Not taken. It is charged: keep off.")
    made.key(Key.BACK)
    assert made.step == "ht" and made.walker.view.do.startswith("Discharge the HT reservoir")
    made.read(3.0, 10, coupling=Coupling.DC)
    assert not made.events("take"), "what is read while it is being discharged proves nothing"
    made.key(Key.GO)
    made.read(250.0, 10, coupling=Coupling.DC)
    assert made.step == "ht-proved" and "keep off" in made.walker.view.hint
    made.read(3.0, 10, coupling=Coupling.DC)
    assert [take["step"] for take in made.events("take")] == ["ht-proved"]


def test_a_clip_without_contact_lets_no_state_of_the_point_be_read() -> None:
    made = table(points=("chassis", "aerial"))
    made.settle_moves()
    made.read(0.01, 10, coupling=Coupling.DC)
    while made.step != "contact-chassis":
        made.key(Key.SKIP)
    made.settle_moves()
    made.ohms(None, 30)
    assert made.step == "contact-chassis" and made.walker.view.hint.startswith("Not taken")

    made.key(Key.SKIP)
    assert made.step == "contact-aerial"
    assert "contact of the clip with chassis was not shown: all of its states" in made.walker.view.missing
    made.key(Key.BACK)
    assert made.step == "contact-chassis" and not [m for m in made.walker.view.missing if "chassis: plug" in m]


def test_a_trip_is_evidence_with_its_state_and_the_device_is_switched_on_with_the_plug_out() -> None:
    made = table()
    to_the_states(made)
    made.key(Key.TRIP)
    assert not made.events("trip"), "nothing was plugged in"
    while made.move != "plug-1":
        made.read(0.0, 3) if made.at_knob else made.key(Key.GO)
    made.key(Key.TRIP)  # it opened as the plug went in

    assert made.events("trip") == [
        {"step": "volts-chassis-1-on", "point": "chassis", "plug": "1", "switch": "on"}
    ]  # fmt: skip
    assert made.move == "unplug"
    made.key(Key.GO)
    assert made.move == "reset"
    made.key(Key.GO)
    assert made.step == "volts-chassis-1-off"


def test_a_plug_that_fits_one_way_only_is_turned_by_a_crossed_lead_with_a_warning() -> None:
    made = table(plug="polarised")
    to_the_states(made)
    seen = ""
    while made.step != "volts-chassis-2-on":
        if made.move.startswith("plug-2"):
            seen = made.walker.view.do + made.walker.view.caution
        if made.walker.view.phase is Phase.READ or made.at_knob:
            made.read(0.5, 10)
        else:
            made.key(Key.GO)
    assert "crossed test lead" in seen and "never leave it with the set" in seen


def test_a_meter_that_can_be_told_is_set_while_the_plug_is_out() -> None:
    made = table()
    to_the_states(made)
    orders = [(act.quantity, act.coupling) for act in made.acts if isinstance(act, Measure)]

    assert orders[:3] == [(Quantity.VOLTAGE, Coupling.DC), (Quantity.RESISTANCE, Coupling.NONE),
                          (Quantity.VOLTAGE, Coupling.AC)]  # fmt: skip


def test_the_whole_plan_ends_with_the_chain_proved_again_and_the_plug_out() -> None:
    made = table()
    to_the_states(made)
    for _ in range(400):
        if made.walker.done:
            break
        if made.step == "contact-after-chassis" and (made.at_knob or made.walker.view.phase is Phase.READ):
            made.ohms(0.2)
        elif made.walker.view.phase is Phase.READ or made.at_knob:
            made.read(229.0 if made.step.startswith("proof") else 0.5, 3)
        else:
            made.key(Key.GO)
    assert made.walker.done and made.walker.place["plug"] == "out" and not made.walker.view.missing
    assert made.events("take")[-1]["step"] == "proof-again" and made.tags == {}
