"""Back from an ammeter's reading to the load, and from volts to the winding's resistance."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.rectifier import solve
from analysis.rectifier_circuit import (
    NO_LOAD,
    Circuit,
    ExponentialDiode,
    Load,
    PiecewiseDiode,
    Topology,
    constant_current,
    regulated,
    resistor,
)
from analysis.rectifier_inverse import (
    Ammeter,
    Response,
    dc_from_average,
    fit_winding,
    load_from_reading,
    resistive_winding,
    scaled,
    true_rms_factor,
)
from tests.rectifier_cases import circuit, rows

COLUMNS = {
    (Response.AVERAGE, False): "isec_avg_meter_A", (Response.AVERAGE, True): "isec_avg_meter_ac_A",
    (Response.TRUE_RMS, False): "isec_rms_A", (Response.TRUE_RMS, True): "isec_rms_ac_A",
}  # fmt: skip
METERS = [pytest.param(r, a, id=f"{r}-{'ac' if a else 'acdc'}") for r, a in COLUMNS]
ROWS = [pytest.param(row, id=f"{row['case']}-{row['diode']}") for row in rows()]
LAYOUT = Circuit(
    topology=Topology.BRIDGE, emf=10.8, winding_resistance=4.0, reservoir=1e-3, frequency=60.0,
    load=constant_current(0.06),
)  # fmt: skip


@pytest.mark.parametrize(("response", "ac_coupled"), METERS)
@pytest.mark.parametrize("row", ROWS)
def test_the_simulators_reading_leads_back_to_its_load(
    row: dict[str, str], response: Response, ac_coupled: bool
) -> None:
    """From one reading of the table to the load current and the other readings; the load is unknown beforehand."""
    unknown = scaled(circuit(row), 0.37)

    found = load_from_reading(unknown, float(row[COLUMNS[response, ac_coupled]]), Ammeter(response, ac_coupled))

    assert found.rails[0].load_current == pytest.approx(float(row["load_mean_A"]), rel=2e-3)
    assert found.secondary_rms == pytest.approx(float(row["isec_rms_A"]), rel=2e-3)
    assert found.average_responding_reading == pytest.approx(float(row["isec_avg_meter_A"]), rel=2e-3)


def test_a_dc_coupled_average_needs_no_circuit() -> None:
    """The mean of |i| is fixed by the load current alone; 1.110721 is the form factor of a sine."""
    for row in rows():
        topology = circuit(row).topology
        drawn = float(row["load_mean_A"]) + float(row["load_neg_mean_A"] or 0)
        assert dc_from_average(topology, float(row["isec_avg_meter_A"])) == pytest.approx(drawn, rel=1e-4)


def test_an_average_responding_meter_reads_a_bridge_a_third_low() -> None:
    """−31 % at Rs/RL = 10 %, ideal diodes and an endless reservoir: form factor over the closed form k = 1.62."""
    wired = replace(LAYOUT, diode=PiecewiseDiode(0.0, 1e-9), winding_resistance=1.0, reservoir=1.0, load=resistor(10.0))
    factor = true_rms_factor(solve(wired), Ammeter(Response.AVERAGE, ac_coupled=False))

    assert 1 / factor == pytest.approx(1 - 0.31, abs=0.006)


def test_a_reading_beyond_the_winding_is_refused_with_what_it_can_drive() -> None:
    with pytest.raises(ValueError, match="cannot drive more than"):
        load_from_reading(LAYOUT, 9.0, Ammeter(Response.TRUE_RMS, ac_coupled=False))


@pytest.mark.parametrize("reading", [0.0, -0.1, math.nan, math.inf])
def test_a_reading_that_is_no_current_is_refused(reading: float) -> None:
    with pytest.raises(ValueError, match="expected more than zero"):
        load_from_reading(LAYOUT, reading, Ammeter(Response.AVERAGE, ac_coupled=True))


def test_an_idle_supply_cannot_be_scaled_to_a_reading() -> None:
    with pytest.raises(ValueError, match="kind of load"):
        load_from_reading(replace(LAYOUT, load=NO_LOAD), 0.1, Ammeter(Response.AVERAGE, ac_coupled=True))


@pytest.mark.parametrize("row", [pytest.param(r, id=f"{r['case']}-{r['diode']}") for r in rows()])
def test_the_simulators_volts_give_back_its_winding(row: dict[str, str]) -> None:
    """True-RMS volts of the loaded winding, and an average-responding ammeter that passes dc.

    The drop is a small difference of large figures, printed to six digits, so that its rounding is allowed for.
    """
    wired = circuit(row)
    on = float(row["sec_terminal_Vrms"])
    fit = fit_winding(
        wired, on, float(row["isec_avg_meter_A"]), Ammeter(Response.AVERAGE, ac_coupled=False),
        voltmeter=Response.TRUE_RMS, beyond_ammeter=True,
    )  # fmt: skip

    rounding = 1.0e-4 / (wired.emf - on)
    assert fit.resistance == pytest.approx(wired.winding_resistance, rel=5e-3 + rounding)
    # Volts over amperes, both true rms, come out too low: the drop falls on the pulse, not on the whole sine.
    assert (wired.emf - on) / float(row["isec_rms_A"]) < 0.9 * fit.resistance


@pytest.mark.parametrize("beyond", [True, False], ids=["at-the-board", "at-the-winding"])
@pytest.mark.parametrize("voltmeter", Response)
def test_the_ammeters_own_drop_is_not_the_windings(voltmeter: Response, beyond: bool) -> None:
    """A meter of 2 Ω in series with 4 Ω of winding; the volts are made by solving the whole 6 Ω."""
    whole = solve(replace(LAYOUT, winding_resistance=6.0))
    seen = whole if beyond else replace(whole, circuit=LAYOUT)
    on = seen.terminal_rms if voltmeter is Response.TRUE_RMS else seen.terminal_average_reading

    fit = fit_winding(
        LAYOUT, on, whole.secondary_rms, Ammeter(Response.TRUE_RMS, ac_coupled=True, resistance=2.0),
        voltmeter=voltmeter, beyond_ammeter=beyond,
    )  # fmt: skip

    assert fit.resistance == pytest.approx(4.0, rel=2e-3)
    assert fit.on_load.rails[0].load_current == pytest.approx(0.06, rel=2e-3)


def test_an_exponential_diode_is_fitted_as_well() -> None:
    whole = solve(replace(LAYOUT, diode=ExponentialDiode(), topology=Topology.DOUBLER))

    fit = fit_winding(
        whole.circuit, whole.terminal_rms, whole.average_responding_reading,
        Ammeter(Response.AVERAGE, ac_coupled=True), voltmeter=Response.TRUE_RMS, beyond_ammeter=True,
    )  # fmt: skip

    assert fit.resistance == pytest.approx(4.0, rel=2e-3)


def test_more_volts_on_load_than_off_is_refused() -> None:
    meter = Ammeter(Response.AVERAGE, ac_coupled=True)
    with pytest.raises(ValueError, match="less on load"):
        fit_winding(LAYOUT, 11.0, 0.1, meter, voltmeter=Response.TRUE_RMS, beyond_ammeter=True)
    with pytest.raises(ValueError, match="less on load"):
        resistive_winding(10.0, 10.0, 0.1)


def test_a_resistive_load_needs_only_ohms_law() -> None:
    """10.8 V falls to 10.2 V at 0.1 A: 6 Ω, of which the ammeter's own 1 Ω is taken off."""
    assert resistive_winding(10.8, 10.2, 0.1, ammeter_resistance=1.0) == pytest.approx(5.0)
    with pytest.raises(ValueError, match="own drop"):
        resistive_winding(10.8, 10.2, 0.1, ammeter_resistance=6.5)


@st.composite
def benches(draw: st.DrawFn) -> tuple[Circuit, Ammeter]:
    """A supply at up to half of its short-circuit current, and some ammeter in its secondary."""
    emf, resistance = draw(st.floats(4, 60)), 10 ** draw(st.floats(-0.7, 1.7))
    drawn = emf / resistance * 10 ** draw(st.floats(-3.5, -0.4))
    load = draw(st.sampled_from((constant_current(drawn), resistor(1.2 * emf / drawn), regulated(drawn, 0.6 * emf))))
    topology = draw(st.sampled_from(Topology))
    other = None
    if topology is Topology.DUAL_HALF_WAVE:
        other = draw(st.sampled_from((load, NO_LOAD, Load(load.current * 0.3, load.conductance * 0.3))))
    supply = Circuit(
        topology=topology, emf=emf, winding_resistance=resistance, reservoir=10 ** draw(st.floats(-4.5, -2)),
        frequency=draw(st.sampled_from((50.0, 60.0))), load=load, negative_load=other,
    )  # fmt: skip
    return supply, Ammeter(draw(st.sampled_from(Response)), draw(st.booleans()), draw(st.floats(0, 0.3)) * resistance)


@given(bench=benches(), off_by=st.floats(0.1, 10))
@settings(deadline=None, max_examples=60)
def test_any_reading_of_any_supply_leads_back_to_its_load(bench: tuple[Circuit, Ammeter], off_by: float) -> None:
    wired, ammeter = bench
    truth = solve(replace(wired, winding_resistance=wired.winding_resistance + ammeter.resistance))

    found = load_from_reading(scaled(wired, off_by), ammeter.reads(truth), ammeter)

    assert found.rails[0].load_current == pytest.approx(truth.rails[0].load_current, rel=1e-3)
    assert found.secondary_rms == pytest.approx(truth.secondary_rms, rel=1e-3)


def test_an_ammeter_as_a_session_describes_it() -> None:
    """0.3 V at 600 mA is half an ohm."""
    found = Ammeter.described("average", "ac", burden_voltage=0.3, full_scale=0.6)

    assert found == Ammeter(Response.AVERAGE, ac_coupled=True, resistance=0.5)
    assert Ammeter.described("true", "acdc") == Ammeter(Response.TRUE_RMS, ac_coupled=False)
    with pytest.raises(ValueError, match="expected true or average"):
        Ammeter.described("peak", "ac")
