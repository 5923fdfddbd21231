"""Heat in a winding from a sitting: its ohms cold and hot, and the air at both moments."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.card import RadioCard
from analysis.finding import ORDER, Evidence, Finding, Level
from analysis.states import Chunk, Value, chunks, of_one_meter, single
from analysis.table import Radio
from analysis.winding import CLASS_SOURCE, WindingReading, WindingRise, judge_winding, winding_finding

WINDINGS = ("winding-primary", "winding-secondary")
#: Taken where the card names no class: the lowest. Source: own choice, on the worse side.
LOWEST_CLASS = "A"


@dataclass(frozen=True, slots=True)
class _Rise:
    winding: str
    rise: WindingRise
    values: tuple[Value, ...]

    @property
    def urgency(self) -> tuple[int, float]:
        return ORDER.index(self.rise.level), self.rise.rise / -max(self.rise.limit, 1e-9)


def winding_rise_finding(radio: Radio) -> Finding | None:
    """`winding-rise`, by the worst winding and meter; None without ohms of a winding."""
    found = [
        c for s in radio.judged for c in chunks(s, by=("load",), where=lambda point: point in (*WINDINGS, "air"))
        if (c.ok | c.overload).any()
    ]  # fmt: skip
    ohms = [c for c in found if c.key.point in WINDINGS and c.key.quantity == "resistance"]
    if not ohms:
        return None
    air = [c for c in found if c.key.point == "air" and c.key.quantity == "temperature"]
    rises, reasons = [], []
    for winding in WINDINGS:
        for meter in sorted({c.meter for c in ohms if c.key.point == winding}):
            mine = [c for c in ohms if c.key.point == winding and c.meter == meter]
            done = _rise(winding, mine, air, radio.card)
            rises += [done] if isinstance(done, _Rise) else []
            reasons += [] if isinstance(done, _Rise) else done
    reasons = list(dict.fromkeys(reasons))
    evidence = tuple(v.evidence for r in rises for v in r.values)
    if not rises:
        return _undecided(reasons, tuple(Evidence(session=c.session.name, rows=(int(c.rows[0]),)) for c in ohms))
    worst = min(rises, key=lambda rise: rise.urgency)
    fallback = any(value.by_fallback for value in worst.values)
    note = f"It was the {worst.winding.removeprefix('winding-')}."
    if fallback:
        note += " No accuracy line covers some of the readings: 3 % and ten counts were taken for them."
    return winding_finding(
        worst.rise, evidence=evidence, assumed_class=not radio.card.transformer.insulation_class, note=note
    )


def _rise(winding: str, mine: list[Chunk], air: list[Chunk], card: RadioCard) -> _Rise | list[str]:
    """One winding by one meter; or what is missing, or wrong with it."""
    parts: dict[str, tuple[Value, Value]] = {}
    reasons = []
    for load in ("cold", "hot"):
        value = _settled([c for c in mine if c.key.load == load])
        if value is None:
            reasons.append(f"settled ohms of {winding}, {load}")
        elif value.value is None:
            reasons.append(f"{winding}, {load}: the meter showed an open circuit")
        else:
            warm = _air(load, value, air)
            if warm is None:
                reasons.append(f"the air's temperature, {load} (point air)")
            else:
                parts[load] = (value, warm)
    if len(parts) < 2:
        return reasons
    try:
        cold, hot = (
            WindingReading(resistance=ohms.magnitude, air=degrees.value or 0.0, u_resistance=ohms.u, u_air=degrees.u)
            for ohms, degrees in (parts["cold"], parts["hot"])
        )
        rise = judge_winding(cold, hot, insulation_class=card.transformer.insulation_class or LOWEST_CLASS)
    except (ValueError, ArithmeticError) as exc:
        return [f"{winding} again: {exc}"]
    return _Rise(winding, rise, (*parts["cold"], *parts["hot"]))


def _settled(parts: list[Chunk]) -> Value | None:
    """What the meter settled on; a value that somebody typed is one that had settled."""
    value = of_one_meter(parts)
    typed = [c for c in parts if (info := c.session.meter(c.meter)) is not None and info.profile == "typed"]
    return value if value is not None or not typed else single(typed[-1])


def _air(load: str, beside: Value, air: list[Chunk]) -> Value | None:
    """The air's temperature under that tag, of the same sitting where it was read there; one row is enough."""
    same = [c for c in air if c.key.load == load and c.session.name == beside.session]
    for several in (same, [c for c in air if c.key.load == load]):
        values = [value for c in several if (value := single(c)) is not None and value.value is not None]
        if values:
            return values[-1]
    return None


def _undecided(reasons: list[str], evidence: tuple[Evidence, ...]) -> Finding:
    return Finding(
        id="winding-rise", level=Level.UNDECIDED, title="Heat in the winding", limit_source=CLASS_SOURCE,
        statement=f"How warm the winding runs cannot be said. Wanted: {'; '.join(reasons)}.", evidence=evidence,
        missing=tuple(reasons), advice="Read the winding cold and, directly after a run, hot, with the plug out.",
    )  # fmt: skip
