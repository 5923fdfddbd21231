"""Resistance from the plug's pins to the chassis, read with the plug out."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from analysis.finding import Evidence
from analysis.states import Chunk, chunks, lowest, named_rows
from analysis.table import Radio
from drivers.units import show

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
    def told(self) -> str:
        """What was read, for a person: "pin 1 open (switch on and off); pin 2 140 Ω (switch on)"."""
        said: dict[str, dict[str, list[str]]] = {}
        for (pin, switch), ohms in sorted(self.ohms.items(), key=lambda item: (item[0][0], item[0][1] != "on")):
            shown = _shown(ohms)
            name = "earth pin" if pin == "earth" else f"pin {pin}"
            said.setdefault(name, {}).setdefault(shown, []).append(switch)
        parts = []
        for name, values in said.items():
            each = [shown + (f" (switch {' and '.join(at)})" if all(at) else "") for shown, at in values.items()]
            parts.append(f"{name} {', '.join(each)}")
        return "; ".join(parts)

    @property
    def least(self) -> float | None:
        """The least of a mains pin."""
        return min((ohms for (pin, _), ohms in self.ohms.items() if pin != "earth"), default=None)


def _shown(ohms: float) -> str:
    """To three digits, and no more than an ohmmeter with its leads has."""
    if math.isinf(ohms):
        return "open"
    return f"{ohms:.1f} Ω" if ohms < TIED else show(ohms, "Ohm", 10.0 ** (math.floor(math.log10(ohms)) - 2))


def _evidence(chunk: Chunk) -> Evidence:
    """The rows of its last take, else all of its rows."""
    take = chunk.take
    inside = np.flatnonzero((chunk.rows >= take.first) & (chunk.rows <= take.last)) if take is not None else ()
    picked = inside if len(inside) else np.arange(len(chunk.rows))
    return Evidence(
        session=chunk.session.name, rows=named_rows(chunk, np.asarray(picked)),
        take=take.id if take is not None and len(inside) else None,
    )  # fmt: skip


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
            evidence.append(_evidence(chunk))
    return Pins(ohms, tuple(evidence))
