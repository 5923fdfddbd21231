"""Temperature rise of a winding from its resistance, cold and hot, and how it stands to its insulation class."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from analysis.finding import Evidence, Finding, Level
from analysis.judge import COVERAGE
from drivers.units import show, show_pm

#: Inferred zero of resistance, below 0 °C. Source: IEC 60034-1, 8.6.2 (copper 235, aluminium 225), with copper's 234.5
#: as the resistance method of IEC 61558-1 uses it.
INFERRED_ZERO = {"copper": 234.5, "aluminium": 225.0}
#: Highest winding temperature in normal use, by insulation class. [°C] Source: IEC 61558-1, Table 1 (classes of
#: IEC 60085); as quoted publicly, the edition in force locally rules.
CLASS_TEMPERATURE = {"A": 100.0, "E": 115.0, "B": 120.0, "F": 140.0, "H": 165.0}
CLASS_SOURCE = "IEC 61558-1, Table 1, windings in normal use"
#: Closer to the limit than this is `caution` even when the readings are better. [K] Source: own choice; ten kelvins
#: halve the life of an insulation by the usual rule of thumb.
NEAR = 10.0
#: Taken for a thermometer of which nothing is known: within ±1 K, rectangular. [K]
AIR_U = 1.0 / math.sqrt(3)


@dataclass(frozen=True, slots=True, kw_only=True)
class WindingReading:
    """Resistance of a winding and the air about it, at one moment."""

    resistance: float  #: [Ω]
    air: float  #: [°C]
    u_resistance: float  #: standard uncertainty [Ω]
    u_air: float = AIR_U  #: [K]

    def __post_init__(self) -> None:
        if not 0 < self.resistance < math.inf:
            raise ValueError(f"a winding resistance of {self.resistance!r} Ω: expected more than zero")
        if not -50 <= self.air <= 150:
            raise ValueError(f"air at {self.air!r} °C: expected a temperature between -50 and 150 °C")
        if not (self.u_resistance >= 0 and self.u_air >= 0):
            raise ValueError("a standard uncertainty cannot be negative")


@dataclass(frozen=True, slots=True, kw_only=True)
class WindingRise:
    """Mean rise over the air at the end, against the class."""

    rise: float  #: [K]
    hot: float  #: mean temperature of the hot winding [°C]
    expanded_uncertainty: float  #: U = 2u of the rise [K]
    limit: float  #: class temperature less the air at the end [K]
    insulation_class: str
    level: Level

    def to_json(self) -> dict[str, Any]:
        """The shape of the `winding` command."""
        return {
            "rise_K": self.rise, "hot_degC": self.hot, "expanded_uncertainty_K": self.expanded_uncertainty,
            "limit_K": self.limit, "insulation_class": self.insulation_class, "level": str(self.level),
        }  # fmt: skip


def winding_rise(cold: float, hot: float, ambient_cold: float, ambient_hot: float, metal: str = "copper") -> float:
    """Mean temperature rise of a winding, from its resistance before and after the run.

    It is the mean over the winding; the hottest spot is hotter, so judge it against a limit for the mean.

    Args:
        cold, hot: resistance before and directly after the run. [Ω] 0 < cold <= hot
        ambient_cold, ambient_hot: air temperature at those two moments. [°C]
        metal: `copper` or `aluminium`.
    Returns: rise above the air at the end. [K]
    Raises: ValueError: a resistance is not above zero, hot is below cold, or another metal.
    Source: resistance method of IEC 61558-1, heating: Δt = (R2 − R1)/R1 · (k + t1) − (t2 − t1).
    """
    if not 0 < cold < math.inf or not 0 < hot < math.inf:
        raise ValueError(f"winding resistances of {cold!r} Ω cold and {hot!r} Ω hot: expected more than zero")
    if hot < cold:
        raise ValueError(f"the hot winding reads {hot:.6g} Ω, below {cold:.6g} Ω cold: are the readings swapped?")
    return (hot - cold) / cold * (_zero(metal) + ambient_cold) - (ambient_hot - ambient_cold)


def _zero(metal: str) -> float:
    try:
        return INFERRED_ZERO[metal]
    except KeyError:
        raise ValueError(f"{metal!r} is no winding metal known here: expected copper or aluminium") from None


def judge_winding(
    cold: WindingReading, hot: WindingReading, *, insulation_class: str = "A", metal: str = "copper"
) -> WindingRise:
    """The rise with its uncertainty, against the class: danger above the limit, caution within U or 10 K of it.

    Both resistance readings are taken as independent: a cold and a hot reading may fall on different ranges and
    hours apart, and a gain error that they share would only make the true uncertainty smaller.

    Raises: ValueError: as `winding_rise`, an unknown class, or a winding found cooler than the air.
    Source: JCGM 100:2008, 5.1.2 for the combined uncertainty.
    """
    if insulation_class not in CLASS_TEMPERATURE:
        raise ValueError(f"insulation class {insulation_class!r}: expected one of {', '.join(CLASS_TEMPERATURE)}")
    rise = winding_rise(cold.resistance, hot.resistance, cold.air, hot.air, metal)
    ratio = hot.resistance / cold.resistance
    swing = _zero(metal) + cold.air
    u = math.hypot(
        swing / cold.resistance * hot.u_resistance,
        swing * ratio / cold.resistance * cold.u_resistance,
        ratio * cold.u_air,
        hot.u_air,
    )
    expanded = COVERAGE * u
    if rise < -expanded:
        raise ValueError(
            f"the winding comes out {-rise:.1f} K cooler than the air: it had not the air's temperature when cold"
        )
    limit = CLASS_TEMPERATURE[insulation_class] - hot.air
    return WindingRise(
        rise=rise, hot=rise + hot.air, expanded_uncertainty=expanded, limit=limit,
        insulation_class=insulation_class, level=_level(rise, expanded, limit),
    )  # fmt: skip


def _level(rise: float, expanded: float, limit: float) -> Level:
    if rise >= limit:
        return Level.DANGER
    return Level.CAUTION if rise + max(expanded, NEAR) >= limit else Level.WITHIN


def winding_finding(
    found: WindingRise, *, evidence: tuple[Evidence, ...] = (), assumed_class: bool = False, note: str = ""
) -> Finding:
    """`winding-rise`, in words for an owner.

    Args:
        assumed_class: the card names no class, so that the lowest one was taken; the statement says so.
        note: a further sentence, such as that no accuracy line covered a reading.
    """
    against = {
        Level.DANGER: "above", Level.CAUTION: "close to", Level.WITHIN: "below",
    }[found.level]  # fmt: skip
    statement = (
        f"The winding ran {show_pm(found.rise, found.expanded_uncertainty, 'K')} above the air, at about "
        f"{show(found.hot, 'Cel', 1.0)} on average; its hottest spot is hotter. That is {against} the "
        f"{show(found.limit, 'K', 1.0)} that class {found.insulation_class} leaves over this air ({CLASS_SOURCE})."
    )
    if assumed_class:
        statement += f" No class is on the card, so class {found.insulation_class}, the lowest, was taken."
    advice = {
        Level.DANGER: "Switch it off and fit a larger transformer, or draw less; ask a licensed person if in doubt.",
        Level.CAUTION: "Give it more air or a larger transformer, or repeat the readings with a better meter.",
        Level.WITHIN: "A closed cabinet is warmer than an open bench: repeat the run with the back on.",
    }[found.level]  # fmt: skip
    return Finding(
        id="winding-rise", level=found.level, title="Heat in the winding",
        statement=" ".join(part for part in (statement, note) if part), value=found.rise,
        expanded_uncertainty=found.expanded_uncertainty, unit="K", limit=found.limit, limit_source=CLASS_SOURCE,
        evidence=evidence, missing=("insulation class on the card",) if assumed_class else (), advice=advice,
    )  # fmt: skip
