"""How a point's finding is shown beside its level: within by the current only, or worse for the chassis' connection."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.assessment import Assessment
from analysis.finding import ORDER, Finding, Level, Outcome, StateOutcome
from analysis.report.text import exactly, rounded

VOLTS, CURRENT = "touch-voltage:", "touch-current:"


@dataclass(frozen=True, slots=True, kw_only=True)
class Current:
    """The current that lets volts pass that are not below their limit."""

    most: str  #: the highest that the readings allow, with their U, at the mains of the sitting; empty: none is known
    limit: str
    above: bool  #: volts lay above their limit; else too close to it

    @property
    def words(self) -> str:
        """For a person: within by current only, by how much."""
        return f"within by current only{f' (at most {self.most} of {self.limit})' if self.most else ''}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Badge:
    """A level as it is shown: what is within on a condition is not shown as what is within."""

    words: str
    tone: Level  #: whose colour it has


def by_current(finding: Finding | None, assessment: Assessment) -> Current | None:
    """What lets a touch-voltage finding be `within` although its volts are not below their limit; None if they are."""
    if finding is None or not finding.id.startswith(VOLTS) or finding.level is not Level.WITHIN:
        return None
    high = [state for state in finding.states if _not_below(state, finding)]
    if not high:
        return None
    above = any(state.overload or state.outcome is Outcome.ABOVE for state in high)
    current = assessment.of(CURRENT + finding.id.removeprefix(VOLTS))
    if current is None or current.value is None or current.limit is None:
        return Current(most="", limit="", above=above)
    most = abs(current.value) + (current.expanded_uncertainty or 0.0)
    return Current(most=rounded(most, "A"), limit=exactly(current.limit, "A"), above=above)


def _not_below(state: StateOutcome, finding: Finding) -> bool:
    """Whether a state's volts, with guard and U, are not below their limit, read by the meter alone."""
    if state.burden is not None:
        return False
    if state.overload or state.outcome in (Outcome.ABOVE, Outcome.TOO_CLOSE):
        return True
    limit = finding.limit if state.coupling == "ac" else None
    return limit is not None and state.compared is not None and state.compared >= limit


def counted(finding: Finding, assessment: Assessment) -> Level:
    """What a point counts as: how the chassis is joined to the mains can only make it worse."""
    kind = assessment.of("chassis-kind")
    joined = kind is not None and kind.level in (Level.CAUTION, Level.DANGER) and finding.id.startswith(VOLTS)
    return min(finding.level, kind.level, key=ORDER.index) if joined and kind is not None else finding.level


def remark(finding: Finding, assessment: Assessment) -> str:
    """What a point counts as, where that is worse than its own readings; else empty."""
    level = counted(finding, assessment)
    if level is finding.level:
        return ""
    if finding.level is Level.UNDECIDED:
        return "count as live: the chassis is joined to the mains"
    return f"counts as {level.upper()} because the chassis is joined to the mains"


def badge(finding: Finding, assessment: Assessment) -> Badge:
    """The finding's own level; in no colour of `within` where that holds on a condition, or counts as worse."""
    current = by_current(finding, assessment)
    qualified = current is not None or (finding.level is Level.WITHIN and counted(finding, assessment) != finding.level)
    words = "WITHIN BY CURRENT ONLY" if current is not None else finding.level.upper()
    return Badge(words=words, tone=Level.CAUTION if qualified else finding.level)


def title_end(finding: Finding, assessment: Assessment) -> str:
    """What a title has to add, so that volts above their limit never stand behind a bare `within`; else empty."""
    current = by_current(finding, assessment)
    if current is None:
        return ""
    volts = "ABOVE the voltage limit" if current.above else "TOO CLOSE to the voltage limit"
    return f": {volts}; {current.words}"


def cell_remark(finding: Finding | None, assessment: Assessment) -> str:
    """The same for the table of every state, in few words beside the badge, and what the point counts as."""
    if finding is None:
        return ""
    current, said = by_current(finding, assessment), []
    if current is not None:
        volts = "volts above their limit" if current.above else "volts too close to their limit"
        said.append(f"{volts}{f', current at most {current.most} of {current.limit}' if current.most else ''}")
    counts = remark(finding, assessment)
    return "; ".join([*said, counts] if counts else said)
