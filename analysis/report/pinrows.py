"""Ohms from the pins of the plug to the chassis, plug out, as a table: what the kind of chassis rests on first."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.finding import Evidence
from analysis.pins import Pins, read_pins
from analysis.report.outcomes import place
from analysis.report.text import plain
from analysis.table import Radio
from drivers.units import show

#: Below this ohms are shown to a tenth, without a prefix. [Ω]
_PLAIN = 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PinRow:
    """One pin in one position of the switch."""

    pin: str
    switch: str
    ohms: str  #: the lowest that was read
    rows: str  #: of readings.csv, with the take


def pin_rows(radio: Radio) -> tuple[tuple[PinRow, ...], tuple[Evidence, ...]]:
    """A row for each pin and switch position that was read, and the evidence that the rows name."""
    pins = read_pins(radio)
    places: dict[tuple[str, str], list[Evidence]] = {}
    for entry in pins.evidence:
        places.setdefault(_place_of(radio, entry), []).append(entry)
    several = len({entry.session for entry in pins.evidence}) > 1
    order = sorted(pins.ohms, key=lambda key: (key[0], key[1] != "on", key[1]))
    return tuple(_row(pins, key, places.get(key, []), several=several) for key in order), pins.evidence


def _row(pins: Pins, key: tuple[str, str], entries: list[Evidence], *, several: bool) -> PinRow:
    pin, switch = key
    where = [f"{plain(e.session)}: {place(e.rows, e.take)}" if several else place(e.rows, e.take) for e in entries]
    return PinRow(
        pin="earth pin" if pin == "earth" else f"pin {pin}", switch=plain(switch, 20) or "not noted",
        ohms=_ohms(pins.ohms[key]), rows="; ".join(dict.fromkeys(where)) or "–",
    )  # fmt: skip


def _ohms(value: float) -> str:
    """To four digits, and no finer than an ohmmeter with its leads."""
    if math.isinf(value):
        return "open"
    if value < _PLAIN:
        return f"{value:.1f} Ω"
    return show(value, "Ohm", 10.0 ** (math.floor(math.log10(value)) - 3))


def _place_of(radio: Radio, entry: Evidence) -> tuple[str, str]:
    """Pin and switch of the rows that an entry names, by their tags."""
    session = next(session for session in radio.judged if session.name == entry.session)
    row = np.array(entry.rows[:1], dtype=np.int64)
    point, switch = (str(session.readings.words[name].at(row)[0]) for name in ("point", "switch"))
    return point.removeprefix("pin-").removesuffix("-to-chassis").removesuffix("-pin"), switch
