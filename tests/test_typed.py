"""Values that are typed: as they stand on a display, as the trade writes them, and what is asked back."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.decode import typed
from drivers.profile import load
from drivers.reading import Coupling, Quantity, Reading, Status
from logger.screen.plain import shown
from logger.typedmeter import TypedMeter

OVER = Status.OVERLOAD
AC, DC, NO = Coupling.AC, Coupling.DC, Coupling.NONE
V, A = Quantity.VOLTAGE, Quantity.CURRENT


def ok(text: str, **given_: Quantity | Coupling) -> tuple[Quantity, Coupling, Status, float | None, float | None]:
    found = typed.read(text, 0.0, quantity=given_.get("quantity"), coupling=given_.get("coupling"))  # type: ignore[arg-type]  # each key has its own type
    assert isinstance(found, Reading), found
    return found.quantity, found.coupling, found.status, found.value, found.resolution


def test_values_are_typed_as_they_stand_on_the_display() -> None:
    ohms = Quantity.RESISTANCE
    assert ok("117.4 V ac") == (V, AC, Status.OK, 117.4, 0.1)
    assert ok("117.4Vac") == (V, AC, Status.OK, 117.4, 0.1)
    assert ok("62.0 mA AC") == (A, AC, Status.OK, 0.062, 0.0001)
    assert ok("4.7 kohm") == (ohms, NO, Status.OK, 4700.0, 100.0)
    assert ok("470 Ω") == (ohms, NO, Status.OK, 470.0, 1.0)
    assert ok("-0.5 V dc") == (V, DC, Status.OK, -0.5, 0.1)
    assert ok("23.1 degC") == (Quantity.TEMPERATURE, NO, Status.OK, 23.1, 0.1)
    assert ok("1.2 V ac+dc") == (V, Coupling.ACDC, Status.OK, 1.2, 0.1)
    assert ok("0.56 V diode") == (Quantity.DIODE, NO, Status.OK, 0.56, 0.01)
    assert ok("12 %") == (Quantity.RATIO, NO, Status.OK, 12.0, 1.0)


def test_overload_is_typed_as_the_meter_shows_it() -> None:
    assert ok("OL V ac") == (V, AC, OVER, None, None)
    assert ok("O.L Mohm") == (Quantity.RESISTANCE, NO, OVER, None, None)
    assert ok("OL", quantity=V, coupling=AC) == (V, AC, OVER, None, None)


def test_an_expected_coupling_is_taken_and_a_missing_one_is_flagged() -> None:
    assert ok("117.4 V", quantity=V, coupling=AC)[1] is AC
    found = typed.read("117.4 V", 0.0)
    assert isinstance(found, Reading) and found.flags == ("no-coupling",)


@pytest.mark.parametrize(
    ("text", "asks"),
    [
        ("4.7 kohm", "a voltage was expected"),
        ("117.4 V dc", "dc was typed where ac was expected"),
        ("117.4", "Which unit"),
        ("hello", "is no value"),
        ("", "is no value"),
        ("117,4 V ac", "a decimal point, no spaces"),
        ("1 000 V ac", "a decimal point, no spaces"),
        ("1'000 V ac", "a decimal point, no spaces"),
        ("1.000.5 V ac", "a decimal point, no spaces"),
        ("-117.4 V ac", "a voltage ac has no sign"),
        ("-117.4 V", "a voltage ac has no sign"),
        ("62 MV ac", "would be millions"),
        ("10k", "a voltage was expected"),
        ("117.4 furlongs", "no unit that fits"),
        ("1e400 V ac", "beyond every meter"),
        ("1e999 V ac", "beyond every meter"),
        ("117.4 V ac or so", "no unit that fits"),
    ],
)
def test_what_cannot_be_meant_is_asked_back(text: str, asks: str) -> None:
    found = typed.read(text, 0.0, quantity=V, coupling=AC)

    assert isinstance(found, typed.Question) and asks in found.text and found.reading is None


@pytest.mark.parametrize(
    "text", ["-4.7 kohm", "-4R7", "-0.4 ohm continuity", "-10 nF", "-50 Hz", "-120 V ac", "+120 Vac", "-62 mA ac",
             "-1.2 V ac+dc"]
)  # fmt: skip
def test_what_has_no_sign_is_refused_with_one(text: str) -> None:
    found = typed.read(text, 0.0)

    assert isinstance(found, typed.Question) and found.reading is None and "has no sign" in found.text


def test_what_the_trade_writes_without_a_doubt_is_taken() -> None:
    """Small letters, AC joined to the unit, the sign of IEC 60417-5032; resistors by IEC 60062: 4k7 is 4.7 kΩ."""
    ohms = Quantity.RESISTANCE
    for text in ("12.5 vac", "12.5 VAC", "12.5vac", "12.5 V a.c.", "12.5 v AC", "12.5 V~", "12.5 Volts ac"):
        assert ok(text) == (V, AC, Status.OK, 12.5, 0.1)
    assert ok("12.5 mvdc") == (V, DC, Status.OK, 0.0125, 0.0001)
    assert ok("62.0 ma ac") == ok("62.0 m A ac") == (A, AC, Status.OK, 0.062, 0.0001)
    assert ok("62 ua dc") == (A, DC, Status.OK, 62e-6, 1e-6)
    assert ok("10k") == ok("10 k") == ok("10 k ohm") == ok("10 KOHM") == (ohms, NO, Status.OK, 10e3, 1e3)
    assert ok("4R") == (ohms, NO, Status.OK, 4.0, 1.0) and ok("4R7") == (ohms, NO, Status.OK, 4.7, 0.1)
    assert ok("4k7") == (ohms, NO, Status.OK, 4700.0, 100.0) and ok("2M2") == (ohms, NO, Status.OK, 2.2e6, 1e5)
    assert ok("10 meg") == ok("10M") == ok("10 Mohm") == (ohms, NO, Status.OK, 10e6, 1e6)
    assert ok("-0.5 vdc") == (V, DC, Status.OK, -0.5, 0.1)


def test_a_bare_overload_is_of_what_was_typed_before_it() -> None:
    lone = typed.read("OL", 0.0)
    assert isinstance(lone, typed.Question) and "'OL V ac'" in lone.text

    meter = TypedMeter("v", load("typed"), lambda: 0.0)
    assert "'OL V ac'" in meter.type("OL")
    for line in ("3 V ac", "OL", "4.7 kohm", "ol", "OL mA dc", "0L"):
        assert meter.type(line) == ""
    readings = meter.read().readings
    assert [shown(r) for r in readings if r.status is OVER] == ["overload V AC", "overload Ω", *["overload A DC"] * 2]
    told = [(r.quantity, r.coupling, r.status is OVER) for r in readings]
    assert told == [(V, AC, False), (V, AC, True), (Quantity.RESISTANCE, NO, False), (Quantity.RESISTANCE, NO, True),
                    (A, DC, True), (A, DC, True)]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "asked"), [("11.8 V ac", False), ("11.7 V ac", True), ("1175 V ac", True), ("0 V ac", False)]
)
def test_a_value_ten_times_away_from_the_last_one_is_asked_about(text: str, asked: bool) -> None:
    """A slipped point or prefix; zero is what a switch that opened gives."""
    found = typed.read(text, 0.0, last=117.4)

    assert isinstance(found, typed.Question) == asked
    if isinstance(found, typed.Question):
        assert found.reading is not None and found.reading.value == float(text.split()[0])
        assert "117.4 V" in found.text


@settings(max_examples=200, deadline=None)
@given(text=st.text(max_size=40))
def test_anything_typed_is_a_reading_or_a_question(text: str) -> None:
    assert isinstance(typed.read(text, 0.0, quantity=V), (Reading, typed.Question))
    assert isinstance(typed.read(f"12 {text}", 0.0, last=3.0), (Reading, typed.Question))
