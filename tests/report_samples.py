"""Radios, findings and computed results, built by hand, for tests of the report."""

from __future__ import annotations

import random
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from analysis.assessment import Assessment, ranked
from analysis.finding import Evidence, Finding, Level, Outcome, StateOutcome
from analysis.report.content import Content, build_content
from analysis.table import Radio, load_radio
from tests.sessions import METER, SessionWriter, write_card

SITTING = "20260302T142501Z-walk"
CARD = """schema = 1
id = "set-5"
name = "Set 5"
nominal_mains = "120 V"
frequency = "60 Hz"
plug = "reversible"
switch = "single"
supply = "series-heater"
points = ["chassis", "pickup-ground", "aerial"]
notes = "Table set, back panel missing one screw.\\nDial lamp replaced."
[transformer]
primary = "120 V"
secondary = "9 V"
rating = "3 VA"
fuse = "T 63 mA primary"
[board]
topology = "dual-half-wave"
supply_min = "5.5 V"
supply_max = "18 V"
swing_loss = "1.5 V"
source_level = "0.7 V"
gain = "14 dB"
"""


def card(points: str = '"chassis", "aerial"', **keys: str) -> str:
    """A card's text with these points; `keys` are further lines of it."""
    more = "".join(f'{key} = "{text}"\n' for key, text in keys.items())
    return (
        'schema = 1\nid = "set-5"\nname = "Set 5"\nnominal_mains = "230 V"\nfrequency = "50 Hz"\nplug = "reversible"\n'
        f'switch = "single"\npoints = [{points}]\n{more}'
    )


SOURCE = "IEC 62368-1:2018, Table 4, ES1, AC 30 V rms"
CURRENT_METER: dict[str, Any] = {
    **METER, "role": "i", "identity": "Example Handheld", "profile": "numbered-lcd", "isolation": "none",
    "calibrated": "", "inputs": [],
}  # fmt: skip


def _noisy(mean: float, count: int, spread: float) -> list[float]:
    noise = random.Random(mean)
    return [round(mean + noise.gauss(0, spread), 4) for _ in range(count)]


def live_chassis(root: Path) -> Radio:
    """A series-heater set before and after the board was fitted: live with plug 2, its aerial not measured."""
    folder = write_card(root / "set-5", CARD)
    first = SessionWriter(start=datetime(2026, 2, 20, 10, tzinfo=UTC))
    first.read(_noisy(61.0, 10, 0.1), u=0.7, point="chassis", plug="1", switch="on")
    first.write(folder / "20260220T100000Z-first", stage="before-fit")
    sitting = SessionWriter()
    for plug, switch, volts in (("1", "on", 0.8), ("1", "off", 0.4), ("2", "on", 118.4), ("2", "off", 61.2)):
        sitting.read(_noisy(volts / 2, 4, volts / 8), u=0.7, point="chassis", plug=plug, switch=switch)
        rows = sitting.read(_noisy(volts, 20, 0.1), u=0.7, point="chassis", plug=plug, switch=switch)
        sitting.take(rows, volts)
    sitting.read(_noisy(24.0, 20, 0.1), u=0.4, point="chassis", plug="2", switch="off", burden="100 kohm")
    sitting.read([None] * 8, point="pickup-ground", plug="2", switch="off")
    for load, amps, volts in (("none", 0.0, 11.3), ("idle", 0.031, 10.6), ("loudest", 0.094, 9.35)):
        if amps:
            currents = _noisy(amps, 30, 0.001)
            sitting.read(currents, quantity="current", meter="i", u=4e-4, resolution=1e-4, point="secondary", load=load)
        sitting.read(_noisy(volts, 10, 0.02), u=0.05, point="secondary", load=load)
    sitting.write(folder / SITTING, stage="after-fit", meters=[METER, CURRENT_METER])
    return load_radio(folder)


def state(
    plug: str, switch: str, value: float | None, *, expanded: float = 1.4, burden: float | None = None,
    outcome: Outcome = Outcome.BELOW, overload: bool = False,
) -> StateOutcome:  # fmt: skip
    """One state of a point, judged."""
    guard = None if value is None else value * 0.006
    return StateOutcome(
        plug=plug, switch=switch, coupling="ac", burden=burden, value=value, outcome=outcome, overload=overload,
        expanded_uncertainty=None if value is None else expanded, loading_guard=guard,
    )  # fmt: skip


def chassis_states() -> tuple[StateOutcome, ...]:
    """A chassis that is live with plug 2."""
    return (
        state("1", "on", 0.8, expanded=0.3), state("1", "off", 0.4, expanded=0.3),
        state("2", "on", 118.4, outcome=Outcome.ABOVE), state("2", "off", 61.2, outcome=Outcome.ABOVE),
        state("2", "off", 24.0, burden=1e5),
    )  # fmt: skip


def live_assessment() -> Assessment:
    """What was found on the live chassis."""
    shown = Evidence(session=SITTING, rows=tuple(range(52, 72)), take=3)
    findings = [
        Finding(
            id="touch-voltage:chassis", level=Level.DANGER, title="The chassis carries mains voltage",
            statement="With plug 2 and the switch on the chassis stands at 118.4 V against earth.", value=118.4,
            expanded_uncertainty=1.4, unit="V", limit=30.0, limit_source=SOURCE, states=chassis_states(),
            evidence=(shown,), advice="Have the chassis separated from the mains before the radio is used.",
        ),
        Finding(
            id="touch-voltage:pickup-ground", level=Level.CAUTION, title="The pickup ground is not settled",
            statement="One state went over range, another lies within its uncertainty of the limit.", value=29.8,
            expanded_uncertainty=0.6, unit="V", limit=30.0, limit_source=SOURCE, missing=("plug 1, switch off",),
            states=(
                state("1", "on", 0.3, expanded=0.3), state("1", "off", None, outcome=Outcome.MISSING),
                state("2", "on", 29.8, expanded=0.6, outcome=Outcome.TOO_CLOSE),
                state("2", "off", None, overload=True, outcome=Outcome.ABOVE),
            ),
            advice="Take a reading with 100 kΩ across the meter with plug 2.",
        ),
        Finding(
            id="touch-voltage:aerial", level=Level.UNDECIDED, title="The aerial was not measured",
            statement="There is no reading of the aerial.", missing=("plug 1, switch on", "plug 2, switch on"),
        ),
        Finding(
            id="chassis-kind", level=Level.DANGER, title="The chassis is tied to pin 2", evidence=(shown,),
            statement="The chassis is one of the mains leads, through the switch.",
            extra={"kind": "tied-through-switch", "pin": 2, "runner_up": None},
        ),
        Finding(
            id="supply-rating", level=Level.WITHIN, title="The transformer is large enough", value=1.27,
            expanded_uncertainty=0.05, unit="VA", limit=3.0, limit_source="nameplate, from the card",
            statement="3 VA are fitted, 1.27 VA are asked for.",
        ),
        Finding(id="record", level=Level.WITHIN, title="The record is whole", statement="All files are closed."),
    ]  # fmt: skip
    return Assessment(
        radio="set-5", stage="after-fit", sessions=(SITTING,), fully_measured=False,
        missing=("volts between line and neutral",), findings=ranked(findings),
    )  # fmt: skip


def _at_mains(mains: float, secondary: float, load: str) -> dict[str, Any]:
    parts = (("positive", 1.25), ("negative", 1.23))
    rails = [
        {
            "name": name,
            "mean_V": secondary * part,
            "min_V": secondary * (part - 0.07),
            "max_V": secondary * (part + 0.06),
        }
        for name, part in parts
    ]
    return {"mains_V": mains, "load": load, "secondary_V": secondary, "rails": rails}


SUPPLY: dict[str, Any] = {
    "design_current_A": 0.094, "true_rms_factor": 1.0, "margin": 1.5, "required_secondary_A": 0.141,
    "required_VA": 1.27, "next_standard_VA": 1.5, "off_load_V": 11.3, "on_load_V": 9.35, "regulation": 0.2086,
    "winding_resistance_ohm": 20.7,
    "at_mains": [_at_mains(108, 8.4, "loudest"), _at_mains(120, 9.35, "loudest"), _at_mains(132, 12.4, "none")],
}  # fmt: skip
HUM: dict[str, Any] = {
    "point": "speaker", "quantity": "voltage", "a": {"arrangement": "A"}, "b": {"arrangement": "B"},
    "difference_dB": -6.2, "interval_dB": [-7.9, -4.6], "confidence": 0.95, "margin_dB": 1.0, "outcome": "different",
}  # fmt: skip


def live_content(root: Path) -> Content:
    """The live chassis' content, with every picture there is."""
    return build_content(live_chassis(root), live_assessment(), supply=SUPPLY, comparisons=[HUM])
