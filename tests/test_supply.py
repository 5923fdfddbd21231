"""The auxiliary transformer, from readings of a bench whose truth is known."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from analysis.finding import Level
from analysis.rectifier import Solution, solve
from analysis.rectifier_circuit import Circuit, Topology, constant_current
from analysis.rectifier_inverse import Ammeter, Response
from analysis.supply import OnLoad, SupplyInput, Volts, supply_figures
from analysis.supply_findings import lowest_rail, rail_window_finding, supply_rating_finding
from analysis.supply_loads import LoadStatistics, load_statistics

AVERAGE_AC = Ammeter(Response.AVERAGE, ac_coupled=True)
TRUE_ACDC = Ammeter(Response.TRUE_RMS, ac_coupled=False)
#: The bench: a small transformer of 10.8 V and 4 Ω at 120 V mains, both rails from one winding, 60 mA each.
BENCH = Circuit(
    topology=Topology.DUAL_HALF_WAVE, emf=10.8, winding_resistance=4.0, reservoir=1e-3, frequency=60.0,
    load=constant_current(0.06),
)  # fmt: skip


def load(current: float, u: float = 0.0, name: str = "loudest") -> LoadStatistics:
    """A settled load."""
    return LoadStatistics(load=name, rows=10, settled=current, percentile_99=current, peak=current, u=u)


def bench(true: Circuit = BENCH, ammeter: Ammeter = AVERAGE_AC, u: float = 0.0, **changed: Any) -> SupplyInput:
    """What the meters show of a bench, and what its card says."""
    found = _under_the_meter(true, ammeter)
    known: dict[str, Any] = {
        "nominal_mains": 120.0, "frequency": true.frequency, "topology": true.topology, "reservoir": true.reservoir,
        "winding_volts": 9.0, "rating": 5.0, "loads": (load(0.02, name="idle"), load(ammeter.reads(found), u)),
        "ammeter": ammeter, "off_load": Volts(value=true.emf, u=u, mains=120.0),
        "on_load": OnLoad(
            volts=Volts(value=_terminal(found, true, ammeter), u=u, mains=120.0), current=ammeter.reads(found)
        ),
        "supply_min": 5.5, "supply_max": 18.0, "reservoir_rating": 25.0,
    }  # fmt: skip
    return SupplyInput(**known | changed)


def _under_the_meter(true: Circuit, ammeter: Ammeter) -> Solution:
    return solve(replace(true, winding_resistance=true.winding_resistance + ammeter.resistance))


def _terminal(found: Solution, true: Circuit, ammeter: Ammeter) -> float:
    """True-RMS volts beyond the ammeter."""
    assert found.circuit.winding_resistance == true.winding_resistance + ammeter.resistance
    return found.terminal_rms


def test_everything_comes_back_from_an_average_responding_meter() -> None:
    """The sizing by hand: true RMS from the bench itself, times 1.5, times the nameplate's 9 V."""
    truth = solve(BENCH)

    found = supply_figures(bench())

    assert found.winding_resistance == pytest.approx(4.0, rel=2e-3)
    assert found.true_rms_factor == pytest.approx(truth.secondary_rms / truth.ac_coupled_average_reading, rel=2e-3)
    assert found.required_secondary == pytest.approx(1.5 * truth.secondary_rms, rel=2e-3)
    assert found.required_rating == pytest.approx(9.0 * 1.5 * truth.secondary_rms, rel=2e-3)
    assert found.next_standard == 3.2  # 3.04 VA
    assert found.regulation == pytest.approx((10.8 - truth.terminal_rms) / truth.terminal_rms)
    assert found.winding_loss == pytest.approx(truth.winding_loss, rel=4e-3)


def test_the_rails_at_low_nominal_and_high_mains() -> None:
    """0.9 × with the largest load, 1 × with it, 1.1 × without: the last is √2 · 11.88 − 0.7 V by hand."""
    found = supply_figures(bench())

    low, nominal, high = found.at_mains
    assert [a.mains for a in found.at_mains] == pytest.approx([108.0, 120.0, 132.0])
    assert [a.load for a in found.at_mains] == ["loudest", "loudest", "none"]
    assert low.rails[0].lowest == pytest.approx(solve(replace(BENCH, emf=9.72)).rails[0].lowest, rel=1e-3)
    assert nominal.rails[1].mean == pytest.approx(solve(BENCH).rails[1].mean, rel=1e-3)
    assert high.rails[0].highest == pytest.approx(math.sqrt(2) * 11.88 - 0.7)
    assert high.secondary == pytest.approx(11.88)
    rail = lowest_rail(found)
    assert rail is not None and rail.lowest == low.rails[0].lowest


def test_readings_at_another_mains_are_brought_to_nominal() -> None:
    """Off load read at 126 V and on load at 117 V, on a nominal of 120 V."""
    at_117 = replace(BENCH, emf=10.8 * 117 / 120)
    shown = solve(at_117)

    found = supply_figures(bench(
        off_load=Volts(value=10.8 * 126 / 120, u=0.0, mains=126.0),
        on_load=OnLoad(volts=Volts(value=shown.terminal_rms, u=0.0, mains=117.0),
                       current=AVERAGE_AC.reads(shown)),
    ))  # fmt: skip

    assert found.off_load == pytest.approx(10.8)
    assert found.winding_resistance == pytest.approx(4.0, rel=2e-3)


@pytest.mark.parametrize("topology", Topology)
def test_a_burdening_ammeter_is_taken_out_again(topology: Topology) -> None:
    """An ammeter of 1.5 Ω lowers current and volts while it reads; the transformer alone is what is sized."""
    true = replace(BENCH, topology=topology)

    found = supply_figures(bench(true, Ammeter(Response.TRUE_RMS, ac_coupled=True, resistance=1.5)))

    assert found.winding_resistance == pytest.approx(4.0, rel=3e-3)
    assert found.at_mains[1].rails[0].mean == pytest.approx(solve(true).rails[0].mean, rel=2e-3)


def test_a_resistive_load_needs_no_rectifier() -> None:
    """10.8 V falls to 10.0 V at 0.2 A: 4 Ω."""
    on = OnLoad(volts=Volts(value=10.0, u=0.0), current=0.2, resistive=True)

    found = supply_figures(bench(ammeter=TRUE_ACDC, on_load=on, off_load=Volts(value=10.8, u=0.0)))

    assert found.winding_resistance == pytest.approx(4.0)
    assert any("taken as nominal" in reason for reason in found.missing)


def test_a_true_rms_meter_needs_no_circuit() -> None:
    """design × 1 × margin × volts, with nothing else known: 0.2 A · 1.5 · 9 V = 2.7 VA, so 2.8 VA."""
    found = supply_figures(SupplyInput(winding_volts=9.0, loads=(load(0.2),), ammeter=TRUE_ACDC))

    assert found.true_rms_factor == 1.0
    assert found.required_rating == pytest.approx(2.7)
    assert found.next_standard == 2.8
    assert found.at_mains == ()
    assert found.winding_resistance is None


def test_an_average_reading_without_volts_is_not_believed() -> None:
    """Uncorrected it would make the transformer too small, so that there is no figure, and a reason."""
    found = supply_figures(bench(on_load=None))

    assert found.true_rms_factor is None
    assert found.required_rating is None
    assert any("too small" in reason for reason in found.missing)
    assert supply_rating_finding(found).level is Level.UNDECIDED
    assert found.at_mains[0].load == "none"  # high mains needs only the volts off load


def test_series_and_parallel_windings_and_both_halves_of_a_centre_tap() -> None:
    two: dict[str, Any] = {"windings": 2, "winding_volts": 9.0, "loads": (load(0.1),), "ammeter": TRUE_ACDC}

    assert SupplyInput(**two, arrangement="series").rated_volts == 18.0
    assert SupplyInput(**two, arrangement="parallel").rated_volts == 9.0
    halves = SupplyInput(**two, arrangement="series", topology=Topology.CENTRE_TAP)
    assert halves.rated_volts == 9.0
    assert supply_figures(halves).required_rating == pytest.approx(2 * 9.0 * 0.1 * 1.5)


@pytest.mark.parametrize(
    ("rating", "u", "level"),
    [(5.0, 0.0, Level.WITHIN), (2.7, 0.0, Level.WITHIN), (2.69, 0.0, Level.CAUTION), (2.7, 0.001, Level.CAUTION),
     (1.81, 0.0, Level.CAUTION), (1.79, 0.0, Level.DANGER), (1.81, 0.001, Level.DANGER), (None, 0.0, Level.UNDECIDED)],
)  # fmt: skip
def test_levels_of_the_rating(rating: float | None, u: float, level: Level) -> None:
    """0.2 A true RMS on 9 V: 1.8 VA bare, 2.7 VA with the margin; 1 mA of u is 1 % of U."""
    given = SupplyInput(winding_volts=9.0, loads=(load(0.2, u),), ammeter=TRUE_ACDC, rating=rating)

    finding = supply_rating_finding(supply_figures(given))

    assert finding.level is level
    assert "200" in finding.statement
    assert "safe" not in (finding.statement + finding.advice).lower()


def test_a_rating_without_a_nameplate_says_so() -> None:
    finding = supply_rating_finding(supply_figures(bench(rating=None)))

    assert finding.level is Level.UNDECIDED
    assert finding.missing[0] == "the rating on the transformer's nameplate"
    assert "true RMS is 1.6" in finding.statement


@pytest.mark.parametrize(
    ("changed", "level", "says"),
    [
        ({}, Level.WITHIN, "No rail that could be computed passes a limit"),
        ({"supply_max": 16.0}, Level.DANGER, "above 16"),
        ({"reservoir_rating": 16.0}, Level.DANGER, "rated voltage of the reservoir"),
        ({"supply_min": 11.0}, Level.CAUTION, "below 11"),
        ({"supply_max": 16.7}, Level.DANGER, "above 16.7"),  # the diodes' drop cannot be counted on without load
        ({"supply_max": None}, Level.UNDECIDED, "Not all limits"),
        ({"on_load": None}, Level.UNDECIDED, "Not all limits"),
        ({"supply_max": 16.0, "supply_min": 11.0}, Level.DANGER, "below 11"),
        ({"off_load": Volts(value=10.8, u=0.5, mains=120.0), "supply_max": 17.0}, Level.DANGER, "too close to 17"),
    ],
)
def test_levels_of_the_rails(changed: dict[str, Any], level: Level, says: str) -> None:
    """Peak at 132 V without load √2 · 11.88 = 16.80 V; lowest at 108 V with the load 10.53 V."""
    finding = rail_window_finding(supply_figures(bench(**changed)))

    assert finding.level is level
    assert says in finding.statement


def test_a_rail_scaled_to_other_mains_bears_the_uncertainty_of_the_mains_that_were_read() -> None:
    """√2 · 10.8 V · 132/120 = 16.80 V; U = 2 · 16.80 · √((0.05/10.8)² + (1.2/120)²) = 0.370 V (JCGM 100, 5.1.6)."""
    read = bench(off_load=Volts(value=10.8, u=0.05, mains=120.0, mains_u=1.2))

    finding = rail_window_finding(supply_figures(read))

    assert finding.value == pytest.approx(16.80, abs=0.005)
    assert finding.expanded_uncertainty == pytest.approx(0.370, abs=0.001)


def test_a_board_read_at_rest_only_is_never_within() -> None:
    """Idle current says nothing of the loudest programme; a rating too small even for idle is still found."""
    idle = bench(loads=(load(0.02, name="idle"),))

    rating, rails = supply_rating_finding(supply_figures(idle)), rail_window_finding(supply_figures(idle))

    assert rating.level is rails.level is Level.UNDECIDED
    assert "board at its loudest" in rating.missing[0]
    assert supply_rating_finding(supply_figures(replace(idle, rating=0.1))).level is Level.DANGER


def test_a_doubler_shares_its_rail_between_two_reservoirs() -> None:
    """Two of 16.1 V: 32.2 V in all, and a reservoir of 18 V holds."""
    found = supply_figures(bench(replace(BENCH, topology=Topology.DOUBLER), reservoir_rating=18.0, supply_max=40.0))

    assert found.at_mains[2].rails[0].highest == pytest.approx(2 * (math.sqrt(2) * 11.88 - 0.7))
    assert rail_window_finding(found).level is Level.WITHIN


def test_the_json_has_the_contracts_keys() -> None:
    written = json.loads(json.dumps(supply_figures(bench()).to_json(), allow_nan=False))

    assert {
        "design_current_A", "true_rms_factor", "margin", "required_secondary_A", "required_VA", "next_standard_VA",
        "off_load_V", "on_load_V", "regulation", "winding_resistance_ohm", "at_mains",
    } <= set(written)  # fmt: skip
    assert set(written["at_mains"][0]) == {"mains_V", "load", "secondary_V", "rails"}
    assert set(written["at_mains"][0]["rails"][0]) == {"name", "mean_V", "min_V", "max_V", "ripple_Vpp"}


def test_with_nothing_known_every_figure_is_none_and_says_what_is_missing() -> None:
    found = supply_figures(SupplyInput())

    written = found.to_json()
    assert written.pop("margin") == 1.5
    assert written.pop("at_mains") == []
    assert len(written.pop("missing")) >= 5
    assert set(written.values()) == {None}
    assert supply_rating_finding(found).level is Level.UNDECIDED
    assert rail_window_finding(found).level is Level.UNDECIDED


@pytest.mark.parametrize(
    ("changed", "reason"),
    [
        ({"on_load": OnLoad(volts=Volts(value=11.5, u=0.0), current=0.1)}, "less on load"),
        ({"on_load": OnLoad(volts=Volts(value=11.5, u=0.0), current=0.1, resistive=True)}, "less on load"),
        ({"on_load": OnLoad(volts=Volts(value=0.2, u=0.0), current=0.05)}, "no winding resistance explains"),
        ({"loads": (load(0.5, name="none"),)}, "board at its loudest"),
        ({"loads": ()}, "board at its loudest"),
        ({"winding_volts": None}, "nameplate"),
        ({"loads": (load(40.0),), "ammeter": TRUE_ACDC}, "no common size"),
    ],
)
def test_nonsense_becomes_one_sentence_and_the_rest_goes_on(changed: dict[str, Any], reason: str) -> None:
    found = supply_figures(bench(**changed))

    assert any(re.search(reason, said) for said in found.missing)
    assert found.off_load == pytest.approx(10.8)


@pytest.mark.parametrize(
    "wrong",
    [{"margin": 0.5}, {"margin": math.nan}, {"windings": 0}, {"arrangement": "delta"}, {"rating": -3.0},
     {"reservoir": 0.0}, {"nominal_mains": math.inf}],
    ids=str,
)  # fmt: skip
def test_a_card_that_cannot_be_is_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match="expected"):
        bench(**wrong)


def test_statistics_tell_a_steady_load_from_programme() -> None:
    """Idle rests at 40 mA after a start; music never settles within 0.5 %; a single peak of 300 mA is seen."""
    idle = [0.090, 0.060] + [0.040] * 20
    dice = np.random.default_rng(5)
    playing = [*(0.1 * (1 + 0.2 * dice.standard_normal(198))).clip(0.02), 0.3]

    first, second = load_statistics([*idle, *playing], ["idle"] * 22 + ["playing"] * 199, u=[0.0004] * 221)

    assert (first.load, first.rows) == ("idle", 22)
    assert first.settled == pytest.approx(0.040)
    assert first.expanded_uncertainty == pytest.approx(0.0008)
    assert second.peak == 0.3
    assert second.percentile_99 == pytest.approx(np.percentile(playing, 99))
    assert second.design == pytest.approx(second.percentile_99)


def test_the_highest_plateau_counts() -> None:
    found = load_statistics([0.05] * 5 + [0.08] * 4 + [0.06] * 9, ["idle"] * 18)[0]

    assert found.settled == pytest.approx(0.08)
    assert found.fallback


@pytest.mark.parametrize(
    ("values", "tags", "message"),
    [([], [], "no current readings"), ([0.1], [], "expected as many"), ([-0.1], ["idle"], "below zero"),
     ([math.nan], ["idle"], "no number")],
)  # fmt: skip
def test_rows_that_are_none_are_refused(values: list[float], tags: list[str], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        load_statistics(values, tags)


def test_one_reading_never_settles_but_counts() -> None:
    found = load_statistics([0.1], ["idle"], resolution=0.001)[0]

    assert found.settled is None
    assert found.design == 0.1
    assert found.u == pytest.approx((0.03 * 0.1 + 10 * 0.001) / math.sqrt(3))
