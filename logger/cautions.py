"""The words of caution that every page about the mains carries, whatever else it says."""

from __future__ import annotations

LOCAL_CODES = "Local codes and licensed practice come first."
CAUTION_LINE = f"CAUTION: metal can be live. {LOCAL_CODES}"


def standing(caution: str) -> str:
    """What a plan warns of throughout; one that does not name local codes and licensed practice has it added."""
    said = caution.lower()
    return caution if "local codes" in said and "licensed" in said else f"{caution} {LOCAL_CODES}".strip()
