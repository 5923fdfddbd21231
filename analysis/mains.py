"""What the mains did during the sitting, against the supply standards and against the radio's own nominal voltage."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.card import RadioCard, figure
from analysis.finding import Finding, Level
from analysis.judge import exceeds, falls_below
from analysis.states import Value, chunks, settle
from analysis.table import Radio, Session
from drivers.units import show, show_pm

#: More than this above the radio's own nominal stresses an old set. Source: trade practice; heaters and HT follow.
ABOVE_NOMINAL = 1.05


@dataclass(frozen=True, slots=True)
class Supply:
    """The band that a supply standard allows. [V]"""

    low: float
    high: float
    source: str


SUPPLIES = (
    Supply(95.0, 107.0, "statutory 101 V ± 6 V at the supply point (Japan)"),
    Supply(114.0, 126.0, "ANSI C84.1, Range A service, 120 V ± 5 %"),
    Supply(182.0, 222.0, "statutory 202 V ± 20 V at the supply point (Japan)"),
    Supply(207.0, 253.0, "IEC 60038, 230 V ± 10 %"),
)


def supply_standard(volts: float, nominal: float | None) -> Supply:
    """The supply that a socket of so many volts belongs to; between two, the radio's nominal decides."""
    small, large = SUPPLIES[:2], SUPPLIES[2:]
    if volts < 160:
        return small[0] if (nominal is not None and nominal <= 105) or volts < 104 else small[1]
    return large[0] if nominal is not None and 190 <= nominal < 215 and volts < 222 else large[1]


def session_mains(session: Session) -> Value | None:
    """What the mains settled on in one session: line to neutral, else the live contact to earth; None if not read.

    Fed from anything but the mains, the socket says nothing of what the radio got.
    """
    if session.fed_from != "mains":
        return None
    for point in ("mains", "mains-line"):
        found = chunks(session, by=(), where=lambda name, point=point: name == point)  # type: ignore[misc] # a bound default
        values = [
            value for c in found if c.key.quantity == "voltage" and c.key.coupling == "ac"
            if (value := settle(c)) is not None and value.value
        ]  # fmt: skip
        if values:
            return min(values, key=lambda value: value.magnitude)
    return None


def mains_finding(radio: Radio) -> Finding | None:
    """`mains-level`, from line to neutral (else from the live contact to earth); None without readings."""
    found = [
        c for session in radio.judged for point in ("mains", "mains-line")
        for c in chunks(session, by=(), where=lambda name, point=point: name == point)  # type: ignore[misc] # a bound default
        if c.key.quantity == "voltage" and c.key.coupling == "ac" and c.ok.any()
    ]  # fmt: skip
    between = [c for c in found if c.key.point == "mains"]
    chosen = between or found
    values = [value for c in chosen if (value := settle(c)) is not None and value.value is not None]
    if not values:
        return None
    rows = np.abs(np.concatenate([c.value[c.ok] for c in chosen]))
    rows = rows[rows >= 0.5 * max(value.magnitude for value in values)]  # the probe on its way is no mains
    if not len(rows):  # a take that its rows do not bear out
        rows = np.array([value.magnitude for value in values])
    return _finding(values, float(rows.min()), float(rows.max()), radio.card, to_earth=not between)


def _finding(values: Sequence[Value], low: float, high: float, card: RadioCard, *, to_earth: bool) -> Finding:
    top = max(values, key=lambda value: value.magnitude + value.expanded)
    bottom = min(values, key=lambda value: value.magnitude - value.expanded)
    nominal = figure(card.nominal_mains, "V")
    standard = supply_standard(top.magnitude, nominal)
    over = exceeds(top.magnitude, top.expanded, standard.high)
    under = falls_below(bottom.magnitude, bottom.expanded, standard.low)
    stressed = nominal is not None and exceeds(top.magnitude, top.expanded, ABOVE_NOMINAL * nominal)
    where = "the live contact to earth" if to_earth else "line to neutral"
    by = (
        f", by meter '{top.meter}', which of {several} comes nearest a limit with its U"
        if (several := len({v.meter for v in values})) > 1
        else ""
    )
    count = top.resolution
    parts = [
        f"The mains ({where}{by}) came to {show_pm(top.magnitude, top.expanded, 'V')}, "
        f"from {show(low, 'V', count)} to {show(high, 'V', count)} in the sitting; "
        f"the supply standard allows {show(standard.low, 'V', 1)} to {show(standard.high, 'V', 1)}."
    ]
    if nominal is not None:
        share = 100 * (top.magnitude / nominal - 1)
        parts.append(
            f"The radio is made for {card.nominal_mains}: heaters, HT and the voltage on its capacitors stand at"
            f" {share:+.1f} %, and the heat in heaters and droppers at about"
            f" {100 * ((1 + share / 100) ** 2 - 1):+.0f} %."
        )
    advice = ""
    if stressed:
        advice = (
            "Consider the set's higher voltage tap if it has one, or bring the mains down to what it was made for; "
            "check the voltage rating of its capacitors against the raised HT."
        )
    limit = ABOVE_NOMINAL * nominal if stressed and nominal is not None else standard.high
    return Finding(
        id="mains-level", level=Level.CAUTION if over or under or stressed else Level.WITHIN,
        title=f"Mains: {show(top.magnitude, 'V', count)}" + (f", set made for {card.nominal_mains}" if nominal else ""),
        statement=" ".join(parts), value=top.magnitude, expanded_uncertainty=top.expanded, unit="V", limit=limit,
        limit_source="5 % above the radio's own nominal, trade practice" if stressed else standard.source,
        evidence=tuple(value.evidence for value in values), advice=advice,
    )  # fmt: skip
