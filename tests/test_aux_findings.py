"""Sittings at the added board: transformer, rails, headroom, level, hum, and the heat in the winding."""

from __future__ import annotations

import json
import math
import random
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from analysis.assess import assess
from analysis.assessment import Assessment
from analysis.finding import Finding, Level
from analysis.supply import SupplyFigures
from analysis.supply_evidence import supply_evidence
from analysis.table import Radio, load_radio
from tests.sessions import METER, SessionWriter, write_card

TRUTH = json.loads((Path(__file__).parent.parent / "fixtures" / "demo-truth.json").read_text("utf-8"))["radios"]
TRANSFORMER = '[transformer]\nprimary = "120 V"\nsecondary = "9 V"\nwindings = 2\narrangement = "parallel"\n'
BOARD = (
    '[board]\ntopology = "{topology}"\nreservoir = "{reservoir}"\nreservoir_rating = "25 V"\nsupply_min = "5.5 V"\n'
    'supply_max = "18 V"\nswing_loss = "1.5 V"\nsource_level = "0.7 V"\ngain = "{gain}"\n'
)
ACCURACY = [
    {"quantity": "voltage", "coupling": "", "range": None, "of_reading": 0.005, "digits": 3, "resolution": None},
    {"quantity": "current", "coupling": "", "range": None, "of_reading": 0.01, "digits": 3, "resolution": None},
    {"quantity": "resistance", "coupling": "", "range": None, "of_reading": 0.005, "digits": 2, "resolution": None},
]


def card(
    *, rating: str = "5 VA", topology: str = "dual-half-wave", reservoir: str = "1000 uF", gain: str = "14 dB",
    mains: str = "120 V", more: str = "",
) -> str:  # fmt: skip
    return (
        f'schema = 1\nid = "set-5"\nnominal_mains = "{mains}"\nfrequency = "60 Hz"\npoints = ["chassis"]\n{TRANSFORMER}'
        f'rating = "{rating}"\n{BOARD.format(topology=topology, reservoir=reservoir, gain=gain)}{more}'
    )


def meter(role: str = "i", rms: str = "average", coupling: str = "ac") -> dict[str, Any]:
    return {**METER, "role": role, "rms": rms, "current_coupling": coupling, "accuracy": ACCURACY}


def secondary(
    sitting: SessionWriter, amperes: dict[str, float], volts: dict[str, float], mains: float | None = 120.0
) -> None:
    """Volts and amperes by load, ten settled readings each, by the meter `i`."""
    if mains is not None:
        sitting.read([mains] * 5, meter="i", point="mains")
    for load, value in volts.items():
        sitting.read([value] * 10, meter="i", resolution=0.001, point="secondary", load=load)
    for load, value in amperes.items():
        sitting.read([value] * 10, meter="i", quantity="current", resolution=1e-4, point="secondary", load=load)


def written(
    root: Path, sitting: SessionWriter, text: str = "", meters: Sequence[dict[str, Any]] = (), **more: Any
) -> Radio:
    folder = write_card(root / "set-5", text or card())
    sitting.write(folder / "20260302T142501Z-supply", meters=list(meters) or [meter()], **more)
    return load_radio(folder)


def of(found: Assessment, id: str) -> Finding:
    finding = found.of(id)
    assert finding is not None
    return finding


LOADS = {"idle": 0.052, "playing": 0.097, "loudest": 0.131}
VOLTS = {"none": 10.5, "loudest": 8.73}


@pytest.mark.parametrize(("name", "ohms", "topology"), [("series-heater-120", 13.5, "dual-half-wave"),
                                                        ("transformer-230", 21.0, "bridge")])  # fmt: skip
def test_the_demo_transformers_winding_is_found_from_its_readings(
    tmp_path: Path, name: str, ohms: float, topology: str
) -> None:
    """Average-responding volts and amperes of one winding are tied by Ohm's law whatever the pulse, since mean |u| is
    mean |emf| less R times mean |i|; and so the circuit's own resistance has to come out."""
    truth, sitting = TRUTH[name], SessionWriter()
    read = truth["readings"]["supply"]
    amperes = {r["load"]: r["current_A"] for r in read if "current_A" in r}
    volts = {r["load"]: r["voltage_V"] for r in read if "voltage_V" in r and r["point"] == "secondary"}
    secondary(sitting, amperes, volts, truth["mains_V"])
    nominal = truth["nominal_mains_V"]
    radio = written(tmp_path, sitting, card(topology=topology, mains=f"{nominal:g} V"))

    figures = supply_evidence(radio).figures

    scale = nominal / truth["mains_V"]
    assert figures.off_load == pytest.approx(volts["none"] * scale)
    assert figures.on_load == pytest.approx(volts["loudest"] * scale)
    assert figures.regulation == pytest.approx((volts["none"] - volts["loudest"]) / volts["loudest"])
    assert figures.design_current == pytest.approx(amperes["loudest"])
    assert figures.winding_resistance == pytest.approx(ohms, rel=2e-3)
    assert figures.true_rms_factor is not None and figures.true_rms_factor > 1.2
    required = amperes["loudest"] * figures.true_rms_factor * 1.5
    assert figures.required_secondary == pytest.approx(required)
    assert figures.required_rating == pytest.approx(9.0 * required)


def test_the_correction_of_an_average_responding_meter_is_the_textbooks(tmp_path: Path) -> None:
    """An endless reservoir behind a bridge, in closed form by the conduction angle a, where V cos a is the rail and two
    drops: i = (V/R)(cos x − cos a), so mean = (V/R) 2(sin a − a cos a)/π and
    rms² = (V/R)² (a + ½ sin 2a − 4 sin a cos a + 2a cos² a)/π."""
    from analysis.rectifier_circuit import STANDARD_DIODE

    off, winding, dc = 10.6, 12.0, 0.08
    peak, total = math.sqrt(2) * off, winding + 2 * STANDARD_DIODE.resistance

    def mean(a: float) -> float:
        return peak / total * 2 * (math.sin(a) - a * math.cos(a)) / math.pi

    low, high = 0.0, math.pi / 2
    for _ in range(100):
        low, high = ((low + high) / 2, high) if mean((low + high) / 2) < dc else (low, (low + high) / 2)
    a = low
    square = a + 0.5 * math.sin(2 * a) - 4 * math.sin(a) * math.cos(a) + 2 * a * math.cos(a) ** 2
    rms = peak / total * math.sqrt(square / math.pi)
    shown = math.pi / (2 * math.sqrt(2)) * dc  # what such a meter makes of a mean of dc
    sitting = SessionWriter()
    secondary(sitting, {"loudest": shown}, {"none": off, "loudest": off - winding * shown})
    radio = written(tmp_path, sitting, card(topology="bridge", reservoir="1 F"))

    found = supply_evidence(radio).figures

    assert found.winding_resistance == pytest.approx(winding, rel=5e-3)
    assert found.true_rms_factor == pytest.approx(rms / shown, rel=5e-3)
    statement = of(assess(radio), "supply-rating").statement
    assert "average-responding meter" in statement and "corrected" in statement
    assert f"{rms / shown:.2f} times" in statement


@pytest.mark.parametrize(("rating", "level"), [("5 VA", Level.WITHIN), ("2 VA", Level.CAUTION), ("1 VA", Level.DANGER)])
def test_a_rating_is_judged_by_the_design_current(tmp_path: Path, rating: str, level: Level) -> None:
    """131 mA true RMS, ac+dc, at 9 V are 1.18 VA, and with the margin of 1.5 1.77 VA; U is 1.2 %."""
    sitting = SessionWriter()
    secondary(sitting, LOADS, VOLTS)
    text = card(rating=rating).replace('"2 VA"', '"1.7 VA"')
    radio = written(tmp_path, sitting, text, [meter(rms="true", coupling="acdc")])

    found = of(assess(radio), "supply-rating")

    assert found.level is level
    assert found.value == pytest.approx(0.131 * 1.5 * 9.0)
    assert found.evidence and found.limit_source and found.evidence[0].session == "20260302T142501Z-supply"


def test_an_ammeter_over_its_range_at_the_loudest_never_lets_a_rating_pass(tmp_path: Path) -> None:
    sitting = SessionWriter()
    secondary(sitting, {"playing": 0.097}, VOLTS)
    over = [0.131, None, None]
    sitting.read(over, meter="i", quantity="current", resolution=1e-4, point="secondary", load="loudest")
    radio = written(tmp_path, sitting, card(), [meter(rms="true", coupling="acdc")])

    found = of(assess(radio), "supply-rating")

    assert found.level is Level.UNDECIDED
    assert any("over the ammeter's range" in what for what in found.missing)


def nonsense(kind: str, sitting: SessionWriter) -> dict[str, Any]:
    """A sitting whose readings cannot be right."""
    more: dict[str, Any] = {}
    if kind == "more volts on load than off load":
        secondary(sitting, LOADS, {"none": 8.7, "loudest": 10.5})
    elif kind == "one row":
        sitting.read([0.131], meter="i", quantity="current", point="secondary", load="loudest")
    elif kind == "all overload":
        for quantity in ("voltage", "current"):
            sitting.read([None] * 6, meter="i", quantity=quantity, point="secondary", load="loudest")
    elif kind == "read on DC":
        sitting.read([0.1] * 6, meter="i", quantity="current", coupling="dc", point="secondary", load="loudest")
    elif kind == "another frequency":
        secondary(sitting, LOADS, VOLTS)
        sitting.read([50.0] * 5, meter="i", quantity="frequency", coupling="", resolution=0.1, point="mains")
    elif kind == "fed from a variac":
        secondary(sitting, LOADS, VOLTS)
        more["statements"] = {"fed_from": "variac"}
    elif kind == "mains of another country":
        secondary(sitting, LOADS, VOLTS, mains=230.0)
    return more


KINDS = ("more volts on load than off load", "one row", "all overload", "read on DC", "another frequency",
         "fed from a variac", "mains of another country")  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_nonsense_is_undecided_with_a_reason(tmp_path: Path, kind: str) -> None:
    sitting = SessionWriter()
    more = nonsense(kind, sitting)
    radio = written(tmp_path, sitting, card(rating="50 VA"), [meter(rms="true", coupling="acdc")], **more)

    found = assess(radio)

    for id in ("supply-rating", "rail-window", "headroom"):
        assert of(found, id).level in (Level.UNDECIDED, Level.CAUTION)
        assert of(found, id).missing
    assert of(found, "supply-rating").level is Level.UNDECIDED


def test_rails_are_taken_from_the_mains_of_the_sitting_to_the_highest(tmp_path: Path) -> None:
    """10.5 V off load at 109 V mains is 12.72 V at 132 V: a peak of 17.98 V, and with U above 18 V. Read at 120 V it is
    11.55 V and 16.3 V, below."""
    for mains, level in ((109.0, Level.DANGER), (120.0, Level.WITHIN)):
        sitting = SessionWriter()
        secondary(sitting, LOADS, VOLTS, mains)
        found = of(assess(written(tmp_path / f"{mains:g}", sitting)), "rail-window")

        assert found.level is level
        if level is Level.DANGER:
            assert found.value == pytest.approx(math.sqrt(2) * 10.5 * 132 / mains)


def test_mains_that_nobody_read_may_have_been_low(tmp_path: Path) -> None:
    """16.3 V at nominal are 18.1 V if the mains stood at 0.9 of it while the secondary was read."""
    sitting = SessionWriter()
    secondary(sitting, LOADS, VOLTS, mains=None)

    found = of(assess(written(tmp_path, sitting)), "rail-window")

    assert found.level is Level.UNDECIDED
    assert any("mains while the secondary was read" in what for what in found.missing)


def test_a_rail_that_was_read_above_the_maximum_is_danger(tmp_path: Path) -> None:
    """17 V at nominal mains are 18.7 V at the highest, above 18 V, whatever the transformer would suggest."""
    sitting = SessionWriter()
    sitting.read([120.0] * 5, meter="i", point="mains")
    for point, sign in (("rail-positive", 1), ("rail-negative", -1)):
        sitting.read([sign * 17.0] * 6, meter="i", coupling="dc", resolution=0.01, point=point, load="none")

    found = of(assess(written(tmp_path, sitting)), "rail-window")

    assert found.level is Level.DANGER
    assert found.value == pytest.approx(17.0 * 1.1)


def test_the_set_gain_is_judged_at_the_lowest_of_the_ripple(tmp_path: Path) -> None:
    sitting = SessionWriter()
    secondary(sitting, LOADS, VOLTS)
    levels = {}
    for gain in ("6 dB", "20 dB"):
        found = of(assess(written(tmp_path / gain[:2].strip(), sitting, card(gain=gain))), "headroom")
        levels[gain] = found.level
        assert found.limit == pytest.approx(10 ** (float(gain.split()[0]) / 20))
        rail = _lowest(supply_evidence(load_radio(tmp_path / gain[:2].strip() / "set-5")).figures)
        assert found.value == pytest.approx((rail - 1.5) / (0.7 * math.sqrt(2)))

    assert levels == {"6 dB": Level.WITHIN, "20 dB": Level.CAUTION}


def _lowest(figures: SupplyFigures) -> float:
    low = figures.at("loudest", 0.9)
    assert low is not None
    return min(rail.lowest for rail in low.rails)


def test_the_radios_own_heater_winding_is_offered_with_what_it_has_to_spare(tmp_path: Path) -> None:
    """3 A less 2.4 A are 0.6 A, at 6.3 V 3.78 VA."""
    sitting = SessionWriter()
    secondary(sitting, LOADS, VOLTS)
    winding = '[heater_winding]\nvolts = "6.3 V"\nrating = "3 A"\nused = "2.4 A"\n'

    found = of(assess(written(tmp_path, sitting, card(more=winding))), "supply-rating")

    assert "600.0 mA to spare" in found.statement and "3.780 VA" in found.statement
    assert "joined to the chassis" in found.advice


def test_board_and_radio_are_matched_in_level(tmp_path: Path) -> None:
    """Twice the volts are 6.02 dB."""
    sitting, noise = SessionWriter(), random.Random(3)
    for load, volts in (("radio-programme", 0.5), ("board-programme", 1.0)):
        values = [volts * (1 + 0.02 * noise.uniform(-1, 1)) for _ in range(60)]
        sitting.read(values, meter="i", resolution=0.001, point="speaker", load=load)

    found = of(assess(written(tmp_path, sitting)), "level-match")

    assert found.level is Level.CAUTION
    assert found.value == pytest.approx(20 * math.log10(2), abs=0.1)


def test_one_programme_alone_says_what_is_wanted(tmp_path: Path) -> None:
    sitting = SessionWriter()
    sitting.read([0.5] * 10, meter="i", point="speaker", load="radio-programme")

    found = of(assess(written(tmp_path, sitting)), "level-match")

    assert found.level is Level.UNDECIDED and "board-programme" in " ".join(found.missing)


def hum(sitting: SessionWriter, levels: dict[str, float], repeats: int = 5) -> None:
    """Arrangements in alternation, each repeat a stretch of its own."""
    noise = random.Random(11)
    for _ in range(repeats):
        for name, volts in levels.items():
            values = [round(volts * (1 + 0.03 * noise.gauss(0, 1)), 5) for _ in range(20)]
            sitting.read(values, meter="i", resolution=1e-5, point="speaker", arrangement=name)


def test_hum_of_two_arrangements_is_compared_repeat_by_repeat(tmp_path: Path) -> None:
    """A factor of two is 6.02 dB, and twenty readings of 3 % in each of five repeats see it."""
    sitting = SessionWriter()
    hum(sitting, {"A": 0.004, "B": 0.002})

    found = of(assess(written(tmp_path, sitting)), "hum-difference")

    assert found.level is Level.CAUTION
    assert found.value == pytest.approx(20 * math.log10(2), abs=0.3)
    assert found.extra["comparison"]["a"]["repeats"] == 5
    assert len(found.evidence) == 10


def test_too_few_repeats_or_an_overload_decide_nothing(tmp_path: Path) -> None:
    few, over = SessionWriter(), SessionWriter()
    hum(few, {"A": 0.004, "B": 0.002}, repeats=2)
    hum(over, {"A": 0.004, "B": 0.002})
    over.read([None], meter="i", point="speaker", arrangement="B")

    assert of(assess(written(tmp_path / "few", few)), "hum-difference").level is Level.UNDECIDED
    found = of(assess(written(tmp_path / "over", over)), "hum-difference")
    assert found.level is Level.UNDECIDED and "range" in found.statement


def winding(sitting: SessionWriter, hot: float = 125.0) -> None:
    for load, ohms, air in (("cold", 100.0, 20.0), ("hot", hot, 24.0)):
        tags = {"point": "winding-primary", "load": load}
        sitting.read([ohms] * 5, meter="i", quantity="resistance", coupling="", resolution=0.01, u=0.05, **tags)
        sitting.read(
            [air], meter="i", quantity="temperature", coupling="", resolution=0.1, u=0.3, point="air", load=load
        )


def test_the_winding_rises_as_copper_does(tmp_path: Path) -> None:
    """100 Ω at 20 °C and 125 Ω at 24 °C are 25/100·(234.5 + 20) − 4 = 59.6 K; class A leaves 100 − 24 = 76 K."""
    sitting = SessionWriter()
    winding(sitting)

    found = of(assess(written(tmp_path, sitting)), "winding-rise")

    assert found.value == pytest.approx(59.625)
    assert found.limit == pytest.approx(76.0)
    assert found.level is Level.WITHIN and "class A" in found.statement


@pytest.mark.parametrize(("hot", "level"), [(129.0, Level.CAUTION), (140.0, Level.DANGER), (90.0, Level.UNDECIDED)])
def test_a_hotter_winding_is_worse_and_a_colder_one_is_nonsense(tmp_path: Path, hot: float, level: Level) -> None:
    sitting = SessionWriter()
    winding(sitting, hot)

    found = of(assess(written(tmp_path, sitting)), "winding-rise")

    assert found.level is level
    assert level is not Level.UNDECIDED or "below" in " ".join(found.missing)


def test_what_could_be_added_stays_in_missing_until_it_is_there(tmp_path: Path) -> None:
    sitting = SessionWriter()
    secondary(sitting, LOADS, VOLTS)

    missing = " | ".join(assess(written(tmp_path, sitting)).missing)

    assert "level match: " in missing and "winding rise: " in missing and "hum: " in missing
    assert "transformer rating: " not in missing and "rails: " not in missing
