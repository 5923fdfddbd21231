"""The words of caution that every page about the mains carries, whatever else it says."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from analysis.finding import Finding

LOCAL_CODES = "Local codes and licensed practice come first."
CAUTION_LINE = f"CAUTION: metal can be live. {LOCAL_CODES}"


def standing(caution: str) -> str:
    """What a plan warns of throughout; one that does not name local codes and licensed practice has it added."""
    said = caution.lower()
    return caution if "local codes" in said and "licensed" in said else f"{caution} {LOCAL_CODES}".strip()


def by_current(finding: Finding) -> str:
    """A mark for a point that is within though its volts alone are not: the current is what the limit allows."""
    if finding.level != "within" or not finding.id.startswith("touch-voltage:") or "by current" in finding.title:
        return ""
    alone = [state.outcome for state in finding.states if state.burden is None]
    return " (by current)" if "above" in alone or "too-close" in alone else ""
