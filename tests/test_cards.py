"""Radio cards and the burden box: what is wrong is told in one line with file and key, whatever was written."""

from __future__ import annotations

from pathlib import Path

import pytest
import tomli_w
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.card import RESERVED, CardError, read_burdens, read_card
from logger.cli import run

GOOD = """
schema = 1
id = "set-5"
name = "Set 5"
nominal_mains = "120 V"
frequency = "60 Hz"
plug = "reversible"
points = ["chassis", "aerial"]
[limits]
touch_voltage_ac = "25 V"
[transformer]
secondary = "9 V"
[board]
reservoir = "1000 uF"
"""


def test_a_good_card_says_what_was_written() -> None:
    card = read_card(GOOD, "card")

    assert (card.id, card.points, card.limits.own()) == ("set-5", ("chassis", "aerial"), {"touch_voltage_ac": 25.0})


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ('"120 V"', '"120"', "nominal_mains"),
        ('"120 V"', '"120 ohm"', "nominal_mains"),
        ('"60 Hz"', '"2 MHz"', "frequency"),
        ('"reversible"', '"round"', "plug"),
        ('"25 V"', '"-25 V"', "limits.touch_voltage_ac"),
        ('"25 V"', "25", "limits.touch_voltage_ac"),
        ('"9 V"', '"9 A"', "transformer.secondary"),
        ('"1000 uF"', '"a lot"', "board.reservoir"),
        ('"set-5"', '"../set-5"', "id"),
        ('["chassis", "aerial"]', '["chassis", "chassis"]', "points"),
        ("schema = 1", "schema = 2", "schema"),
        ('"aerial"', '"mains-line"', "points (points to probe)"),
        ('"aerial"', '"barrier"', "points"),
        ('"120 V"', '"230 kV"', "nominal_mains (mains it is made for)"),
        ('"120 V"', '"12 V"', "nominal_mains"),
        ("[board]", "[bord]", "bord"),
    ],
)
def test_what_is_wrong_names_file_and_key(old: str, new: str, key: str) -> None:
    with pytest.raises(CardError) as caught:
        read_card(GOOD.replace(old, new), "here/radio.toml")

    said = str(caught.value)
    assert "here/radio.toml" in said and key in said and len(said.splitlines()) == 1


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ('"reversible"', '"revers"', "one of 'reversible', 'polarised', 'earthed'; did you mean 'reversible'?"),
        ('"reversible"', '"round"', "one of 'reversible', 'polarised', 'earthed'."),
        ('secondary = "9 V"', 'arrangement = "serial"', "'single', 'parallel', 'series'; did you mean 'series'?"),
        ('secondary = "9 V"', 'insulation_class = "b"', "one of 'A', 'E', 'B', 'F', 'H'; did you mean 'B'?"),
        ('points = ["chassis", "aerial"]', "points = 3", "A list has to stand there, not a whole number."),
        ("schema = 1\n", "", "The key schema is missing."),
        ('"reversible"', '"round"', "'round' is no word for that."),
        ('"120 V"', '"230 kV"', "Write the volts that it is made for, 50 V to 500 V."),
        ('secondary = "9 V"', "volts = 9", "There is no key volts."),
        ('secondary = "9 V"', "volts = 9", "Keys there are primary, secondary, windings, arrangement, rating,"),
    ],
)
def test_what_could_stand_there_is_said(old: str, new: str, expected: str) -> None:
    with pytest.raises(CardError) as caught:
        read_card(GOOD.replace(old, new), "radio.toml")

    assert expected in str(caught.value)


@pytest.mark.parametrize(
    ("option", "said"),
    [
        (("--points", ""), "No point was named."),
        (("--points", " , "), "No point was named."),
        (("--points", "chassis,mains-line"), "'mains-line' is kept for another reading"),
        (("--points", "chassis,chassis"), "The new card, key points (points to probe). Name each point once."),
        (("--mains", "230 kV"), "'230 kV' is no mains voltage of a radio."),
        (("--mains", "117,5 V"), "Expected volts, such as '230 V', with a decimal point and no spaces."),
    ],
)
def test_a_new_card_that_could_not_be_judged_by_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], option: tuple[str, str], said: str
) -> None:
    assert run(["radio", "add", "set-9", *option, "--benchbook", str(tmp_path)]) == 2
    assert said in capsys.readouterr().err and not (tmp_path / "set-9").exists()


def test_the_words_of_the_plan_of_the_house_are_no_points() -> None:
    """design.md, table of reserved tags: everything but the points of touch."""
    assert {"mains-line", "mains-neutral", "mains", "pin-1-to-chassis", "pin-2-to-chassis", "earth-pin-to-chassis",
            "secondary", "rail-positive", "rail-negative", "winding-primary", "winding-secondary", "air", "speaker",
            "mains-to-chassis", "barrier", ""} == RESERVED  # fmt: skip


@pytest.mark.parametrize("tolerance", ["60 %", "-1 %", "1 ohm", "much"])
def test_a_burden_with_an_impossible_tolerance_is_refused(tolerance: str) -> None:
    with pytest.raises(CardError, match=r"burden\.tolerance"):
        read_burdens(f'[[burden]]\nvalue = "10 kohm"\ntolerance = "{tolerance}"\n', "burdens.toml")


values = st.recursive(
    st.text(max_size=12) | st.integers(-(2**40), 2**40) | st.floats(allow_nan=False) | st.booleans(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)
keys = st.sampled_from(
    ["schema", "id", "points", "name", "nominal_mains", "frequency", "plug", "switch", "supply", "limits",
     "transformer", "board", "heater_winding", "burden", "notes"]
) | st.text(max_size=8)  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(st.dictionaries(keys, values, max_size=6))
def test_any_table_is_a_card_or_one_line(table: dict[str, object]) -> None:
    text = tomli_w.dumps({"schema": 1, "id": "set-5", "points": ["chassis"], **table})
    for read in (read_card, read_burdens):
        try:
            read(text, "here.toml")
        except CardError as exc:
            assert "here.toml" in str(exc)


@settings(max_examples=300, deadline=None)
@given(st.integers(0, len(GOOD) - 1), st.integers(0, 30), st.text(max_size=6))
def test_a_spoiled_card_is_a_card_or_one_line(at: int, length: int, put: str) -> None:
    try:
        read_card(GOOD[:at] + put + GOOD[at + length :], "here.toml")
    except CardError as exc:
        assert "here.toml" in str(exc)
