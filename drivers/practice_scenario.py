"""A practice scenario: TOML in, checked, a frozen object out.

It holds a radio's circuit, the mains that feed it, what its auxiliary transformer and speaker give, the meters on the
bench, and what is true of the set. Quantities are text with units, parsed on loading.
"""

from __future__ import annotations

import math
import tomllib
from functools import cache
from importlib import resources
from typing import Literal

import msgspec

from drivers.practice_circuit import Branch
from drivers.reading import BenchError, in_plain_words
from drivers.units import UnitError, parse


class PracticeError(BenchError):
    """A scenario that does not exist or cannot be read, or an action that the bench does not have."""


class _Part(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A table of a scenario; a key that is not listed is refused."""


class Card(_Part, frozen=True, kw_only=True):
    """[radio]: what the radio's card may say."""

    name: str
    nominal_mains: str
    frequency: str
    points: tuple[str, ...]
    plug: Literal["reversible", "polarised", "earthed"] = "reversible"
    switch: Literal["single", "double", "none", "unknown"] = "unknown"
    supply: Literal["unknown", "transformer", "autotransformer", "series-heater"] = "unknown"


class Mains(_Part, frozen=True, kw_only=True):
    """[mains]: the socket."""

    level: str  #: line to neutral
    neutral: str = "0.8 V"  #: neutral to earth
    trip: str = ""  #: residual current at which its protective device opens; empty: it has none


class Part(_Part, frozen=True, kw_only=True):
    """[[part]]: one branch of the circuit.

    Nodes: `pin-a`, `pin-b` the plug's pins, `leg-a`, `leg-b` the legs behind the switch, `chassis`, `earth-pin` the
    plug's earth contact, `earth`, and the radio's points.
    """

    between: tuple[str, str]
    resistance: str = ""
    cold: str = ""  #: resistance with the set off
    capacitance: str = ""
    inductance: str = ""
    note: str = ""


class Circuit(_Part, frozen=True, kw_only=True):
    """[circuit]: how the legs lie."""

    leg_a_pin: Literal[1, 2] = 1
    switch_breaks: tuple[Literal["a", "b"], ...] = ()


class Load(_Part, frozen=True, kw_only=True):
    """[load.NAME]: what the added board draws and has."""

    current: str = "0 A"  #: rms in the secondary
    wander: float = 0.005  #: of the current, from one reading to the next
    rail_positive: str = "0 V"
    rail_negative: str = "0 V"


class Secondary(_Part, frozen=True, kw_only=True):
    """[secondary]: the auxiliary transformer."""

    open: str
    resistance: str
    primary_cold: str = ""
    primary_hot: str = ""
    secondary_cold: str = ""
    secondary_hot: str = ""
    air_cold: str = "21 degC"
    air_hot: str = "24 degC"


class MeterOnBench(_Part, frozen=True, kw_only=True):
    """[[meter]]: a meter, and where it sits inside its accuracy."""

    role: str
    profile: Literal["scpi-bench", "numbered-lcd"]
    resistance: str
    capacitance: str = "0 F"
    gain: float = 0.001  #: error of this specimen, of reading


class Truth(_Part, frozen=True, kw_only=True):
    """[truth]: what a complete plan should find."""

    chassis_kind: str
    pin: Literal[1, 2] | None = None
    levels: dict[str, str]  #: level of touch-voltage by point
    why: str = ""


class Scenario(_Part, frozen=True, kw_only=True):
    """One radio to practise on."""

    schema: int
    title: str
    radio: Card
    mains: Mains
    truth: Truth
    meter: tuple[MeterOnBench, ...]
    lesson: str = ""  #: what a learner meets in it
    circuit: Circuit = Circuit()
    part: tuple[Part, ...] = ()
    secondary: Secondary | None = None
    load: dict[str, Load] = {}
    hum: dict[str, str] = {}  #: volts at the speaker without programme, by arrangement
    programme: dict[str, str] = {}  #: volts at the speaker, by load
    name: str = ""  #: taken from the file's name

    def branches(self) -> tuple[Branch, ...]:
        """The circuit's parts in base units."""
        return tuple(
            Branch(
                part.between[0],
                part.between[1],
                parse(part.resistance, "Ohm") if part.resistance else math.inf,
                parse(part.capacitance, "F") if part.capacitance else 0.0,
                _henries(part.inductance),
                parse(part.cold, "Ohm") if part.cold else None,
            )
            for part in self.part
        )


def _henries(text: str) -> float:
    if not text:
        return 0.0
    number, _, unit = text.partition(" ")
    try:
        return float(number) * {"H": 1.0, "mH": 1e-3}[unit]
    except (ValueError, KeyError) as exc:
        raise UnitError(f"{text!r} is not an inductance.", remedy="Expected henries, such as '5 H'.") from exc


def read_scenario(text: str, name: str, where: str) -> Scenario:
    """A scenario from TOML text. Raises: PracticeError: with the file, the key and what was expected."""
    try:
        scenario = msgspec.convert(tomllib.loads(text), Scenario)
    except tomllib.TOMLDecodeError as exc:
        raise PracticeError(f"Not valid TOML: {exc}.", f"{where}.") from exc
    except msgspec.ValidationError as exc:
        what, key = in_plain_words(str(exc))
        raise PracticeError(what, f"{where}, {f'key {key}' if key else 'at the top level'}.") from exc
    if scenario.schema != 1:
        raise PracticeError(f"Schema {scenario.schema} is not known.", f"{where}, key schema.")
    for key, written, unit in _quantities(scenario):
        try:
            parse(written, unit)
        except UnitError as exc:
            raise PracticeError(exc.what, f"{where}, key {key}.", exc.remedy) from exc
    try:
        scenario.branches()
    except UnitError as exc:
        raise PracticeError(exc.what, f"{where}, key part.", exc.remedy) from exc
    return msgspec.structs.replace(scenario, name=name)


def _quantities(scenario: Scenario) -> list[tuple[str, str, str]]:
    """Every quantity that must be there, with its key and unit."""
    found = [
        ("radio.nominal_mains", scenario.radio.nominal_mains, "V"), ("radio.frequency", scenario.radio.frequency, "Hz"),
        ("mains.level", scenario.mains.level, "V"), ("mains.neutral", scenario.mains.neutral, "V"),
    ]  # fmt: skip
    if scenario.mains.trip:
        found.append(("mains.trip", scenario.mains.trip, "A"))
    for meter in scenario.meter:
        found += [("meter.resistance", meter.resistance, "Ohm"), ("meter.capacitance", meter.capacitance, "F")]
    for name, load in scenario.load.items():
        found += [(f"load.{name}.current", load.current, "A"), (f"load.{name}.rail_positive", load.rail_positive, "V"),
                  (f"load.{name}.rail_negative", load.rail_negative, "V")]  # fmt: skip
    found += [(f"hum.{key}", text, "V") for key, text in scenario.hum.items()]
    found += [(f"programme.{key}", text, "V") for key, text in scenario.programme.items()]
    if (secondary := scenario.secondary) is not None:
        found += [("secondary.open", secondary.open, "V"), ("secondary.resistance", secondary.resistance, "Ohm"),
                  ("secondary.air_cold", secondary.air_cold, "Cel"), ("secondary.air_hot", secondary.air_hot, "Cel"),
                  ("secondary.primary_cold", secondary.primary_cold or "0 ohm", "Ohm"),
                  ("secondary.primary_hot", secondary.primary_hot or "0 ohm", "Ohm"),
                  ("secondary.secondary_cold", secondary.secondary_cold or "0 ohm", "Ohm"),
                  ("secondary.secondary_hot", secondary.secondary_hot or "0 ohm", "Ohm")]  # fmt: skip
    return found


@cache
def shipped() -> dict[str, str]:
    """Shipped scenarios, name to TOML text."""
    folder = resources.files("drivers") / "practice_scenarios"
    return {
        entry.name.removesuffix(".toml"): entry.read_text("utf-8")
        for entry in sorted(folder.iterdir(), key=lambda e: e.name)
        if entry.name.endswith(".toml")
    }


@cache
def load(name: str) -> Scenario:
    """The shipped scenario of that name. Raises: PracticeError: there is none (those that exist are listed)."""
    if name not in shipped():
        raise PracticeError(f"There is no practice scenario {name!r}.", remedy=f"Known are {', '.join(shipped())}.")
    return read_scenario(shipped()[name], name, f"practice scenario {name}")
