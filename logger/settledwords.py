"""What a settled value comes to in words, and what speaks against taking it or against the measuring chain."""

from __future__ import annotations

from drivers.reading import Quantity
from drivers.units import parse, show
from logger.agenda import Item
from logger.settle import Settled


def shown(settled: Settled) -> str:
    """A settled value for a person."""
    if settled.value is None:
        text = "open circuit" if settled.quantity is Quantity.RESISTANCE else "overload"
    else:
        text = show(settled.value, settled.unit, settled.resolution)
    return f"{text} {settled.coupling.upper().replace('ACDC', 'AC+DC')}".strip()


def out_of_bounds(item: Item, settled: Settled) -> str:
    """Why a value is not taken for a step that expects more or less; empty if it is."""
    size = None if settled.value is None else abs(settled.value)
    if item.above is not None and size is not None and size <= item.above:
        return f"{shown(settled)}: more than {show(item.above, settled.unit)} is expected here. Not taken."
    if item.below is not None and (size is None or size >= item.below):
        return f"{shown(settled)}: less than {show(item.below, settled.unit)} is expected here. Not taken."
    return ""


def against_proof(point: str, settled: Settled, nominal: str) -> str:
    """What a contact of the socket tells of everything else, said at once; empty if nothing."""
    if point not in ("mains-line", "mains-neutral") or not nominal or settled.value is None:
        return ""
    from analysis.proof import NEAR, NEUTRAL

    share = abs(settled.value) / parse(nominal, "V")
    if point == "mains-line" and abs(share - 1) > NEAR:
        return (
            f"The live contact shows {shown(settled)}, not {nominal}: the chain is not proved, and nothing that read "
            "low counts. Look at the socket, its device and the earth clip."
        )
    if point == "mains-neutral" and share > NEUTRAL:
        return (
            f"The other contact shows {shown(settled)}: the earth clip or the socket is not as it should be, and "
            "nothing that reads low counts."
        )
    return ""
