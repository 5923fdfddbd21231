"""What was found about one radio: every finding, and what is missing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from analysis.finding import ORDER, Finding, Level, worst


@dataclass(frozen=True, slots=True, kw_only=True)
class Assessment:
    """All findings on one radio's latest stage, ranked by level."""

    radio: str
    stage: str
    sessions: tuple[str, ...]
    fully_measured: bool
    missing: tuple[str, ...]
    findings: tuple[Finding, ...]

    @property
    def level(self) -> Level:
        """The worst of the findings."""
        return worst(finding.level for finding in self.findings)

    def of(self, id: str) -> Finding | None:
        """The finding of that id."""
        return next((finding for finding in self.findings if finding.id == id), None)

    def to_json(self) -> dict[str, Any]:
        """The shape of `assess --json`."""
        return {
            "radio": self.radio, "stage": self.stage, "sessions": list(self.sessions), "level": str(self.level),
            "fully_measured": self.fully_measured, "missing": list(self.missing),
            "findings": [finding.to_json() for finding in self.findings],
        }  # fmt: skip


def ranked(findings: list[Finding]) -> tuple[Finding, ...]:
    """Worst first; equal levels in the order given."""
    return tuple(sorted(findings, key=lambda finding: ORDER.index(finding.level)))
