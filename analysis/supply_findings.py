"""Findings on the auxiliary transformer: its rating, and what its rails do at low and high mains."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from analysis.finding import Evidence, Finding, Level, worst
from analysis.judge import COVERAGE, exceeds, falls_below
from analysis.rectifier import Rail
from analysis.rectifier_circuit import Topology
from analysis.supply import LOUDEST_MISSING, MAINS_HIGH, MAINS_LOW, AtMains, SupplyFigures, rail_expanded, relative_u
from analysis.supply_loads import NO_LOAD_TAG
from drivers.units import show, show_pm

RATING_SOURCE = "nameplate of the transformer, on the radio's card"
MAXIMUM_SOURCE = "the board's absolute maximum, on the card"
RESERVOIR_SOURCE = "rated voltage of the reservoir, on the card"
MINIMUM_SOURCE = "the board's minimum, on the card"
_CAUTIONS = "Mains wiring is for those licensed to do it, by the codes in force where you are."


def supply_rating_finding(figures: SupplyFigures, *, evidence: tuple[Evidence, ...] = ()) -> Finding:
    """`supply-rating`: caution below the required VA, danger below what the design current itself takes."""
    required, rating = figures.required_rating, figures.given.rating
    if required is None or rating is None:
        return _undecided_rating(figures, evidence)
    bare = required / figures.given.margin
    part = COVERAGE * relative_u(figures)[0]
    if rating < bare * (1 + part):
        level, word = Level.DANGER, "That is not enough even without the margin."
    elif rating < required * (1 + part):
        level, word = Level.CAUTION, "That leaves less than the margin."
    elif LOUDEST_MISSING in figures.missing:
        level, word = Level.UNDECIDED, "That leaves the margin, but the board was read at rest only."
    else:
        level, word = Level.WITHIN, "That leaves the margin."
    advice = f"The next common size is {figures.next_standard:g} VA." if figures.next_standard else ""
    return Finding(
        id="supply-rating", level=level, title="Rating of the auxiliary transformer",
        statement=f"{_required_text(figures, required, part)} The nameplate says {rating:.4g} VA. {word}",
        value=required, expanded_uncertainty=part * required or None, unit="VA", limit=rating,
        limit_source=RATING_SOURCE, evidence=evidence,
        missing=(LOUDEST_MISSING,) if LOUDEST_MISSING in figures.missing else (),
        advice=f"{advice} {_CAUTIONS}".strip() if level is not Level.WITHIN else _CAUTIONS,
    )  # fmt: skip


def _required_text(figures: SupplyFigures, required: float, part: float) -> str:
    """How the required rating comes about, for an owner."""
    design, factor = figures.design, figures.true_rms_factor
    if design is None or factor is None:
        return ""
    text = (
        f"With the load '{design.load}' the ammeter showed {show_pm(design.design, COVERAGE * design.u, 'A')} in the "
        "secondary"
    )
    if factor > 1.005:
        text += f"; such a meter reads a rectifier's pulses low, and the true RMS is {factor:.2f} times that"
    if design.fallback:
        text += " (no accuracy line covers the reading: 3 % and ten counts were taken)"
    heat = f" The winding then turns {show(figures.winding_loss, 'W')} into heat." if figures.winding_loss else ""
    return (
        f"{text}. With a margin of {figures.given.margin:g} the transformer should be rated for "
        f"{show_pm(required, part * required, 'VA')}.{heat}"
    )


def _undecided_rating(figures: SupplyFigures, evidence: tuple[Evidence, ...]) -> Finding:
    missing = list(figures.missing)
    if figures.given.rating is None:
        missing.insert(0, "the rating on the transformer's nameplate")
    required = figures.required_rating
    known = "" if required is None else _required_text(figures, required, COVERAGE * relative_u(figures)[0]) + " "
    return Finding(
        id="supply-rating", level=Level.UNDECIDED, title="Rating of the auxiliary transformer",
        statement=f"{known}Whether the transformer is large enough cannot be said: what is missing is listed.",
        value=required, unit="VA" if required is not None else None, limit=figures.given.rating,
        limit_source=RATING_SOURCE, evidence=evidence, missing=tuple(missing),
        advice="Read the nameplate, and the secondary current with the board at its loudest.",
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Check:
    """One level of a rail against one limit."""

    value: float
    expanded: float
    limit: float
    source: str
    upper: bool
    what: str  #: such as "lowest of the rail's ripple"
    mains: float

    @property
    def failed(self) -> bool:
        """The one decision rule, on the worse side."""
        return (exceeds if self.upper else falls_below)(self.value, self.expanded, self.limit)

    @property
    def level(self) -> Level:
        """Danger above, caution below, within between."""
        if not self.failed:
            return Level.WITHIN
        return Level.DANGER if self.upper else Level.CAUTION

    @property
    def closeness(self) -> float:
        """How far along to the limit, for choosing the one to show."""
        return self.value / self.limit if self.upper else self.limit / self.value

    def __str__(self) -> str:
        relation = "below" if self.upper else "above"
        if self.failed:
            beyond = self.value >= self.limit if self.upper else self.value <= self.limit
            relation = ("above" if self.upper else "below") if beyond else "too close to"
        return (
            f"The {self.what} of {show_pm(self.value, self.expanded, 'V')} at {self.mains:.4g} V mains is {relation} "
            f"{self.limit:.4g} V ({self.source})."
        )


def rail_window_finding(figures: SupplyFigures, *, evidence: tuple[Evidence, ...] = ()) -> Finding:
    """`rail-window`: danger beyond an absolute maximum or a capacitor's rating, caution below the board's minimum."""
    high = figures.at(NO_LOAD_TAG, MAINS_HIGH)
    low = None if figures.design is None else figures.at(figures.design.load, MAINS_LOW)
    checks = [*_upper_checks(figures, high), *_lower_checks(figures, low, high)]
    missing = list(_missing_limits(figures, low, high))
    level = worst([check.level for check in checks] + ([Level.UNDECIDED] if missing else []))
    shown = max(checks, key=lambda c: (c.level is level, c.closeness), default=None)
    failed = [check for check in checks if check.failed]
    said = failed or ([shown] if shown is not None else [])
    statement = " ".join(str(check) for check in said)
    if not failed and checks:
        statement += " No rail that could be computed passes a limit."
    if missing:
        statement = f"{statement} Not all limits could be judged.".strip()
    if figures.given.frequency is None:
        statement += " 60 Hz mains was taken, as the card names no frequency."
    advice = ""
    if any(check.upper for check in failed):
        advice = "Do not connect the board: choose a lower secondary voltage, or parts rated higher."
    elif failed:
        advice = "Choose a higher secondary voltage, a larger reservoir, or a stiffer transformer."
    return Finding(
        id="rail-window", level=level, title="Rails at low and high mains", statement=statement,
        value=None if shown is None else shown.value, expanded_uncertainty=None if shown is None else shown.expanded,
        unit=None if shown is None else "V", limit=None if shown is None else shown.limit,
        limit_source="" if shown is None else shown.source, evidence=evidence,
        missing=tuple(dict.fromkeys([*missing, *(figures.missing if missing else ())])), advice=advice,
    )  # fmt: skip


def _upper_checks(figures: SupplyFigures, high: AtMains | None) -> Iterable[_Check]:
    """Without load next to no current flows, and the diodes' drop all but vanishes: the peak of the EMF counts."""
    if high is None:
        return
    given = figures.given
    peak = math.sqrt(2) * high.secondary
    across = 2 * peak if given.topology is Topology.DOUBLER else peak
    rails = "either rail without load" if len(high.rails) > 1 else "the rail without load"
    if given.supply_max is not None:
        expanded = rail_expanded(figures, across, across)
        yield _Check(across, expanded, given.supply_max, MAXIMUM_SOURCE, True, f"peak of {rails}", high.mains)
    if given.reservoir_rating is not None:
        expanded = rail_expanded(figures, peak, peak)
        yield _Check(
            peak, expanded, given.reservoir_rating, RESERVOIR_SOURCE, True, "peak on each reservoir", high.mains
        )


def _lower_checks(figures: SupplyFigures, low: AtMains | None, high: AtMains | None) -> Iterable[_Check]:
    minimum = figures.given.supply_min
    if low is None or minimum is None:
        return
    weakest = min(low.rails, key=lambda rail: rail.lowest)
    idle = weakest.highest if high is None else high.rails[0].highest * MAINS_LOW / MAINS_HIGH
    expanded = rail_expanded(figures, weakest.lowest, idle)
    what = "lowest of either rail's ripple" if len(low.rails) > 1 else "lowest of the rail's ripple"
    yield _Check(weakest.lowest, expanded, minimum, MINIMUM_SOURCE, False, what, low.mains)


def _missing_limits(figures: SupplyFigures, low: AtMains | None, high: AtMains | None) -> Iterable[str]:
    given = figures.given
    if given.supply_max is None:
        yield "the board's absolute maximum (supply_max), on the card"
    if given.reservoir_rating is None:
        yield "the reservoir's rated voltage (reservoir_rating), on the card"
    if given.supply_min is None:
        yield "the board's minimum (supply_min), on the card"
    if high is None:
        yield "what the rails are at high mains: it needs the secondary's volts off load"
    if low is not None and LOUDEST_MISSING in figures.missing:
        yield LOUDEST_MISSING
    if low is None:
        yield "what the rails are at low mains: it needs volts on load and off load, and the current"


def lowest_rail(figures: SupplyFigures) -> Rail | None:
    """The rail that sets the headroom: the lowest of the ripple at low mains and the largest load."""
    low = None if figures.design is None else figures.at(figures.design.load, MAINS_LOW)
    return None if low is None else min(low.rails, key=lambda rail: rail.lowest)
