"""Rectifier supplies against a circuit simulator's results, closed forms, plain time-stepping and the law of energy."""

from __future__ import annotations

import math
import random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.rectifier import Solution, solve, solve_many, sweep
from analysis.rectifier_circuit import (
    NO_LOAD,
    Circuit,
    Diode,
    ExponentialDiode,
    Load,
    PiecewiseDiode,
    Topology,
    constant_current,
    regulated,
    resistor,
)
from tests.rectifier_cases import circuit, rows, stepped

ROWS = [pytest.param(row, id=f"{row['case']}-{row['diode']}") for row in rows()]


def supply(**changed: Any) -> Circuit:
    """A small bridge supply with something changed."""
    given_: dict[str, Any] = {
        "topology": Topology.BRIDGE, "emf": 10.8, "winding_resistance": 4.0, "reservoir": 1e-3, "frequency": 60.0,
        "load": constant_current(0.06),
    }  # fmt: skip
    return Circuit(**given_ | changed)


@pytest.mark.parametrize("row", ROWS)
def test_the_simulators_supplies_come_out_alike(row: dict[str, str]) -> None:
    """Rails, ripple and every kind of current reading, within a tenth of what is asked of the solver."""
    found = solve(circuit(row))

    assert _figures(found) == {
        name: pytest.approx(float(row[column]), rel=3e-4, abs=1e-6) for name, column in _columns(found).items()
    }


def _columns(found: Solution) -> dict[str, str]:
    rails = {"": "rail"} if len(found.rails) == 1 else {"": "rail", "negative ": "rail_neg"}
    of_rails = {
        f"{name}{figure}": f"{column}_{unit}"
        for name, column in rails.items()
        for figure, unit in (("mean", "mean_V"), ("min", "min_V"), ("max", "max_V"), ("ripple", "ripple_Vpp"))
    }
    return of_rails | {
        "rms": "isec_rms_A", "average": "isec_avg_abs_A", "meter": "isec_avg_meter_A", "peak": "isec_peak_A",
        "dc": "isec_dc_A", "source": "source_W", "terminal": "sec_terminal_Vrms", "diodes": "diode_W",
        "ac rms": "isec_rms_ac_A", "ac meter": "isec_avg_meter_ac_A", "VA": "source_VA",
        "loss": "winding_W", "load": "load_W",
    }  # fmt: skip


def _figures(found: Solution) -> dict[str, float]:
    figures = {
        "rms": found.secondary_rms, "average": found.secondary_average_rectified,
        "meter": found.average_responding_reading, "peak": found.secondary_peak,
        "dc": found.secondary_dc, "source": found.source_power,
        "terminal": found.terminal_rms, "diodes": found.diode_loss,
        "ac rms": found.ac_coupled_true_rms_reading, "ac meter": found.ac_coupled_average_reading,
        "VA": found.apparent_power, "loss": found.winding_loss, "load": found.load_power,
    }  # fmt: skip
    for rail in found.rails:
        name = "negative " if rail.name == "negative" else ""
        figures |= {
            f"{name}mean": rail.mean, f"{name}min": rail.lowest, f"{name}max": rail.highest,
            f"{name}ripple": rail.ripple_pp,
        }  # fmt: skip
    return figures


DIODES: tuple[Diode, ...] = (PiecewiseDiode(), ExponentialDiode(), PiecewiseDiode(0.3, 0.0))
LOADS = st.one_of(
    st.just(NO_LOAD),
    st.floats(-2, 6).map(lambda x: resistor(10**x)),
    st.floats(-6, 1).map(lambda x: constant_current(10**x)),
    st.tuples(st.floats(-5, 0.5), st.floats(0.3, 30)).map(lambda x: regulated(10 ** x[0], x[1])),
)


@st.composite
def supplies(draw: st.DrawFn) -> Circuit:
    """Any supply one could wire up, starved and idle ones and absurd reservoirs included."""
    topology = draw(st.sampled_from(Topology))
    return Circuit(
        topology=topology,
        emf=draw(st.floats(2, 60)),
        winding_resistance=10 ** draw(st.floats(-1, 2)),
        reservoir=10 ** draw(st.floats(-7, 0)),
        frequency=draw(st.sampled_from((50.0, 60.0))),
        load=draw(LOADS),
        negative_load=draw(LOADS) if topology is Topology.DUAL_HALF_WAVE else None,
        diode=draw(st.sampled_from(DIODES)),
    )


@given(supplies())
@settings(deadline=None, max_examples=150)
def test_no_charge_is_lost_and_no_energy_made(wired: Circuit) -> None:
    """No steady current passes a capacitor, so the load current alone fixes the average-rectified winding current."""
    found = solve(wired)

    drawn = sum(rail.load_current for rail in found.rails)
    share = {Topology.CENTRE_TAP: 0.5, Topology.DOUBLER: 2.0}.get(wired.topology, 1.0)
    assert found.secondary_average_rectified == pytest.approx(share * drawn, rel=1e-4, abs=2e-7)
    assert found.secondary_rms >= found.secondary_average_rectified * (1 - 1e-9)
    assert found.secondary_peak >= found.secondary_rms * (1 - 1e-6)
    # The EMF gives no more than volts times amperes,
    assert found.source_power <= found.apparent_power * (1 + 1e-6)
    # and what it gives is used up: no diode gives back, and the piecewise one takes its drop and resistance exactly.
    assert found.diode_loss >= -1e-4 * found.source_power - 1e-6
    if isinstance(wired.diode, PiecewiseDiode):
        assert found.diode_loss == pytest.approx(_diode_heat(found), rel=2e-3, abs=1e-6 + 2e-4 * found.source_power)
    for rail in found.rails:
        assert -1e-6 <= rail.lowest <= rail.mean * (1 + 1e-9) + 1e-9
        assert rail.mean <= rail.highest * (1 + 1e-9) + 1e-9
        assert rail.highest <= math.sqrt(2) * wired.emf * (2 if wired.topology is Topology.DOUBLER else 1)


def _diode_heat(found: Solution) -> float:
    """Heat in piecewise diodes, from the mean and the rms of their current."""
    diode = found.circuit.diode
    assert isinstance(diode, PiecewiseDiode)
    paths = found.windings * found.circuit.diodes
    return paths * (diode.drop * found.secondary_average_rectified + diode.resistance * found.secondary_rms**2)


def _settling_supplies() -> list[Circuit]:
    """Random one-rail supplies whose time constants are short enough for plain time-stepping."""
    dice = random.Random(20)
    found = []
    for topology in (Topology.HALF_WAVE, Topology.CENTRE_TAP, Topology.BRIDGE, Topology.DOUBLER) * 2:
        load = resistor(dice.uniform(40, 150)) if dice.random() < 0.5 else constant_current(dice.uniform(0.05, 0.2))
        found.append(supply(
            topology=topology, emf=dice.uniform(6, 24), winding_resistance=dice.uniform(0.5, 8),
            reservoir=dice.uniform(1e-4, 4.7e-4), frequency=dice.choice((50.0, 60.0)), load=load,
        ))  # fmt: skip
    found.append(supply(topology=Topology.DOUBLER, load=resistor(5.0), reservoir=2e-4))  # starved
    found.append(supply(load=regulated(0.2, 9.0), reservoir=2.2e-4))  # the regulator drops out in each valley
    return found


@pytest.mark.parametrize("wired", _settling_supplies(), ids=lambda c: f"{c.topology}-{c.emf:.1f}V")
def test_plain_time_stepping_settles_to_the_same(wired: Circuit) -> None:
    slow = stepped(wired, cycles=16, steps=10_000)

    found = solve(wired)

    assert found.rails[0].mean == pytest.approx(slow["mean"], rel=1e-3)
    assert found.rails[0].ripple_pp == pytest.approx(slow["ripple"], rel=4e-3, abs=2e-3)
    assert found.secondary_rms == pytest.approx(slow["rms"], rel=2e-3)
    assert found.secondary_average_rectified == pytest.approx(slow["average"], rel=2e-3)
    assert found.secondary_peak == pytest.approx(slow["peak"], rel=2e-3)


@pytest.mark.parametrize(
    ("topology", "factors"),
    [  # I_sec(rms) over I_dc for Rs/RL = 1, 2, 5, 10, 20 %: closed form for ideal diodes and an endless reservoir,
        # tan a − a = π/2 Rs/RL (full-wave), π Rs/RL (half-wave)
        (Topology.BRIDGE, (2.31, 2.07, 1.79, 1.62, 1.48)),
        (Topology.CENTRE_TAP, (1.63, 1.46, 1.27, 1.15, 1.05)),
        (Topology.HALF_WAVE, (2.92, 2.62, 2.29, 2.09, 1.93)),
        (Topology.DOUBLER, (4.13, 3.71, 3.24, 2.96, 2.72)),
        (Topology.DUAL_HALF_WAVE, (4.13, 3.71, 3.24, 2.96, 2.72)),
    ],
)
def test_an_endless_reservoir_gives_the_closed_form(topology: Topology, factors: tuple[float, ...]) -> None:
    per_rail = 2 if topology is Topology.DOUBLER else 1
    wired = supply(topology=topology, reservoir=1.0, winding_resistance=1.0, diode=PiecewiseDiode(0.0, 1e-9))
    found = sweep(wired, [resistor(per_rail / ratio) for ratio in (0.01, 0.02, 0.05, 0.10, 0.20)])

    assert [s.secondary_rms / s.rails[0].load_current for s in found] == pytest.approx(factors, abs=0.006)


def test_a_bridge_meter_reads_1_11_times_the_load_whatever_the_true_rms() -> None:
    found = sweep(supply(), [constant_current(i) for i in (0.01, 0.05, 0.2)])

    assert [s.average_responding_reading for s in found] == pytest.approx([0.0111072, 0.055536, 0.222144], rel=1e-5)


def test_an_idle_rail_rests_at_the_peak_and_leaves_the_other_as_it_was() -> None:
    """Dual half-wave, one rail without load: the loaded rail is an ordinary half-wave supply with its dc."""
    both = solve(supply(topology=Topology.DUAL_HALF_WAVE, load=constant_current(0.05), negative_load=NO_LOAD))
    alone = solve(supply(topology=Topology.HALF_WAVE, load=constant_current(0.05)))

    assert both.rails[1].mean == pytest.approx(10.8 * math.sqrt(2) - 0.7)
    assert both.rails[1].ripple_pp == 0
    assert both.rails[0].mean == pytest.approx(alone.rails[0].mean)
    assert both.secondary_dc == pytest.approx(0.05, rel=1e-4)
    assert both.ac_coupled_average_reading == pytest.approx(alone.ac_coupled_average_reading)


def test_the_heavier_negative_rail_turns_the_winding_dc_round() -> None:
    heavy, light = constant_current(0.08), constant_current(0.02)
    one = solve(supply(topology=Topology.DUAL_HALF_WAVE, load=light, negative_load=heavy))
    other = solve(supply(topology=Topology.DUAL_HALF_WAVE, load=heavy, negative_load=light))

    assert one.secondary_dc == pytest.approx(-0.06, rel=1e-4) == -other.secondary_dc
    assert one.ac_coupled_average_reading == pytest.approx(other.ac_coupled_average_reading)
    assert one.rails[1].mean == pytest.approx(other.rails[0].mean)


@pytest.mark.parametrize("diode", [PiecewiseDiode(), ExponentialDiode()], ids=["piecewise", "exponential"])
@pytest.mark.parametrize("topology", Topology)
def test_a_sweep_agrees_with_single_supplies_and_never_rises_with_the_load(
    topology: Topology, diode: PiecewiseDiode | ExponentialDiode
) -> None:
    wired = supply(topology=topology, diode=diode)
    loads = [constant_current(0.001 * 1.15**k) for k in range(60)]

    found = sweep(wired, loads)

    means = [s.rails[0].mean for s in found]
    assert means == sorted(means, reverse=True)
    for k in (0, 20, 45, 59):
        single = solve(wired.loaded(loads[k]))
        assert found[k].rails[0].mean == pytest.approx(single.rails[0].mean, rel=2e-4)
        assert found[k].secondary_rms == pytest.approx(single.secondary_rms, rel=1e-3)
        assert found[k].rails[0].ripple_pp == pytest.approx(single.rails[0].ripple_pp, rel=4e-3, abs=1e-3)


def test_mixed_supplies_come_back_in_their_order() -> None:
    wired = [supply(topology=t, frequency=f) for t in Topology for f in (50.0, 60.0)]

    found = solve_many(wired)

    assert [s.circuit for s in found] == wired
    assert found[3].rails[0].mean == pytest.approx(solve(wired[3]).rails[0].mean, rel=1e-4)


def test_a_winding_too_weak_for_the_diodes_makes_no_rail() -> None:
    with pytest.raises(ValueError, match=r"no rail: a peak of 0\.707 V does not overcome 1\.4 V"):
        supply(emf=0.5)


@pytest.mark.parametrize(
    "wrong",
    [{"emf": 0.0}, {"emf": -9.0}, {"winding_resistance": -1.0}, {"reservoir": 0.0}, {"frequency": math.nan},
     {"reservoir": math.inf}, {"negative_load": NO_LOAD}, {"winding_resistance": 0.0, "diode": PiecewiseDiode(0.7, 0)}],
    ids=str,
)  # fmt: skip
def test_a_supply_that_cannot_exist_is_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"expected|cannot|no negative rail|endless"):
        supply(**wrong)


@pytest.mark.parametrize("wrong", [-1.0, math.nan, math.inf])
def test_a_load_that_cannot_exist_is_refused(wrong: float) -> None:
    with pytest.raises(ValueError, match="expected"):
        constant_current(wrong)
    with pytest.raises(ValueError, match="expected"):
        Load(wrong, wrong)
    with pytest.raises(ValueError, match="expected more than zero"):
        resistor(-abs(wrong))
