"""The reference supplies of tests/data/rectifier-cases.csv as circuits, and a plain time-stepping to compare with."""

from __future__ import annotations

import csv
import math
from functools import cache
from pathlib import Path

from analysis.rectifier_circuit import (
    Circuit,
    ExponentialDiode,
    Load,
    PiecewiseDiode,
    Topology,
    constant_current,
    resistor,
)

NAMES = {
    "T1": Topology.HALF_WAVE, "T2": Topology.CENTRE_TAP, "T3": Topology.BRIDGE, "T4": Topology.DUAL_HALF_WAVE,
    "T5": Topology.DOUBLER,
}  # fmt: skip


@cache
def rows() -> list[dict[str, str]]:
    """Every row of the reference table."""
    path = Path(__file__).parent / "data" / "rectifier-cases.csv"
    return list(csv.DictReader(path.read_text("utf-8").splitlines()))


def circuit(row: dict[str, str]) -> Circuit:
    """The supply that a row describes."""
    topology = NAMES[row["topology"]]
    return Circuit(
        topology=topology, emf=float(row["v_oc_Vrms"]), winding_resistance=float(row["rs_ohm"]),
        reservoir=float(row["c_F"]), frequency=float(row["f_Hz"]), load=_load(row, ""),
        negative_load=_load(row, "_neg") if topology is Topology.DUAL_HALF_WAVE else None,
        diode=PiecewiseDiode() if row["diode"] == "pwl" else ExponentialDiode(),
    )  # fmt: skip


def _load(row: dict[str, str], rail: str) -> Load:
    if row["load_kind"] == "resistance":
        return resistor(float(row[f"load{rail}_ohm"]))
    return constant_current(float(row[f"load{rail}_A"]))


def stepped(circuit: Circuit, cycles: int, steps: int) -> dict[str, float]:
    """Rail and winding current of a one-rail supply with piecewise diodes, by small steps from the charged state.

    Small implicit steps (each solved exactly) through `cycles` whole cycles; figures are of the last one. Slow and
    plain on purpose: it shares nothing with the solver under test.
    """
    diode = circuit.diode
    assert isinstance(diode, PiecewiseDiode)
    series = 2 if circuit.topology is Topology.BRIDGE else 1
    drop, r = series * diode.drop, circuit.winding_resistance + series * diode.resistance
    h = 1 / circuit.frequency / steps
    hc, peak = h / circuit.reservoir, math.sqrt(2) * circuit.emf
    upper = lower = peak - drop
    doubler, full = circuit.topology is Topology.DOUBLER, circuit.topology in (Topology.BRIDGE, Topology.CENTRE_TAP)
    if not doubler:
        lower = 0.0
    sine = [peak * math.sin(2 * math.pi * (k + 1) / steps) for k in range(steps)]
    total = {"mean": 0.0, "square": 0.0, "average": 0.0, "peak": 0.0}
    low, high = math.inf, -math.inf
    for cycle in range(cycles):
        for emf in sine:
            rail = upper + lower
            draw = min(circuit.load.current, circuit.load.conductance * rail)
            drive = abs(emf) if full else emf
            free = upper - hc * draw  # with the diode off
            i = max(0.0, drive - drop - free) / (r + hc)
            upper = free + hc * i
            i_lower = 0.0
            if doubler:
                free = lower - hc * draw
                i_lower = max(0.0, -emf - drop - free) / (r + hc)
                lower = free + hc * i_lower
            if cycle == cycles - 1:
                rail, size = upper + lower, i + i_lower
                total["mean"] += rail / steps
                total["square"] += size * size / steps
                total["average"] += size / steps
                total["peak"] = max(total["peak"], size)
                low, high = min(low, rail), max(high, rail)
    halves = 2 if circuit.topology is Topology.CENTRE_TAP else 1
    return {
        "mean": total["mean"], "ripple": high - low, "rms": math.sqrt(total["square"] / halves),
        "average": total["average"] / halves, "peak": total["peak"],
    }  # fmt: skip
