"""The calculators as commands: options, JSON, words, exit statuses, and refusals in one line."""

from __future__ import annotations

import math
import re
import subprocess
import sys

import pytest

from logger.cli_calculators import add_calculators
from tests.calculators import Calculators
from tests.rectifier_cases import NAMES, rows

CALCULATORS = Calculators(add_calculators)
run, answer, refused = CALCULATORS.run, CALCULATORS.answer, CALCULATORS.refused
RAILS = "dc-rails --topology bridge --emf 10.8V --resistance '4 ohm' --reservoir 1000uF --frequency 60Hz"
WINDING = "winding --cold '100 ohm' --cold-air 20degC --hot '125 ohm' --hot-air 24degC"
HEADROOM = "headroom --rail 11.2V --loss-high 1.5V --loss-low 1.5V --source 0.7V"


@pytest.mark.parametrize("row", [pytest.param(r, id=f"{r['case']}-{r['diode']}") for r in rows()])
def test_dc_rails_answers_with_the_simulators_figures(row: dict[str, str]) -> None:
    diode = "piecewise" if row["diode"] == "pwl" else "exponential"
    command = (
        f"dc-rails --topology {NAMES[row['topology']]} --emf {row['v_oc_Vrms']}V --resistance '{row['rs_ohm']} ohm' "
        f"--reservoir {row['c_F']}F --frequency {row['f_Hz']}Hz --diode {diode} "
        + (f"--load {row['load_A']}A" if row["load_A"] else f"--load-resistance '{row['load_ohm']} ohm'")
    )
    if row["load_neg_A"]:
        command += f" --negative-load {row['load_neg_A']}A"

    found = answer(command)

    assert set(found) == {
        "topology", "frequency_Hz", "rails", "secondary_rms_A", "secondary_average_rectified_A", "secondary_peak_A",
        "average_responding_reading_A", "ac_coupled_true_rms_reading_A", "ac_coupled_average_reading_A",
        "apparent_power_VA", "winding_loss_W",
    }  # fmt: skip
    rails = {rail["name"]: rail for rail in found["rails"]}
    assert rails["positive"]["mean_V"] == pytest.approx(float(row["rail_mean_V"]), rel=3e-4)
    assert rails["positive"]["ripple_Vpp"] == pytest.approx(float(row["rail_ripple_Vpp"]), rel=1e-3)
    assert ("negative" in rails) == (row["topology"] == "T4")
    if "negative" in rails:
        assert rails["negative"]["min_V"] == pytest.approx(float(row["rail_neg_min_V"]), rel=3e-4)
    assert found["secondary_rms_A"] == pytest.approx(float(row["isec_rms_A"]), rel=3e-4)
    assert found["apparent_power_VA"] == pytest.approx(float(row["source_VA"]), rel=3e-4)


def test_an_unloaded_negative_rail() -> None:
    found = answer(RAILS.replace("bridge", "dual-half-wave") + " --load 60mA --negative-load 0A")

    assert found["rails"][1]["ripple_Vpp"] == 0.0
    assert found["rails"][1]["mean_V"] == pytest.approx(14.5735, abs=1e-4)


def test_a_load_that_the_winding_cannot_carry_is_said_to_be_so() -> None:
    """100 A below its 1 V knee is 10 mΩ across the bridge: nearly a short circuit.

    Closed form: the mean of |e| beyond two diodes' 1.4 V, 2/π·(√(ê² − 1.4²) − 1.4·arccos(1.4/ê)) = 8.364 V, over
    4 Ω + 2·50 mΩ + 10 mΩ.
    """
    peak = 10.8 * math.sqrt(2)
    expected = 2 / math.pi * (math.sqrt(peak**2 - 1.4**2) - 1.4 * math.acos(1.4 / peak)) / 4.11
    found = answer(f"{RAILS} --load 100A")

    assert found["secondary_average_rectified_A"] == pytest.approx(expected, rel=1e-3)
    assert "cannot carry this load" in found["problem"] and f"gives {expected:.3f} A" in found["problem"]
    assert run(f"{RAILS} --load 100A").startswith(found["problem"])


@pytest.mark.parametrize("load", ["--load 60mA", "--load 1A", "--load 0A", "--load-resistance '1 ohm'"])
def test_a_load_that_the_winding_carries_is_no_problem(load: str) -> None:
    assert "problem" not in answer(f"{RAILS} {load}") and "cannot carry" not in run(f"{RAILS} {load}")


def test_the_rail_that_collapses_is_named() -> None:
    """The two rails of a dual supply are each a half-wave supply; the one with 10 mA stays up."""
    found = answer(RAILS.replace("bridge", "dual-half-wave") + " --load 10mA --negative-load 5A")

    assert "5.000 A asked the negative rail" in found["problem"] and "positive" not in found["problem"]
    assert found["rails"][0]["min_V"] > 10 and found["rails"][1]["min_V"] < 1


def test_winding_answers_with_the_worked_example() -> None:
    """100 Ω at 20 °C, 125 Ω at 24 °C: 59.6 K, 83.6 °C; U of ±0.2 Ω on both readings and ±1 K on both airs."""
    found = answer(f"{WINDING} --accuracy '0.1% + 1 digit' --resolution '0.1 ohm'")

    assert set(found) == {"rise_K", "hot_degC", "expanded_uncertainty_K", "limit_K", "insulation_class", "level"}
    assert found["rise_K"] == pytest.approx(59.625)
    assert found["hot_degC"] == pytest.approx(83.625)
    assert found["limit_K"] == 76.0
    u = [2.545 * 0.225, 2.545 * 1.25 * 0.2, 1.25, 1.0]  # half widths through the formula, each rectangular
    assert found["expanded_uncertainty_K"] == pytest.approx(2 * (sum(x * x for x in u) / 3) ** 0.5)
    assert found["level"] == "within"


def test_a_winding_above_its_class_ends_with_one() -> None:
    hot = WINDING.replace("125", "142")

    assert answer(hot, status=1)["level"] == "danger"
    assert "danger" in run(hot, status=1)
    assert answer(f"{hot} --class F")["level"] == "caution"  # 3 % of an unknown ohmmeter is much
    assert "3 % and ten counts" in run(f"{hot} --class H")


def test_headroom_in_figures() -> None:
    """11.2 − 1.5 = 9.7 V peak over √2 · 0.7 V: 9.80, 19.8 dB; 3 dB less is 6.94."""
    found = answer(HEADROOM)

    assert found == {
        "undistorted_peak_V": pytest.approx(9.7), "source_peak_V": pytest.approx(0.98995, abs=1e-5),
        "gain_limit": pytest.approx(9.7985, abs=1e-4), "gain_limit_dB": pytest.approx(19.823, abs=1e-3),
        "reserve_dB": 3.0, "advised_gain": pytest.approx(6.9367, abs=1e-4),
    }  # fmt: skip
    single = answer(
        "headroom --rail 9V --supply single --bias 3.76V --loss-high 1.5V --loss-low 20mV --source 1V --reserve 0dB"
    )
    assert single["undistorted_peak_V"] == pytest.approx(3.74)
    assert single["advised_gain"] == single["gain_limit"]


@pytest.mark.parametrize("command", ["dc-rails", "winding", "headroom"])
def test_each_help_has_an_example_that_runs(command: str) -> None:
    text = " ".join(re.sub(r"[│╭╮╰╯─]", " ", run(f"{command} --help")).split())
    example = text.split("Example: chassislog ")[1].split(" Options ")[0]

    assert run(example).strip()


@pytest.mark.parametrize(
    ("command", "says"),
    [
        (RAILS, "The load is missing"),
        (f"{RAILS} --load 60", "--load: '60' has no unit. Expected amperes"),
        (f"{RAILS} --load 60mV", "--load: '60mV' is in V. Expected amperes"),
        (f"{RAILS} --load 60mA --load-resistance '1 ohm'", "were both given"),
        (f"{RAILS} --load 60mA --negative-load 1mA", "no negative rail"),
        (f"{RAILS} --load=-60mA", "--load -60mA is below zero. Expected zero or more"),
        (f"{RAILS} --load-resistance '0 ohm'", "xpected more than zero"),
        (f"{RAILS} --load 60mA --diode ideal", "Expected one of piecewise, exponential"),
        (RAILS.replace("bridge", "full") + " --load 60mA", "Expected one of half-wave"),
        (RAILS.replace("10.8V", "0.5V") + " --load 60mA", "There is no rail"),
        (RAILS.replace("10.8V", "-9V").replace("--emf ", "--emf=") + " --load 60mA", "The EMF is -9 V"),
        (RAILS.replace("10.8V", "1e300V") + " --load 60mA", "expected from"),
        (RAILS.replace("1000uF", "0F") + " --load 60mA", "The reservoir is 0 F"),
        (WINDING.replace("125", "90"), "are the readings swapped?"),
        (f"{WINDING} --metal iron", "Expected one of copper, aluminium"),
        (f"{WINDING} --class Z", "Expected one of A, E, B, F, H"),
        (f"{WINDING} --accuracy fine", "Expected such as '0.8% + 3 digits'"),
        (f"{WINDING} --accuracy '0.8% + 3 digits'", "Give --resolution"),
        (WINDING.replace("100 ohm", "100"), "--cold: '100' has no unit"),
        (WINDING.replace("24degC", "'900 degC'"), "between -50 and 150"),
        (HEADROOM.replace("11.2V", "1V"), "leaves no output swing"),
        (f"{HEADROOM} --bias 5V", "single supply"),
        (f"{HEADROOM} --supply triple", "Expected one of dual, single"),
        (f"{HEADROOM} --reserve 3", "Expected decibels"),
        (f"{HEADROOM} --reserve=-3dB", "expected from zero"),
    ],
)
def test_nonsense_is_refused_in_one_line(command: str, says: str) -> None:
    assert says in refused(command)


def test_registering_the_commands_loads_nothing_heavy() -> None:
    """A command that only logs shares this module's import, and must not pay for NumPy."""
    code = "import sys, logger.cli_calculators; print([m for m in ('numpy', 'pandas', 'pint') if m in sys.modules])"

    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("command", [f"{RAILS} --load 60mA", WINDING, HEADROOM])
def test_an_answer_for_people_ends_with_one_caution(command: str) -> None:
    lines = run(command).splitlines()

    assert lines[-1].startswith("CAUTION: ") and "Local codes and licensed practice come first." in lines[-1]
    assert [line for line in lines if line.startswith("CAUTION")] == lines[-1:]
