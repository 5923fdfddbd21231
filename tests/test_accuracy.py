"""A data sheet's line and a reading give a standard uncertainty; expected values are worked by hand."""

from __future__ import annotations

import math
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.accuracy import Accuracies, Line
from drivers.decode.families import build
from drivers.decode.numbered import encode
from drivers.profile import Accuracy, Trust, load
from drivers.reading import Coupling, Quantity, Reading, Status

V, A = Quantity.VOLTAGE, Quantity.CURRENT
AC, DC, NONE = Coupling.AC, Coupling.DC, Coupling.NONE


def volts(value: float, count: float | None = 0.1, full: float | None = None, coupling: Coupling = AC) -> Reading:
    return Reading(elapsed=0.0, quantity=V, status=Status.OK, unit="V", value=value, coupling=coupling,
                   range=full, resolution=count)  # fmt: skip


def test_48_volts_on_tenths_with_08_percent_and_3_digits() -> None:
    """0.008 · 48.0 + 3 · 0.1 = 0.684 V, over √3 0.395 V."""
    u = Accuracies([Line(quantity=V, of_reading=0.008, digits=3)]).u(volts(48.0))

    assert u is not None and u == pytest.approx(0.684 / math.sqrt(3)) and round(u, 3) == 0.395


def test_420_microamperes_on_microamperes_with_12_percent_and_5_digits() -> None:
    """0.012 · 420 + 5 = 10.04 µA, over √3 5.80 µA."""
    reading = Reading(elapsed=0.0, quantity=A, status=Status.OK, unit="A", value=420e-6, coupling=AC, resolution=1e-6)
    u = Accuracies([Line(quantity=A, of_reading=0.012, digits=5)]).u(reading)

    assert u is not None and round(u * 1e6, 2) == 5.80


def test_the_voltmeter_of_the_guide() -> None:
    """JCGM 100:2008, 4.3.7 example 2: 14e-6 of the reading + 2e-6 of the 1 V range at 0.928571 V: 15 µV, u = 8.7 µV."""
    line = Line(quantity=V, range=1.0, of_reading=14e-6, of_range=2e-6)
    u = Accuracies([line]).u(volts(0.928571, count=None, full=1.0))

    assert u is not None and round(u * math.sqrt(3) * 1e6, 3) == 15.000 and round(u * 1e6, 3) == 8.660


def test_resolution_alone_is_a_line_of_half_a_digit() -> None:
    """EA-4/02 S9: a display of tenths stands for ±0.05 V, u = 0.0289 V."""
    u = Accuracies([Line(quantity=V, digits=0.5)]).u(volts(100.1))

    assert u is not None and round(u, 4) == 0.0289


def test_a_value_below_zero_counts_by_its_size() -> None:
    lines = Accuracies([Line(quantity=V, of_reading=0.01)])

    assert lines.u(volts(-230.0)) == lines.u(volts(230.0))


def test_the_line_for_the_coupling_and_range_goes_before_a_general_one() -> None:
    lines = Accuracies([
        Line(quantity=V, of_reading=0.05),
        Line(quantity=V, coupling=AC, of_reading=0.03),
        Line(quantity=V, coupling=AC, range=600.0, of_reading=0.02),
        Line(quantity=V, coupling=DC, of_reading=0.01),
    ])  # fmt: skip

    def slope(coupling: Coupling, full: float | None) -> float:
        found = lines.fit(V, coupling, full, 0.1)
        assert found is not None
        return round(found[0] * math.sqrt(3), 12)

    assert slope(AC, 600.0) == 0.02
    assert slope(AC, 599.9) == 0.02
    assert slope(AC, 60.0) == 0.03
    assert slope(DC, 600.0) == 0.01
    assert slope(Coupling.ACDC, 600.0) == 0.05


def test_without_a_line_that_applies_there_is_no_figure() -> None:
    only = Accuracies([Line(quantity=V, coupling=AC, range=6.0, of_reading=0.01, digits=3)])

    assert only.u(volts(100.0, full=600.0)) is None
    assert only.u(volts(5.0, coupling=DC, full=6.0)) is None
    assert only.fit(A, AC, 6.0, 0.001) is None
    assert Accuracies([Line(quantity=V, digits=3)]).u(volts(5.0, count=None)) is None
    assert Accuracies([Line(quantity=V, of_range=0.01)]).u(volts(5.0)) is None


def test_overload_has_no_uncertainty() -> None:
    over = Reading(elapsed=0.0, quantity=V, status=Status.OVERLOAD, unit="V", coupling=AC)

    assert Accuracies([Line(quantity=V, of_reading=0.01)]).u(over) is None


def test_where_the_range_or_the_coupling_is_unknown_the_widest_line_counts() -> None:
    """6 V: ±(1 % + 0.03 V), 600 V: ±(2 % + 3 V): at 5 V on an unknown range ±3.1 V."""
    lines = Accuracies([
        Line(quantity=V, coupling=AC, range=6.0, of_reading=0.01, digits=3, count=0.01),
        Line(quantity=V, coupling=AC, range=600.0, of_reading=0.02, digits=3, count=1.0),
    ])  # fmt: skip
    assert lines.u(volts(5.0, count=None)) == pytest.approx(3.1 / math.sqrt(3))

    both = Accuracies([Line(quantity=V, coupling=c, of_reading=x) for c, x in ((AC, 0.02), (DC, 0.01))])
    assert both.u(volts(100.0, coupling=NONE)) == pytest.approx(2.0 / math.sqrt(3))


@pytest.mark.parametrize(
    ("frequency", "slope"), [(None, 0.01), (50.0, 0.01), (400.0, 0.01), (1000.0, 0.03), (5000.0, None), (20.0, None)]
)
def test_the_frequency_chooses_the_band_and_unknown_is_the_mains(frequency: float | None, slope: float | None) -> None:
    lines = [
        Line(quantity=V, coupling=AC, of_reading=0.01, frequency_min=45.0, frequency_max=400.0),
        Line(quantity=V, coupling=AC, of_reading=0.03, frequency_min=400.1, frequency_max=2000.0),
    ]
    found = Accuracies(lines, frequency=frequency).fit(V, AC, None, 0.1)

    assert (found and round(found[0] * math.sqrt(3), 12)) == slope


@pytest.mark.parametrize(("ambient", "factor"), [(23.0, 1.0), (28.0, 1.0), (33.0, 1.5), (8.0, 2.0)])
def test_outside_its_temperatures_a_meter_is_wider(ambient: float, factor: float) -> None:
    """A tenth of the half width for each kelvin outside 18 to 28 °C."""
    lines = Accuracies([Line(quantity=V, of_reading=0.01)], Trust(temperature_adder=0.1), ambient=ambient)

    assert lines.u(volts(100.0)) == pytest.approx(factor / math.sqrt(3))


def test_an_old_calibration_widens_by_the_year() -> None:
    trust = Trust(calibrated="2020-01-01", calibration_interval_days=366, age_adder=0.2)

    def half(on: date) -> float:
        u = Accuracies([Line(quantity=V, of_reading=0.01)], trust, on=on).u(volts(100.0))
        assert u is not None
        return u * math.sqrt(3)

    assert half(date(2020, 6, 1)) == half(date(2021, 1, 1)) == pytest.approx(1.0)
    assert half(date(2026, 1, 1)) == pytest.approx(1.0 + 0.2 * 1826 / 365.25)


def test_readings_come_out_of_the_decoder_with_their_uncertainty() -> None:
    """The handheld's default on AC: 0.012 · 117.4 + 5 · 0.1 = 1.9088 V, over √3 1.102 V."""
    (found,) = build(load("numbered-lcd"))[1](encode("117.4", "V ac"), 0.0)

    assert isinstance(found, Reading) and found.u == pytest.approx(1.9088 / math.sqrt(3))


@pytest.mark.parametrize("ambient", [None, 40.0])
def test_the_decoder_and_the_direct_way_agree(ambient: float | None) -> None:
    profile = load("numbered-lcd")
    lines = Accuracies.of(profile, ambient=ambient)
    decode = build(profile, ambient=ambient)[1]
    for display, shows in (("12.34", "mV dc"), ("-1.234", "A ac"), ("470.0", "kohm"), ("50.00", "Hz"), ("3.3", "uF")):
        (found,) = decode(encode(display, shows), 0.0)
        assert isinstance(found, Reading) and found.u is not None and found.u == pytest.approx(lines.u(found))


@settings(max_examples=100, deadline=None)
@given(value=st.floats(-1000, 1000), of_reading=st.floats(0, 0.1), digits=st.floats(0, 50), of_range=st.floats(0, 0.1))
def test_every_line_is_the_rectangle_that_it_states(
    value: float, of_reading: float, digits: float, of_range: float
) -> None:
    line = Line(quantity=V, of_reading=of_reading, digits=digits, of_range=of_range)
    u = Accuracies([line]).u(volts(value, full=600.0))

    assert u == pytest.approx((of_reading * abs(value) + digits * 0.1 + of_range * 600.0) / math.sqrt(3), abs=1e-12)


def test_lines_of_a_profile_are_read_with_their_units() -> None:
    from drivers.accuracy import line_of

    line = line_of(Accuracy(quantity=A, coupling=AC, range="600 mA", of_reading=0.01, digits=3, resolution="100 uA",
                            frequency_min="45 Hz", frequency_max="1 kHz"))  # fmt: skip

    assert (line.range, line.count, line.frequency_min, line.frequency_max) == (0.6, 1e-4, 45.0, 1000.0)
