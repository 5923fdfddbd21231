"""What kind of chassis it is: cases beside those of the touch rules, each with the closed form that it rests on."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from analysis.assessment import Assessment
from analysis.finding import Level
from analysis.pins import read_pins
from analysis.table import load_radio
from tests.test_touch_rules import STATES, Sitting, chassis, home_of, judged


def kind_of(found: Assessment) -> dict[str, Any]:
    finding = found.of("chassis-kind")
    assert finding is not None
    return {**finding.extra, "statement": finding.statement}


def test_a_chassis_near_earth_whose_source_gives_a_microampere_is_isolated(tmp_path: Path) -> None:
    """10 mV across 10 kΩ are 1.0 µA; I/(2π·60 Hz·120 V) = 22 pF from the live leg: strays, whatever is behind 1.4 V."""
    sitting = Sitting(nominal=120.0)
    sitting.quiet(volts=1.4)
    sitting.writer.read([0.010] * 4, u=2e-4, resolution=1e-4, point="chassis", plug="1", switch="on", burden="10 kohm")

    kind = kind_of(judged(tmp_path, sitting, card={"frequency": "60 Hz", "supply": "transformer"}))

    assert kind["kind"] == "isolated" and "22 pF" in kind["statement"]


@pytest.mark.parametrize(
    ("across", "word", "said"),
    [
        (0.3396, "isolated", "470 pF"),  # V·ω·C = 33.96 µA at 230 V, 50 Hz
        (3.396, "line-capacitor", "4.7 nF"),  # 339.6 µA
    ],
)
def test_a_capacitor_is_told_from_strays_by_the_current_that_it_passes(
    across: float, word: str, said: str, tmp_path: Path
) -> None:
    sitting = Sitting()
    sitting.quiet(("1", "on"), volts=2.0)
    sitting.states({("1", "on"): 219.0})
    sitting.writer.read([across] * 4, u=2e-3, resolution=1e-3, point="chassis", plug="1", switch="on",
                        burden="10 kohm")  # fmt: skip

    kind = kind_of(judged(tmp_path, sitting, card={"supply": "transformer"}))

    assert kind["kind"] == word and said in kind["statement"]


def test_a_chassis_is_not_isolated_while_a_later_reading_of_it_lay_above_the_limit(tmp_path: Path) -> None:
    """The probe touched only when the values had been taken: what came then is what counts."""
    sitting = Sitting()
    sitting.states(dict.fromkeys(STATES[:3], 1.0))
    rows = sitting.read(1.0, point="chassis", plug="2", switch="off")
    sitting.writer.take(rows, 1.0)
    sitting.writer.read([228.0], u=0.1, point="chassis", plug="2", switch="off")

    kind = kind_of(judged(tmp_path, sitting))

    assert kind["kind"] == "not-established" and "later reading" in kind["statement"]


def test_a_chassis_that_a_pin_is_tied_to_is_never_within(tmp_path: Path) -> None:
    """0.2 Ω from pin 1, yet low in all states: the probe was not in contact."""
    sitting = Sitting()
    sitting.read(0.2, point="pin-1-to-chassis", switch="on", quantity="resistance", coupling="")
    sitting.quiet()
    found = judged(tmp_path, sitting)

    assert chassis(found).level is Level.UNDECIDED
    kind = found.of("chassis-kind")
    assert kind is not None and kind.level is Level.DANGER


def test_an_autotransformer_known_by_volts_alone_is_said_to_isolate_nothing(tmp_path: Path) -> None:
    """230 V alone and 218.8 V across 2 kΩ: 102 Ω behind it, in both positions of the switch."""
    sitting = Sitting()
    sitting.states({("1", "on"): 230.0, ("1", "off"): 230.0, ("2", "on"): 1.0, ("2", "off"): 1.0})
    for switch in ("on", "off"):
        sitting.read(218.8, point="chassis", plug="1", switch=switch, burden="2 kohm")

    kind = kind_of(judged(tmp_path, sitting, card={"supply": "autotransformer"}))

    assert (kind["kind"], kind["pin"]) == ("tied", 1) and "isolates nothing" in kind["statement"]
    assert "stays so with the switch off" in kind["statement"]


def test_a_heater_chain_under_one_large_burden_is_not_called_a_capacitor(tmp_path: Path) -> None:
    """1300 Ω behind 230 V read 203.5 V across 10 kΩ; so would a capacitor of 0.60 µF."""
    sitting = Sitting()
    sitting.quiet(("1", "on"))
    sitting.states({("1", "on"): 230.0})
    sitting.read(203.5, point="chassis", plug="1", switch="on", burden="10 kohm")

    kind = kind_of(judged(tmp_path, sitting))

    assert kind["kind"] == "not-established" and kind["runner_up"] == "tied"
    assert "does not tell a large capacitor from a hard connection" in kind["statement"]


@pytest.mark.parametrize(
    ("ohms", "told"),
    [
        (0.0, "pin 1 0.0 Ω"),
        (0.04, "pin 1 0.0 Ω"),
        (139.94, "pin 1 140 Ω"),
        (2.2e6, "pin 1 2.20 MΩ"),
        (None, "pin 1 open"),
    ],
)
def test_the_ohms_of_the_pins_are_told_to_three_digits(ohms: float | None, told: str, tmp_path: Path) -> None:
    sitting = Sitting()
    sitting.read(ohms, point="pin-1-to-chassis", switch="on", quantity="resistance", coupling="")
    home = home_of(tmp_path)
    sitting.writer.write(home / "20260302T142500Z-a")
    radio = load_radio(home)

    assert read_pins(radio).told.startswith(told)
