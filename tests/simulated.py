"""Simulated radios with known truth, and the sittings that a restorer would record of them.

`simulate(seed)` gives a radio: its circuit, the rows and events of its sessions, and what is true of it. Nothing here
uses the judging code; `tests.simulated_truth` states what may and what must not be said of such a radio, and
`tests.simulated_files` writes it as a benchbook.
"""

from __future__ import annotations

import random
from dataclasses import replace

from tests.simulated_circuit import solve
from tests.simulated_meter import random_meter
from tests.simulated_radio import Burden, SimulatedRadio, Sitting
from tests.simulated_sets import SimulatedSet, random_set
from tests.simulated_sitting import Bench, Sitter, volts

#: What can go wrong at the bench, with how often each is drawn among faulty sittings.
FAULTS = {
    "dead-socket": 3, "clip-off": 3, "socket-dies": 1, "clip-falls": 1, "air": 3, "late-contact": 3,
    "missing-states": 6, "no-proof": 4, "isolating-transformer": 2, "variac": 1, "lamp-limiter": 1,
    "other-meter-proof": 2, "held": 2, "overload-range": 2, "never-settles": 2, "no-nominal": 1,
}  # fmt: skip
#: Burden box: nominal, tolerance, power, voltage rating.
BOX = ((1e6, "1 Mohm", 0.5, 500.0), (100e3, "100 kohm", 2.0, 500.0), (10e3, "10 kohm", 10.0, 500.0),
       (2e3, "2 kohm", 25.0, 250.0))  # fmt: skip


def _burden_box(rng: random.Random, notional: float) -> list[Burden]:
    chosen = [b for b in BOX if rng.random() < 0.85] or [BOX[1]]
    made = []
    for nominal, text, power, rating in chosen:
        tolerance = rng.choice([0.01, 0.01, 0.02, 0.05])
        listed = rng.random() > 0.07
        tolerance = tolerance if listed else 0.05
        strength = rng.choice([1.0, 1.0, 2.0])
        made.append(
            Burden(text=text, nominal=nominal, true=nominal * (1 + tolerance * rng.uniform(-0.98, 0.98)),
                   tolerance=tolerance, power=power * strength, voltage=rating * strength, listed=listed)
        )  # fmt: skip
    return made


def _card(
    rng: random.Random, made: SimulatedSet, faults: frozenset[str], *, strict: bool, own: dict[str, float]
) -> dict[str, object]:
    """The radio card; what its owner does not know is left out."""
    card: dict[str, object] = {"schema": 1, "id": "set-1", "name": "Simulated set"}
    if "no-nominal" not in faults:
        card["nominal_mains"] = f"{made.nominal:g} V"
    if made.circuit.frequency == 50 or rng.random() > 0.1:
        card["frequency"] = f"{made.circuit.frequency:g} Hz"
    card |= {
        "plug": made.plug,
        "switch": made.switch if made.switch == "none" or rng.random() > 0.2 else "unknown",
        "supply": made.supply if rng.random() > 0.4 else "unknown",
        "points": list(made.circuit.points),
        "notes": "",
    }
    limits: dict[str, object] = {"strict": True} if strict else {}
    for key, value in own.items():
        limits[key] = f"{value:g} V" if "voltage" in key else f"{value * 1e3:g} mA"
    if limits:
        card["limits"] = limits
    return card


def simulate(seed: int, family: str | None = None, faults: frozenset[str] | None = None) -> SimulatedRadio:
    """A random radio and its sittings, the same for the same seed.

    Args:
        family: one of FAMILIES; None: any.
        faults: of FAULTS; None: none in 45 of 100 radios, else one, seldom two.
    """
    rng = random.Random(seed)
    made = random_set(rng, family)
    if faults is None:
        count = rng.choices([0, 1, 2], [45, 45, 10])[0]
        faults = frozenset(rng.choices(list(FAULTS), list(FAULTS.values()), k=count))
    strict = rng.random() < 0.15
    own: dict[str, float] = {}
    if rng.random() < 0.1:
        own["touch_voltage_ac"] = rng.choice([12.0, 20.0, 25.0, 40.0])
    if rng.random() < 0.07:
        own["touch_current_ac"] = rng.choice([0.1e-3, 0.25e-3, 1e-3])
    meter = random_meter(rng)
    if "overload-range" in faults:
        meter = replace(meter, fixed=meter.lowest * rng.choice([10, 100]))
    takes = rng.random() < 0.5 or bool(faults & {"socket-dies", "clip-falls"})
    radio = SimulatedRadio(
        seed=seed, made=made, card=_card(rng, made, faults, strict=strict, own=own), strict=strict, own_limits=own,
        burdens=_burden_box(rng, made.nominal), faults=faults, pins_taken=rng.random() < 0.8,
        sources=solve(made.circuit), meter=meter,
    )  # fmt: skip
    radio.looked = rng.random() < 0.5
    policy = rng.choices(["plan", "some", "one", "none"], [55, 15, 10, 20])[0]
    sitter = Sitter(radio, rng, takes=takes, policy=policy)
    fed = faults & {"isolating-transformer", "variac", "lamp-limiter"}
    both = [meter, sitter.second] if "other-meter-proof" in faults else [meter]
    start = float(rng.randrange(0, 300 * 86400))
    radio_stage = rng.choice(["before-fit", "after-fit", "as found"])

    def sitting(n: int, stage: str) -> Sitting:
        closed = rng.random() > 0.05
        return Sitting(name=f"sitting-{n}", start=start + 3600.0 * n, stage=stage, meters=both,
                       fed_from=min(fed) if fed else "mains", closed=closed)  # fmt: skip

    if radio_stage == "after-fit" and rng.random() < 0.4:
        radio.sittings.append(_earlier(radio, rng, sitting(0, "before-fit")))
    if rng.random() < 0.12 and not faults & {"socket-dies", "clip-falls"}:
        plugs = [tuple(s for s in radio.states if s[0] == way) for way in ("1", "2")]
        radio.lined |= rng.choice([{0, 1}, {0, 1}, {0}, {1}])
        sitter.sit([(sitting(1, radio_stage), plugs[0]), (sitting(2, radio_stage), plugs[1])])
    else:
        sitter.sit([(sitting(1, radio_stage), radio.states)])
    return radio


def _earlier(radio: SimulatedRadio, rng: random.Random, sitting: Sitting) -> Sitting:
    """A sitting of an earlier stage in which everything read low, well proved: nothing of it may count."""
    bench = Bench(sitting, rng, takes=True)
    bench.event("start", "")
    meter = radio.meter
    bench.settled(volts(meter, radio.made.circuit.mains, rng), {"point": "mains-line"})
    bench.settled(volts(meter, 0.5, rng), {"point": "mains-neutral"})
    for point in radio.sources:
        for plug, switch in radio.states:
            bench.settled(volts(meter, 0.4, rng), {"point": point, "plug": plug, "switch": switch})
    bench.event("end", "")
    sitting.closed, sitting.fed_from = True, "mains"
    return sitting
