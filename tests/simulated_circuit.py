"""The circuit of a simulated radio: a small complex nodal network whose truth is known, and what a meter reads on it.

Nothing here comes from the judging code. The network is linear, so every point is a Thévenin source: its open-circuit
voltage is the node's voltage, its impedance the node's diagonal element of the inverse admittance matrix.

Source: nodal analysis; IEC 60990:2016, figure 3 for the body network (1500 Ω ∥ 0.22 µF, in series with 500 Ω).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

State = tuple[str, str]  #: plug, switch
STATES: tuple[State, ...] = (("1", "on"), ("1", "off"), ("2", "on"), ("2", "off"))

#: A closed contact with its cord, and an open one: its gap and wiring.
CLOSED_OHMS, OPEN_OHMS, OPEN_FARADS = 0.03, 5e10, 4e-12


@dataclass(frozen=True, slots=True)
class Element:
    """Between two nodes: (ohms + henries in series) in parallel with farads."""

    u: str
    v: str
    ohms: float = math.inf
    farads: float = 0.0
    henries: float = 0.0
    ohms_off: float | None = None  #: with the switch off or the plug out (heaters cold); None: the same

    def admittance(self, omega: float, *, on: bool) -> complex:
        ohms = self.ohms if on or self.ohms_off is None else self.ohms_off
        branch = 0j if math.isinf(ohms) else 1 / complex(ohms, omega * self.henries)
        return branch + 1j * omega * self.farads


@dataclass(frozen=True, slots=True, kw_only=True)
class Circuit:
    """A radio on its socket. Nodes: `a`, `b` behind the two legs' switches, `c` the chassis, `e` earth, and points.

    `p1` and `p2` are the plug's pins; leg A is the one on pin `leg_a`, and `pin-a` and `pin-b` name them by leg.
    Whatever is not one of these is its own node.
    """

    elements: tuple[Element, ...]
    points: Mapping[str, str]  #: point -> node
    mains: float  #: line to neutral [V]
    frequency: float
    neutral: float = 0.0  #: neutral above earth [V]
    leg_a: int = 1
    switched_a: bool = False
    switched_b: bool = False
    floating_feed: tuple[float, float] | None = None  #: isolating transformer: strays of its two ends to earth [F]

    @property
    def omega(self) -> float:
        return 2 * math.pi * self.frequency

    def legs(self) -> tuple[str, str]:
        return ("p1", "p2") if self.leg_a == 1 else ("p2", "p1")

    def wired(self) -> list[Element]:
        """The elements, with pins named by number."""
        pin_a, pin_b = self.legs()
        by = {"pin-a": pin_a, "pin-b": pin_b}
        return [
            replace(e, u=by.get(e.u, e.u), v=by.get(e.v, e.v)) if e.u in by or e.v in by else e for e in self.elements
        ]

    def contacts(self, *, on: bool) -> list[Element]:
        """The switch's contacts, as elements of one state."""
        closed = Element("", "", CLOSED_OHMS)
        gap = Element("", "", OPEN_OHMS, OPEN_FARADS)
        pin_a, pin_b = self.legs()
        made = []
        for pin, node, switched in ((pin_a, "a", self.switched_a), (pin_b, "b", self.switched_b)):
            kind = gap if switched and not on else closed
            made.append(Element(pin, node, kind.ohms, kind.farads))
        return made


@dataclass(frozen=True, slots=True)
class Source:
    """A point in one state, as a Thévenin source."""

    volts: complex  #: open circuit, against earth
    ohms: complex

    def across(self, admittance: complex) -> float:
        """Magnitude of the voltage over an admittance from the point to earth. [V]"""
        return abs(self.volts / (1 + self.ohms * admittance))


def body_impedance(frequency: float) -> complex:
    """The IEC 60990 network, unweighted. [Ω]"""
    return 500 + 1 / (1 / 1500 + 2j * math.pi * frequency * 0.22e-6)


def body_current(source: Source, frequency: float) -> float:
    """What flows through the body network from the point to earth. [A rms]"""
    return abs(source.volts / (source.ohms + body_impedance(frequency)))


def solve(circuit: Circuit, states: tuple[State, ...] = STATES) -> dict[str, dict[State, Source]]:
    """Every point in every state, as a source."""
    wired = circuit.wired()
    names = sorted({n for e in wired for n in (e.u, e.v)} | {"a", "b", *circuit.points.values()})
    feed = circuit.floating_feed
    unknown = [n for n in names if n not in ("e", "p1", "p2")] + (["l", "n"] if feed else [])
    at = {name: i for i, name in enumerate(unknown)}
    y = np.zeros((len(states), len(unknown), len(unknown)), dtype=complex)
    j = np.zeros((len(states), len(unknown)), dtype=complex)
    for s, (plug, switch) in enumerate(states):
        pins = {"p1": "l", "p2": "n"} if plug == "1" else {"p1": "n", "p2": "l"}
        known = {"e": 0.0} if feed else {"e": 0.0, "l": circuit.mains + circuit.neutral, "n": circuit.neutral}
        on = switch == "on"
        fed = (
            [Element("l", "n", 0.5), Element("l", "e", 1e12, feed[0]), Element("n", "e", 1e12, feed[1])] if feed else []
        )
        for element in (*wired, *circuit.contacts(on=on), *fed):
            u, v = pins.get(element.u, element.u), pins.get(element.v, element.v)
            g = element.admittance(circuit.omega, on=on)
            for this, other in ((u, v), (v, u)):
                if this in at:
                    y[s, at[this], at[this]] += g
                    if other in at:
                        y[s, at[this], at[other]] -= g
                    else:
                        j[s, at[this]] += g * known[other]
        if feed:
            j[s, at["l"]] += circuit.mains / 0.5
            j[s, at["n"]] -= circuit.mains / 0.5
    z = np.linalg.inv(y)
    volts = np.einsum("sij,sj->si", z, j)
    return {
        point: {
            state: Source(complex(volts[s, at[node]]), complex(z[s, at[node], at[node]]))
            for s, state in enumerate(states)
        }
        for point, node in circuit.points.items()
    }


def pin_ohms(circuit: Circuit) -> dict[tuple[str, str], float]:
    """Ohms, by direct current, from each plug pin and the earth pin `pe` to chassis, plug out, by (pin, switch)."""
    found: dict[tuple[str, str], float] = {}
    for switch in ("on", "off"):
        # The plug is out, so the heaters are cold whatever the switch, and nothing goes to earth but the earth pin.
        elements = [e for e in circuit.wired() if "e" not in (e.u, e.v)] + circuit.contacts(on=switch == "on")
        names = sorted({n for e in elements for n in (e.u, e.v)} - {"c"} | {"pe", "p1", "p2"})
        at = {name: i for i, name in enumerate(names)}
        y = np.zeros((len(names), len(names))) + np.eye(len(names)) * 1e-13  # whatever floats: 10 TΩ
        for element in elements:
            ohms = element.ohms if element.ohms_off is None else element.ohms_off
            if math.isinf(ohms):
                continue
            for this, other in ((element.u, element.v), (element.v, element.u)):
                if this in at:
                    y[at[this], at[this]] += 1 / ohms
                    if other in at:
                        y[at[this], at[other]] -= 1 / ohms
        z = np.linalg.inv(y)
        for pin in ("p1", "p2", "pe"):
            found[pin, switch] = float(z[at[pin], at[pin]])
    return found
