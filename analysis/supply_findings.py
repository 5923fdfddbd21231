"""Findings on the auxiliary transformer: its rating, and what its rails do at low and high mains."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from analysis.finding import Evidence, Finding, Level, worst
from analysis.judge import COVERAGE, exceeds, falls_below
from analysis.rectifier import Rail
from analysis.rectifier_circuit import Topology
from analysis.rectifier_inverse import Response
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
        id="supply-rating", level=level,
        title=f"Transformer: nameplate {rating:.4g} VA, {required:.3g} VA asked for",
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
    which = "settled level" if design.settled is not None and design.settled >= design.percentile_99 else (
        f"99th percentile of {design.rows} readings")  # fmt: skip
    text = (
        f"The design current is the {which} with the load '{design.load}': the ammeter showed "
        f"{show_pm(design.design, COVERAGE * design.u, 'A')} in the secondary"
    )
    if factor > 1.005:
        text += (
            f"; {_why_low(figures)} reads a rectifier's pulses low, so it is corrected: the true RMS is {factor:.2f} "
            "times that"
        )
    if design.fallback:
        text += " (no accuracy line covers the reading: 3 % and ten counts were taken)"
    heat = f" The winding then turns {show(figures.winding_loss, 'W', 0.01)} into heat." if figures.winding_loss else ""
    return (
        f"{text}. With a margin of {figures.given.margin:g} the transformer should be rated for "
        f"{show_pm(required, part * required, 'VA')}; the uncertainty is the ammeter's, with the rated volts"
        f"{' and the factor' if factor > 1.005 else ''} taken as exact.{heat}"
    )


def _why_low(figures: SupplyFigures) -> str:
    ammeter = figures.given.ammeter
    if ammeter is None or ammeter.response is Response.AVERAGE:
        return "an average-responding meter"
    return "a meter that leaves out direct current"


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


def doubted(finding: Finding, doubts: Sequence[str]) -> Finding:
    """The finding with what speaks against its readings: it is then never `within`, and says why."""
    if not doubts:
        return finding
    level = Level.UNDECIDED if finding.level is Level.WITHIN else finding.level
    said = "; ".join(doubts)
    return replace(
        finding, level=level, statement=f"{finding.statement} Not to be relied on: {said}.",
        missing=tuple(dict.fromkeys((*finding.missing, *doubts))),
        advice=finding.advice or "Take the readings named as missing again.",
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredRail:
    """A rail's volts DC as a meter settled on them."""

    name: str  #: positive or negative
    load: str
    value: float | None  #: magnitude [V]; None: over the meter's range
    u: float  #: standard uncertainty [V]
    mains: float | None  #: at that moment [V]; None if it was not read
    mains_u: float = 0.0  #: standard uncertainty of it [V]


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
        if self.upper:
            return self.value / self.limit
        return self.limit / self.value if self.value > 0 else math.inf  # a rail that collapses to nothing

    @property
    def _where(self) -> str:
        return "at mains not known" if math.isnan(self.mains) else f"at {self.mains:.4g} V mains"

    def __str__(self) -> str:
        relation = "below" if self.upper else "above"
        if self.failed:
            beyond = self.value >= self.limit if self.upper else self.value <= self.limit
            relation = ("above" if self.upper else "below") if beyond else "too close to"
        return (
            f"The {self.what} of {show_pm(self.value, self.expanded, 'V')} {self._where} is {relation} "
            f"{self.limit:.4g} V ({self.source})."
        )


def rail_window_finding(
    figures: SupplyFigures, *, measured: Sequence[MeasuredRail] = (), evidence: tuple[Evidence, ...] = ()
) -> Finding:
    """`rail-window`: danger beyond an absolute maximum or a capacitor's rating, caution below the board's minimum.

    Args:
        measured: rails as a meter read them. They can fail a limit; that a rail holds its minimum they cannot show,
            since a meter on DC does not show the lowest of the ripple.
    """
    high = figures.at(NO_LOAD_TAG, MAINS_HIGH)
    low = None if figures.design is None else figures.at(figures.design.load, MAINS_LOW)
    computed = [*_upper_checks(figures, high), *_lower_checks(figures, low, high)]
    checks = [*computed, *_measured_checks(figures, measured)]
    missing = list(_missing_limits(figures, low, high, measured))
    missing += _unknown_mains(figures, computed)
    missing += [
        f"the {rail.name} rail with the load '{rail.load}' on a higher range" for rail in measured if rail.value is None
    ]
    level = worst([check.level for check in checks] + ([Level.UNDECIDED] if missing else []))
    shown = max(checks, key=lambda c: (c.level is level, c.closeness), default=None)
    failed = [check for check in checks if check.failed]
    said = failed or ([shown] if shown is not None else [])
    statement = " ".join(str(check) for check in said)
    if not failed and checks:
        statement += f" No rail that could be computed{' or was read' if measured else ''} passes a limit."
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


def _measured_checks(figures: SupplyFigures, measured: Sequence[MeasuredRail]) -> Iterable[_Check]:
    """Rails as read, taken in proportion to the lowest and highest mains to be expected."""
    given = figures.given
    for rail in measured:
        if rail.value is None:
            continue
        nominal = given.nominal_mains or rail.mains
        base = rail.mains or nominal
        up, down = (f * nominal / base if base and nominal else f for f in (MAINS_HIGH, MAINS_LOW))
        of_mains = rail.value * rail.mains_u / rail.mains if rail.mains else 0.0
        expanded = COVERAGE * math.hypot(rail.u, of_mains)
        what = f"{rail.name} rail as read with the load '{rail.load}', scaled: mean"
        top, bottom = max(1.0, up), min(1.0, down)
        at_high, at_low = ((f * base if base else math.nan) for f in (top, bottom))
        across = rail.value / 2 if given.topology is Topology.DOUBLER else rail.value
        part = across / rail.value
        if given.supply_max is not None:
            yield _Check(top * rail.value, top * expanded, given.supply_max, MAXIMUM_SOURCE, True, what, at_high)
        if given.reservoir_rating is not None:
            yield _Check(
                top * across, top * part * expanded, given.reservoir_rating, RESERVOIR_SOURCE, True, what, at_high
            )
        if given.supply_min is not None and rail.load != NO_LOAD_TAG:
            yield _Check(bottom * rail.value, bottom * expanded, given.supply_min, MINIMUM_SOURCE, False, what, at_low)


def _unknown_mains(figures: SupplyFigures, checks: Sequence[_Check]) -> Iterable[str]:
    """Volts read at mains that nobody read may have been read low or high: a limit must hold either way."""
    off = figures.given.off_load
    if off is None or off.mains is not None:
        return
    for check in checks:
        factor = 1 / MAINS_LOW if check.upper else 1 / MAINS_HIGH
        if not check.failed and replace(check, value=factor * check.value, expanded=factor * check.expanded).failed:
            yield "the mains while the secondary was read (point mains, in the same session)"
            return


def _rails_of(topology: Topology | None) -> tuple[str, ...]:
    return ("positive", "negative") if topology is Topology.DUAL_HALF_WAVE else ("positive",)


def _missing_limits(
    figures: SupplyFigures, low: AtMains | None, high: AtMains | None, measured: Sequence[MeasuredRail]
) -> Iterable[str]:
    given = figures.given
    unloaded = {rail.name for rail in measured if rail.load == NO_LOAD_TAG and rail.value is not None and rail.mains}
    if given.supply_max is None:
        yield "the board's absolute maximum (supply_max), on the card"
    if given.reservoir_rating is None:
        yield "the reservoir's rated voltage (reservoir_rating), on the card"
    if given.supply_min is None:
        yield "the board's minimum (supply_min), on the card"
    if high is None and not unloaded.issuperset(_rails_of(given.topology)):
        yield "what the rails are at high mains: it needs the secondary's volts off load"
    if low is not None and LOUDEST_MISSING in figures.missing:
        yield LOUDEST_MISSING
    if low is None:
        yield "what the rails are at low mains: it needs volts on load and off load, and the current"


def lowest_rail(figures: SupplyFigures) -> Rail | None:
    """The rail that sets the headroom: the lowest of the ripple at low mains and the largest load."""
    low = None if figures.design is None else figures.at(figures.design.load, MAINS_LOW)
    return None if low is None else min(low.rails, key=lambda rail: rail.lowest)
