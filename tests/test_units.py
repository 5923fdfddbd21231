"""Quantities as people write them, and values as people read them."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.units import UnitError, counted, parse, parse_fraction, same, show, show_pm

UNITS = ("V", "A", "Ohm", "F", "Hz", "W", "VA", "s")
WRITTEN = {"V": "V", "A": "A", "Ohm": "ohm", "F": "F", "Hz": "Hz", "W": "W", "VA": "VA", "s": "s"}


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("112 mA", "A", 0.112), ("4.7 kohm", "Ohm", 4700.0), ("4.7kΩ", "Ohm", 4700.0), ("1000uF", "F", 0.001),
        ("1000 µF", "F", 0.001), ("1000 μF", "F", 0.001), ("10 Mohm", "Ohm", 1e7), ("10 megohm", "Ohm", 1e7),
        ("230 V", "V", 230.0), ("-0.5V", "V", -0.5), ("3 VA", "VA", 3.0), ("21 degC", "Cel", 21.0),
        ("21 °C", "Cel", 21.0), ("60 K", "K", 60.0), ("30s", "s", 30.0), ("3 dB", "dB", 3.0), ("1 %", "%", 1.0),
        ("50 Hz", "Hz", 50.0), ("2 minutes", "s", 120.0), ("70 degF", "Cel", (70 - 32) / 1.8), ("1e-3 V", "V", 0.001),
        (".5 V", "V", 0.5), ("5. V", "V", 5.0),
    ],
)  # fmt: skip
def test_quantities_are_read_with_their_unit(text: str, unit: str, value: float) -> None:
    assert parse(text, unit) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "unit", "says"),
    [
        ("112", "A", "has no unit"), ("112 mV", "A", "is in V"),
        ("", "V", "not a quantity"), ("V", "V", "not a quantity"),
        ("1 2 V", "V", "is not a quantity"), ("nan V", "V", "not a quantity"), ("1e999 V", "V", "finite"),
        ("5 furlongs", "V", "cannot be read"), ("60 degC", "K", "is in Cel"), ("x" * 1000, "V", "not a quantity"),
    ],
)  # fmt: skip
def test_what_is_no_such_quantity_is_refused_with_what_was_expected(text: str, unit: str, says: str) -> None:
    with pytest.raises(UnitError) as caught:
        parse(text, unit)

    assert says in caught.value.what and caught.value.remedy.startswith("Expected")


def test_a_value_in_a_prefixed_unit_is_the_float_of_its_text() -> None:
    assert parse("112 mA", "A") == 0.112 and parse("117.4 mV", "V") == 0.1174


@settings(max_examples=200, deadline=None)
@given(
    count=st.integers(-99999, 99999),
    places=st.integers(0, 4),
    unit=st.sampled_from(UNITS),
    prefix=st.sampled_from([("p", -12), ("n", -9), ("u", -6), ("m", -3), ("", 0), ("k", 3), ("M", 6), ("G", 9)]),
)
def test_decimal_text_with_any_prefix_is_read_exactly(
    count: int, places: int, unit: str, prefix: tuple[str, int]
) -> None:
    text = f"{count / 10**places:.{places}f}"

    assert parse(f"{text} {prefix[0]}{WRITTEN[unit]}", unit) == float(f"{text}e{prefix[1]}")


@settings(max_examples=200, deadline=None)
@given(value=st.floats(1e-9, 9e9), unit=st.sampled_from(UNITS), minus=st.booleans())
def test_what_is_shown_reads_back_to_four_digits(value: float, unit: str, minus: bool) -> None:
    value = -value if minus else value

    assert parse(show(value, unit), unit) == pytest.approx(value, rel=5.1e-4)


@settings(max_examples=200, deadline=None)
@given(count=st.integers(-99999, 99999), exponent=st.integers(-7, 3), unit=st.sampled_from(UNITS))
def test_a_display_value_is_shown_to_its_count_and_no_further(count: int, exponent: int, unit: str) -> None:
    value, resolution = float(f"{count}e{exponent}"), float(f"1e{exponent}")
    text = show(value, unit, resolution)

    assert parse(text, unit) == pytest.approx(value, rel=1e-12, abs=resolution * 1e-6)


@pytest.mark.parametrize(
    ("value", "unit", "resolution", "text"),
    [
        (0.00112, "A", 1e-5, "1.12 mA"), (117.4, "V", 0.1, "117.4 V"),
        (0.0, "V", 0.001, "0 mV"), (-0.0, "V", None, "0 V"),
        (4700.0, "Ohm", None, "4.700 kΩ"), (21.0, "Cel", 0.1, "21.0 °C"), (999.96, "V", None, "1.000 kV"),
        (1000.0, "Hz", None, "1.000 kHz"), (0.001, "V", None, "1.000 mV"),
    ],
)  # fmt: skip
def test_values_are_shown_as_people_write_them(value: float, unit: str, resolution: float | None, text: str) -> None:
    assert show(value, unit, resolution) == text


@pytest.mark.parametrize(
    ("value", "expanded", "unit", "text"),
    [
        (117.4, 2.2, "V", "117.4 ± 2.2 V"), (0.00042, 1.16e-5, "A", "420 ± 12 µA"),
        (230.0, 0.0995, "V", "230.00 ± 0.10 V"),
        (230.0, None, "V", "230.0 V"), (0.0, 0.03, "V", "0 ± 30 mV"), (48.0, 0.79, "V", "48.00 ± 0.79 V"),
    ],
)  # fmt: skip
def test_an_uncertainty_has_two_digits_and_the_value_as_many(
    value: float, expanded: float | None, unit: str, text: str
) -> None:
    """JCGM 100:2008, 7.2.6."""
    assert show_pm(value, expanded, unit) == text


@settings(max_examples=200, deadline=None)
@given(value=st.floats(-1e8, 1e8), expanded=st.floats(1e-6, 1e6), unit=st.sampled_from(UNITS))
def test_value_and_uncertainty_read_back(value: float, expanded: float, unit: str) -> None:
    number, _, rest = show_pm(value, expanded, unit).partition(" ± ")
    figure, _, written = rest.partition(" ")

    assert parse(f"{figure} {written}", unit) == pytest.approx(expanded, rel=0.051)
    assert parse(f"{number} {written}", unit) == pytest.approx(value, abs=expanded * 0.06)


def test_equal_quantities_written_differently_are_equal() -> None:
    assert same("0.1 Mohm", "100 kohm", "Ohm") and not same("1 kohm", "1 Mohm", "Ohm")
    assert same("none", "none", "Ohm") and not same("none", "1 kohm", "Ohm")
    assert math.isclose(parse_fraction("1 %"), 0.01)
    with pytest.raises(UnitError, match="negative"):
        parse_fraction("-1 %")


def test_a_count_has_its_noun_in_the_right_number() -> None:
    assert [counted(n, "reading") for n in (0, 1, 2)] == ["0 readings", "1 reading", "2 readings"]
    assert counted(3, "more stretch") == "3 more stretches" and counted(12000, "reading", ",") == "12,000 readings"


@settings(max_examples=200, deadline=None)
@given(text=st.text(max_size=30), unit=st.sampled_from([*UNITS, "Cel", "K", "dB", "%"]))
def test_any_text_is_a_finite_quantity_or_refused(text: str, unit: str) -> None:
    for written in (text, f"1 {text}"):
        try:
            assert math.isfinite(parse(written, unit))
        except UnitError as exc:
            assert exc.what and exc.remedy
