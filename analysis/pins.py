"""Resistance from the plug's pins to the chassis, read with the plug out."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from analysis.finding import Evidence
from analysis.states import chunks, lowest
from analysis.table import Radio

#: A pin that reads less than this to the chassis is tied to it: wire and contacts, where a cold heater chain or a
#: primary has tens of ohms at least. Source: own choice, from trade figures for series-heater chains (100 Ω cold).
TIED = 10.0
PINS = ("pin-1-to-chassis", "pin-2-to-chassis", "earth-pin-to-chassis")


@dataclass(frozen=True, slots=True)
class Pins:
    """Resistances of the plug's pins to the chassis, plug out; infinite for an open circuit."""

    ohms: Mapping[tuple[str, str], float]  #: by pin (`1`, `2`, `earth`) and switch
    evidence: tuple[Evidence, ...] = ()

    def at(self, pin: str, switch: str) -> float | None:
        """One of them; a reading without a switch tag counts for both positions."""
        return self.ohms.get((pin, switch), self.ohms.get((pin, "")))

    @property
    def tied(self) -> str | None:
        """The mains pin that is tied to the chassis in some position of the switch."""
        low = [(ohms, pin) for (pin, _), ohms in self.ohms.items() if pin != "earth" and ohms < TIED]
        return min(low)[1] if low else None

    @property
    def least(self) -> float | None:
        """The least of a mains pin."""
        return min((ohms for (pin, _), ohms in self.ohms.items() if pin != "earth"), default=None)


def read_pins(radio: Radio) -> Pins:
    """The pins' resistances by the latest stage's sessions."""
    found = [c for s in radio.judged for c in chunks(s, by=("switch",), where=lambda point: point in PINS)]
    ohms: dict[tuple[str, str], float] = {}
    evidence = []
    for chunk in found:
        least = lowest(chunk) if chunk.key.quantity in ("resistance", "continuity") else None
        if least is not None:
            pin = chunk.key.point.removeprefix("pin-").removesuffix("-to-chassis").removesuffix("-pin")
            place = (pin, chunk.key.switch)
            ohms[place] = min(least, ohms.get(place, math.inf))
            rows = (int(chunk.rows[0]), int(chunk.rows[-1]))
            evidence.append(Evidence(session=chunk.session.name, rows=tuple(dict.fromkeys(rows))))
    return Pins(ohms, tuple(evidence))
