"""The radio card and the burden box as the judgement reads them: TOML text in, checked, frozen objects out.

Quantities stay text in the fields, as the user wrote them; `volts()` and its like give the parsed figure or None.
"""

from __future__ import annotations

import re
import tomllib
from difflib import get_close_matches
from typing import Literal, TypeVar, get_args, get_type_hints

import msgspec

from drivers.reading import BenchError, in_plain_words
from drivers.units import UnitError, parse, parse_fraction

#: Folder names: the id becomes one, on every platform.
ID = re.compile(r"[a-z0-9](?:[a-z0-9-]{0,62}[a-z0-9])?")
#: What an id is, for a person.
ID_WORDS = "An id is 1 to 64 of a-z, 0-9 and -, such as set-1; its ends are no -"
#: Names that open a device on Windows, so that no folder can be named so there.
DEVICE = re.compile(r"con|prn|aux|nul|com[0-9]|lpt[0-9]")
#: Tolerance of a burden that the burden box does not list: half width as a fraction. Source: own choice, E24 parts.
UNLISTED_TOLERANCE = 0.05
#: A wider one is a slip of the pen.
MOST_TOLERANCE = 0.5
#: Mains frequencies that a card may name. [Hz]
FREQUENCIES = (10.0, 1000.0)
#: Mains voltages that a card may name. Source: own choice; IEC 60038 lists 120 V to 400 V, old supplies went lower. [V]
MAINS = (50.0, 500.0)
#: Points that are not touched: they prove the chain or belong to the mains, the supply, the winding, the sound.
RESERVED = frozenset(
    ("mains-line", "mains-neutral", "mains", "pin-1-to-chassis", "pin-2-to-chassis", "earth-pin-to-chassis",
     "secondary", "rail-positive", "rail-negative", "winding-primary", "winding-secondary", "air", "speaker",
     "mains-to-chassis", "barrier", "")
)  # fmt: skip
#: What a form calls the keys that it asks for.
_FIELDS = {"id": "short id", "points": "points to probe", "nominal_mains": "mains it is made for",
           "frequency": "mains frequency", "switch": "mains switch"}  # fmt: skip

_T = TypeVar("_T")


class CardError(BenchError):
    """A card or burden box that cannot be read; the message names the file and the key."""


class _Part(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A table of a card; a key that is not listed is refused."""


class CardLimits(_Part, frozen=True, kw_only=True):
    """[limits]: only what differs from the defaults."""

    strict: bool = False
    touch_voltage_ac: str = ""
    touch_voltage_dc: str = ""
    touch_current_ac: str = ""
    touch_current_dc: str = ""

    def own(self) -> dict[str, float]:
        """The limits that the card states, by kind, in V or A."""
        texts = {kind: getattr(self, kind) for kind in _UNITS["limits"]}
        return {kind: parse(text, _UNITS["limits"][kind]) for kind, text in texts.items() if text}


class Transformer(_Part, frozen=True, kw_only=True):
    """[transformer]: the auxiliary one."""

    primary: str = ""
    secondary: str = ""
    windings: int = 1
    arrangement: Literal["single", "parallel", "series"] = "single"
    rating: str = ""
    insulation_class: Literal["", "A", "E", "B", "F", "H"] = ""
    fuse: str = ""


class Board(_Part, frozen=True, kw_only=True):
    """[board]: the added board."""

    topology: Literal["", "half-wave", "centre-tap", "bridge", "dual-half-wave", "doubler"] = ""
    reservoir: str = ""
    reservoir_rating: str = ""
    supply_min: str = ""
    supply_max: str = ""
    swing_loss: str = ""
    source_level: str = ""
    gain: str = ""  #: what the board's amplifier is set to, in dB


class HeaterWinding(_Part, frozen=True, kw_only=True):
    """[heater_winding]: the radio's own, as an alternative source."""

    volts: str = ""
    rating: str = ""  #: current it may give
    used: str = ""  #: current that the valves take


class RadioCard(_Part, frozen=True, kw_only=True):
    """radio.toml. What is missing limits what can be found."""

    schema: int
    id: str
    points: tuple[str, ...]
    name: str = ""
    nominal_mains: str = ""
    frequency: str = ""
    plug: Literal["", "reversible", "polarised", "earthed"] = ""
    switch: Literal["single", "double", "none", "unknown"] = "unknown"
    supply: Literal["unknown", "transformer", "autotransformer", "series-heater"] = "unknown"
    notes: str = ""
    limits: CardLimits = CardLimits()
    transformer: Transformer = Transformer()
    board: Board = Board()
    heater_winding: HeaterWinding = HeaterWinding()

    @property
    def title(self) -> str:
        """The name, or the id where the card has none."""
        return self.name or self.id


_UNITS: dict[str, dict[str, str]] = {
    "": {"nominal_mains": "V", "frequency": "Hz"},
    "limits": {"touch_voltage_ac": "V", "touch_voltage_dc": "V", "touch_current_ac": "A", "touch_current_dc": "A"},
    "transformer": {"primary": "V", "secondary": "V", "rating": "VA"},
    "board": {"reservoir": "F", "reservoir_rating": "V", "supply_min": "V", "supply_max": "V", "swing_loss": "V",
              "source_level": "V", "gain": "dB"},
    "heater_winding": {"volts": "V", "rating": "A", "used": "A"},
}  # fmt: skip


class Burden(_Part, frozen=True, kw_only=True):
    """One resistor of the burden box."""

    value: str
    tolerance: str = ""
    power: str = ""
    voltage: str = ""

    @property
    def ohms(self) -> float:
        """Nominal value. [Ω]"""
        return parse(self.value, "Ohm")

    @property
    def tolerance_fraction(self) -> float:
        """Half width as a fraction of the value."""
        return parse_fraction(self.tolerance) if self.tolerance else UNLISTED_TOLERANCE


class BurdenBox(_Part, frozen=True, kw_only=True):
    """burdens.toml: the resistors at hand."""

    schema: int = 1
    burden: tuple[Burden, ...] = ()

    def tolerance_of(self, ohms: float) -> float:
        """Tolerance of a burden as a fraction; 5 % where the box does not list it."""
        for entry in self.burden:
            if abs(entry.ohms - ohms) <= 1e-9 * ohms:
                return entry.tolerance_fraction
        return UNLISTED_TOLERANCE


def figure(text: str, unit: str) -> float | None:
    """What a card's text states, or None where the card says nothing."""
    return parse(text, unit) if text else None


def card_text(data: bytes, where: str) -> str:
    """The text of a card's or burden box's bytes, with or without the mark that some editors put before UTF-8.

    Raises: CardError: no UTF-8 text.
    """
    try:
        return data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as exc:
        name = re.split(r"[\\/]", where)[-1]
        raise CardError(f"{name} is not UTF-8 text.", f"{where}, byte {exc.start}.", "Save it as UTF-8.") from exc


def read_toml(text: str, kind: type[_T], where: str) -> _T:
    """TOML text as a checked object. Raises: CardError: with the file and the key."""
    try:
        return msgspec.convert(tomllib.loads(text), kind)
    except (tomllib.TOMLDecodeError, RecursionError) as exc:
        raise CardError(f"Not valid TOML: {exc}.", f"{where}.") from exc
    except msgspec.ValidationError as exc:
        what, _, key = str(exc).partition(" - at ")
        said, name = in_plain_words(str(exc))
        raise CardError(said, _at(where, name) if name else f"{where}.", _expected(what, kind, key)) from exc


def _expected(what: str, kind: object, key: str) -> str:
    """What could stand at a key that msgspec found wrong (`$.burden[0].value`): the words, or the keys of its table."""
    table = kind
    for name in re.findall(r"\.([^.[`]+)", key):
        table, kind = kind, get_type_hints(kind).get(name) if hasattr(kind, "__struct_fields__") else None
        kind = next((part for part in get_args(kind) if hasattr(part, "__struct_fields__")), kind)  # a list's
    words = {word.casefold(): repr(word) for word in get_args(kind) if isinstance(word, str) and word}
    if what.startswith("Invalid enum value") and words:
        written = what.removeprefix("Invalid enum value ").strip("'")
        near = get_close_matches(written.casefold(), words, n=1)
        return f"Expected one of {', '.join(words.values())}{f'; did you mean {words[near[0]]}?' if near else '.'}"
    keys: tuple[str, ...] = getattr(kind, "__struct_fields__", ()) or getattr(table, "__struct_fields__", ())
    return f"Keys there are {', '.join(keys)}."


def _at(where: str, key: str) -> str:
    """The place of a key, with what a form calls it: not everybody has seen the file."""
    field = _FIELDS.get(key)
    return f"{where}, key {key}{f' ({field})' if field else ''}."


def read_card(text: str, where: str) -> RadioCard:
    """A radio card from its text. Raises: CardError: with the file, the key and what was expected."""
    card = read_toml(text, RadioCard, where)
    if card.schema != 1:
        raise CardError(f"Schema {card.schema} is not known.", _at(where, "schema"), "This program reads schema 1.")
    if not ID.fullmatch(card.id):
        raise CardError(f"{card.id[:70]!r} cannot be a radio's id.", _at(where, "id"), f"{ID_WORDS}.")
    if len(set(card.points)) != len(card.points) or not all(point.strip() for point in card.points):
        raise CardError("A point is empty or listed twice.", _at(where, "points"), "Name each point once.")
    if taken := next((point for point in card.points if point.strip() in RESERVED), None):
        raise CardError(
            f"{taken!r} is kept for another reading and is no point that somebody touches.", _at(where, "points"),
            "Take another word, such as speaker-frame.",
        )  # fmt: skip
    for table, units in _UNITS.items():
        part = getattr(card, table) if table else card
        for key, unit in units.items():
            _check_quantity(getattr(part, key), unit, _at(where, f"{table}.{key}" if table else key))
    if card.frequency and not FREQUENCIES[0] <= parse(card.frequency, "Hz") <= FREQUENCIES[1]:
        raise CardError(f"{card.frequency!r} is no mains frequency.", _at(where, "frequency"), "Write 50 Hz or 60 Hz.")
    if card.nominal_mains and not MAINS[0] <= parse(card.nominal_mains, "V") <= MAINS[1]:
        raise CardError(
            f"{card.nominal_mains!r} is no mains voltage of a radio.", _at(where, "nominal_mains"),
            f"Write the volts that it is made for, {MAINS[0]:.0f} V to {MAINS[1]:.0f} V.",
        )  # fmt: skip
    if card.transformer.windings < 1:
        raise CardError("A transformer has one winding at least.", _at(where, "transformer.windings"))
    return card


def _check_quantity(text: str, unit: str, place: str) -> None:
    if not text:
        return
    try:
        value = parse(text, unit)
    except UnitError as exc:
        raise CardError(exc.what, place, exc.remedy) from exc
    if unit != "dB" and value <= 0:
        raise CardError(f"{text!r} is not above zero.", place)


def read_burdens(text: str, where: str) -> BurdenBox:
    """A burden box from its text. Raises: CardError: with the file, the key and what was expected."""
    box = read_toml(text, BurdenBox, where)
    for entry in box.burden:
        for key, unit in (("value", "Ohm"), ("power", "W"), ("voltage", "V")):
            _check_quantity(getattr(entry, key), unit, _at(where, f"burden.{key}"))
        try:
            if entry.tolerance_fraction > MOST_TOLERANCE:
                raise CardError(f"{entry.tolerance!r} is no tolerance.", _at(where, "burden.tolerance"))
        except UnitError as exc:
            raise CardError(exc.what, _at(where, "burden.tolerance"), exc.remedy) from exc
    return box
