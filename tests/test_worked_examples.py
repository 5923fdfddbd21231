"""Published worked examples of uncertainty budgets and decision rules, to the digits printed there.

JCGM 100:2008 (GUM) 4.3.7 example 2 and 5.1.5, H.1, H.2; JCGM 106:2012, examples of 7.3 and 7.4; EA-4/02 S9.
"""

from __future__ import annotations

import math

import pytest

from analysis.finding import Outcome
from analysis.judge import COVERAGE, against_upper, exceeds, rectangular
from analysis.uncertainty import combined, conformance, of_mean
from drivers.accuracy import Accuracies, Line
from drivers.reading import Coupling, Quantity, Reading, Status

#: JCGM 100, table H.2: five simultaneous observations of V [V], I [A] and the phase [rad].
VOLTS = (5.007, 4.994, 5.005, 4.990, 4.999)
AMPERES = (19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3)
PHASE = (1.0456, 1.0438, 1.0468, 1.0428, 1.0433)


def test_gum_4_3_7_a_voltmeter_by_its_specification() -> None:
    """14 ppm of 0.928571 V + 2 ppm of 1 V: a = 15 µV, u = 8.7 µV; with 12 µV of type A, u_c = 15 µV."""
    line = Line(quantity=Quantity.VOLTAGE, of_reading=14e-6, of_range=2e-6)
    reading = Reading(elapsed=0, quantity=Quantity.VOLTAGE, coupling=Coupling.DC, unit="V", status=Status.OK,
                      value=0.928571, range=1.0)  # fmt: skip
    u = Accuracies([line]).u(reading)

    assert u is not None
    assert round(u * math.sqrt(3) * 1e6) == 15
    assert round(u * 1e6, 1) == 8.7
    assert round(combined([12e-6, u]) * 1e6) == 15


def test_gum_h_1_end_gauge() -> None:
    """25, 9.7, 2.9 and 16.6 nm: u_c = 32 nm."""
    assert round(combined([25.0, 9.7, 2.9, 16.6])) == 32


def means_and_correlations() -> tuple[list[float], list[float], list[tuple[int, int, float]]]:
    """Means, standard uncertainties of the means, and correlations of the five observations."""
    columns = (VOLTS, AMPERES, PHASE)
    means = [math.fsum(c) / len(c) for c in columns]
    u = [of_mean(c) for c in columns]
    r = []
    for i, j in ((0, 1), (0, 2), (1, 2)):
        pairs = zip(columns[i], columns[j], strict=True)
        covariance = math.fsum((a - means[i]) * (b - means[j]) for a, b in pairs) / (5 * 4)
        r.append((i, j, covariance / (u[i] * u[j])))
    return means, u, r


def test_gum_h_2_impedance_with_correlation() -> None:
    """R 127.732 (0.071), X 219.847 (0.295), Z 254.260 (0.236) Ω."""
    (v, i, phase), (uv, ui, up), r = means_and_correlations()
    resistance = v / i * math.cos(phase)
    reactance = v / i * math.sin(phase)
    of_r = [resistance / v * uv, -resistance / i * ui, -reactance * up]
    of_x = [reactance / v * uv, -reactance / i * ui, resistance * up]
    of_z = [uv / i, -v / i**2 * ui, 0.0]

    assert (round(resistance, 3), round(combined(of_r, r), 3)) == (127.732, 0.071)
    assert (round(reactance, 3), round(combined(of_x, r), 3)) == (219.847, 0.296)  # printed 0.295, from rounded inputs
    assert (round(v / i, 2), round(combined(of_z, r), 3)) == (254.26, 0.236)


def test_gum_h_2_without_correlation_is_the_trap() -> None:
    """Ignoring it gives u(R) 0.195, u(X) 0.201, u(Z) 0.204 Ω: table H.5."""
    (v, i, phase), (uv, ui, up), _ = means_and_correlations()
    resistance, reactance = v / i * math.cos(phase), v / i * math.sin(phase)

    assert combined([resistance / v * uv, resistance / i * ui, reactance * up]) == pytest.approx(0.195, abs=0.001)
    assert combined([reactance / v * uv, reactance / i * ui, resistance * up]) == pytest.approx(0.201, abs=0.001)
    assert combined([uv / i, v / i**2 * ui]) == pytest.approx(0.204, abs=0.001)


def test_ea_4_02_s9_a_hand_held_meter_at_a_hundred_volts() -> None:
    """Resolution 0.1 V (half 0.05 V), source 0.001 V, drift 0.011 V: u = 0.030 V; with k = 1.65, 0.05 V."""
    u = combined([rectangular(0.05), 0.001, rectangular(0.011)])

    assert round(u, 3) == 0.030
    assert round(1.65 * u, 2) == 0.05


@pytest.mark.parametrize(
    ("value", "u", "lower", "upper", "printed"),
    [
        (-5.47, 0.05, -math.inf, -5.40, 0.92),  # a Zener diode's breakdown, one-sided
        (13.6, 1.8, 12.5, 16.3, 0.66),  # an oil's viscosity, two-sided
    ],
)
def test_jcgm_106_conformance_probability(value: float, u: float, lower: float, upper: float, printed: float) -> None:
    assert round(conformance(value, u, lower=lower, upper=upper), 2) == printed


def test_jcgm_106_speed_limit() -> None:
    """Limit 100 km/h, u = 2 %, 99.9 % sure that it was exceeded: from 107 km/h on."""
    speed = next(s for s in range(100, 120) if conformance(s, 0.02 * s, upper=100.0) <= 0.001)

    assert speed == 107


@pytest.mark.parametrize(
    ("value", "of_reading", "digits", "count", "half", "u"),
    [(48.0, 0.008, 3, 0.1, 0.684, 0.395), (0.420e-3, 0.012, 5, 1e-6, 10.04e-6, 5.80e-6)],
)
def test_hand_vectors_of_an_accuracy_line(
    value: float, of_reading: float, digits: float, count: float, half: float, u: float
) -> None:
    """±(a % of reading + n digits), rectangular: by hand."""
    quantity, unit = (Quantity.VOLTAGE, "V") if value > 1 else (Quantity.CURRENT, "A")
    line = Line(quantity=quantity, of_reading=of_reading, digits=digits)
    got = Accuracies([line]).u(
        Reading(elapsed=0, quantity=quantity, coupling=Coupling.AC, unit=unit, status=Status.OK, value=value,
                resolution=count)
    )  # fmt: skip

    assert got == pytest.approx(u, rel=0.002)
    assert rectangular(half) == pytest.approx(u, rel=0.002)


@pytest.mark.parametrize(
    ("value", "outcome"),
    [
        (0.488e-3, Outcome.BELOW),  # acceptance limit 0.5 mA − 11.6 µA = 0.4884 mA
        (0.489e-3, Outcome.TOO_CLOSE),
        (0.511e-3, Outcome.TOO_CLOSE),
        (0.512e-3, Outcome.ABOVE),
    ],
)
def test_guarded_acceptance_against_half_a_milliampere(value: float, outcome: Outcome) -> None:
    """ILAC-G8:09/2019 with w = U = 11.6 µA."""
    expanded = COVERAGE * 5.80e-6

    assert against_upper(value, expanded, 0.5e-3) is outcome
    assert exceeds(value, expanded, 0.5e-3) is (outcome is not Outcome.BELOW)


def test_the_guard_band_of_one_u_leaves_two_and_a_half_percent_at_most() -> None:
    """ILAC-G8:09/2019: at the acceptance limit with w = U (k = 2) the false-accept risk is 2.3 %."""
    assert conformance(-2.0, 1.0, upper=0.0) == pytest.approx(0.977, abs=0.0005)
