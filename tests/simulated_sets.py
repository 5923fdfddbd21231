"""Random sets of every kind that restorers meet, as circuits with known truth.

Component ranges: heater chains about 100 Ω (120 V) to 2.3 kΩ (230 V), hot; chassis coupling 0.02 to 0.25 µF ∥ 150 to
470 kΩ; line-to-chassis capacitors 1 nF to 0.2 µF, old paper ones leaky or short; aerial isolators 1 to 5 nF; strays of
a transformer some tens to hundreds of picofarads.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

from tests.simulated_circuit import Circuit, Element

FAMILIES = (
    "series-chassis-leg", "series-far-leg", "series-double-pole", "series-no-switch", "autotransformer", "rc-coupled",
    "transformer", "transformer-one-capacitor", "transformer-two-capacitors", "earthed", "earth-broken",
    "leaking-capacitor", "shorted-capacitor",
)  # fmt: skip
#: Nominal mains and the frequencies met with it.
SUPPLIES = (
    (100.0, (50.0, 60.0)), (110.0, (50.0, 60.0)), (120.0, (60.0,)), (120.0, (60.0,)), (127.0, (60.0,)),
    (220.0, (50.0, 60.0)), (230.0, (50.0,)), (230.0, (50.0,)), (240.0, (50.0,)),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedSet:
    """A set on its socket, with the words that are true of it."""

    family: str
    circuit: Circuit
    nominal: float
    kind: str  #: the word that chassis-kind should give
    also: tuple[str, ...] = ()  #: words that are as right, where the circuit is both
    pin: int | None = None
    supply: str = "unknown"  #: as the card may say it
    switch: str = "single"  #: as it is: single, double, none
    plug: str = "reversible"


def _log_uniform(rng: random.Random, low: float, high: float) -> float:
    return math.exp(rng.uniform(math.log(low), math.log(high)))


def random_set(rng: random.Random, family: str | None = None) -> SimulatedSet:
    """A set of the family, or of any."""
    family = family or rng.choice(FAMILIES)
    nominal, frequencies = rng.choice(SUPPLIES)
    leg_a = rng.choice([1, 2])
    series = family.startswith("series") or family in ("autotransformer", "rc-coupled")
    switched_a, switched_b = _switch(rng, family)
    elements = [Element("c", "e", _log_uniform(rng, 1e9, 1e11), rng.uniform(10e-12, 150e-12))]
    if family.startswith("series") or family == "rc-coupled":
        hot = rng.uniform(400, 900) if nominal < 150 else rng.uniform(900, 2400)
        elements.append(Element("a", "b", hot, ohms_off=hot / rng.uniform(1.5, 8)))
    else:
        elements.append(Element("a", "b", rng.uniform(15, 300), henries=rng.uniform(1, 10)))
    kind, also, made = _coupling(rng, family, switched_a=switched_a, switched_b=switched_b)
    elements += made
    points = {"chassis": "c", **_more_points(rng, elements, series=series)}
    both = switched_a and switched_b
    tied = kind.startswith("tied")
    return SimulatedSet(
        family=family,
        circuit=Circuit(
            elements=tuple(elements),
            points=points,
            mains=nominal * rng.uniform(0.9, 1.1),
            frequency=rng.choice(frequencies),
            neutral=rng.uniform(0.001, 0.01) * nominal,
            leg_a=leg_a,
            switched_a=switched_a,
            switched_b=switched_b,
        ),
        nominal=nominal,
        kind=kind,
        also=also,
        pin=leg_a if tied else None,
        supply="autotransformer" if family == "autotransformer" else "series-heater" if series else "transformer",
        switch="double" if both else "single" if switched_a or switched_b else "none",
        plug="earthed" if family.startswith("earth") else rng.choice(["reversible", "reversible", "polarised"]),
    )


def _switch(rng: random.Random, family: str) -> tuple[bool, bool]:
    """Which legs the mains switch breaks."""
    fixed = {
        "series-chassis-leg": (True, False),
        "series-far-leg": (False, True),
        "series-double-pole": (True, True),
        "series-no-switch": (False, False),
    }
    return fixed.get(family) or rng.choice([(True, False), (False, True), (True, True), (False, False)])


def _coupling(
    rng: random.Random, family: str, *, switched_a: bool, switched_b: bool
) -> tuple[str, tuple[str, ...], list[Element]]:
    """How the chassis stands to the legs: its kind, words as right, and the elements."""
    through = "tied-through-switch" if switched_a and not switched_b else "tied"
    strays = [
        Element("a", "c", _log_uniform(rng, 1e9, 1e11), rng.uniform(20e-12, 350e-12)),
        Element("b", "c", _log_uniform(rng, 1e9, 1e11), rng.uniform(20e-12, 250e-12)),
    ]
    if family.startswith("series"):
        return through, (), [Element("a", "c", rng.uniform(0.02, 0.3))]
    if family == "autotransformer":  # the word "tied" is right of it whatever its switch does
        return through, ("tied",), [Element("a", "c", rng.uniform(0.02, 0.3))]
    if family == "rc-coupled":
        farads = _log_uniform(rng, 0.02e-6, 0.25e-6)
        return "rc-coupled", (), [Element("a", "c", rng.uniform(150e3, 470e3), farads), strays[1]]
    if family == "transformer":
        return "isolated", (), strays
    side = rng.choice(["a", "p"])  # behind the switch, or before it
    legs = {"a": ("a", "b"), "p": ("pin-a", "pin-b")}[side]
    farads = _log_uniform(rng, 1.2e-9, 0.2e-6)
    good = Element(legs[0], "c", _log_uniform(rng, 1e9, 1e11), farads)
    if family == "transformer-one-capacitor":
        return "line-capacitor", (), [good, *strays]
    if family == "transformer-two-capacitors":
        return "line-capacitor", (), [good, Element(legs[1], "c", 1e10, farads * rng.uniform(0.8, 1.25)), *strays]
    if family.startswith("earth"):
        small = _log_uniform(rng, 2e-9, 10e-9)
        filters = [Element(legs[0], "c", 1e10, small), Element(legs[1], "c", 1e10, small)]
        made = strays + (filters if family == "earth-broken" or rng.random() < 0.5 else [])
        wire = rng.uniform(0.05, 0.5) if family == "earthed" else math.inf
        made += [Element("c", "pe", wire, 1e-12), Element("pe", "e", rng.uniform(0.1, 0.6))]
        return ("earthed" if family == "earthed" else "line-capacitor"), (), made
    if family == "leaking-capacitor":  # electrically a resistor beside a capacitor: both words are true of it
        leak = _log_uniform(rng, 15e3, 2e6)
        return "line-capacitor", ("rc-coupled",), [Element(legs[0], "c", leak, min(farads, 50e-9)), *strays]
    kind = through if side == "a" else "tied"
    return kind, (), [Element(legs[0], "c", rng.uniform(0.1, 5)), *strays]


def _more_points(rng: random.Random, elements: list[Element], *, series: bool) -> dict[str, str]:
    """Further points of the card, each with what connects it."""
    names = rng.sample(
        ["pickup-ground", "knob-screw", "aerial", "speaker-frame", "earth-socket"], rng.choice([0, 1, 2, 3])
    )
    home = "a" if series else "c"
    for name in names:
        tied = Element("c", name, rng.uniform(0.02, 0.5))
        loose = Element("c", name, 1e12, rng.uniform(1e-12, 10e-12))
        through = {
            "pickup-ground": [Element(home, name, 1e10, _log_uniform(rng, 1e-8, 1e-7)), tied, Element(home, name, 0.1)],
            "knob-screw": [tied, loose],
            "speaker-frame": [tied, loose],
            "aerial": [Element(home, name, 1e10, _log_uniform(rng, 1e-9, 5e-9))],
            "earth-socket": [Element(home, name, 1e10, _log_uniform(rng, 5e-9, 20e-9)), tied],
        }  # fmt: skip
        elements.append(rng.choice(through[name]))
        elements.append(Element(name, "e", _log_uniform(rng, 1e10, 1e12), rng.uniform(3e-12, 40e-12)))
    return {name: name for name in names}
