"""Every finding that a radio's latest stage supports, ranked, and what is missing."""

from __future__ import annotations

from analysis.assessment import Assessment, ranked
from analysis.aux_findings import aux_findings
from analysis.chassis import TouchPicture, survey, touch_findings
from analysis.finding import Finding, Level
from analysis.insulation import insulation_finding
from analysis.kind import chassis_kind
from analysis.mains import mains_finding
from analysis.table import Radio
from analysis.trust import meter_findings, record_finding


def assess(radio: Radio) -> Assessment:
    """All findings on one radio, by the sessions of its latest stage."""
    picture = survey(radio)
    findings: list[Finding | None] = [
        *touch_findings(picture, radio.card),
        chassis_kind(radio, picture),
        mains_finding(radio),
        insulation_finding(radio),
        *aux_findings(radio),
        *meter_findings(radio),
        record_finding(radio),
    ]
    present = [finding for finding in findings if finding is not None]
    return Assessment(
        radio=radio.card.id, stage=radio.stage, sessions=tuple(session.name for session in radio.judged),
        fully_measured=picture.fully_measured, missing=_missing(picture, present), findings=ranked(present),
    )  # fmt: skip


#: What could be added with which readings, by the kind of finding.
_COULD_ADD = {
    "touch-current": "touch current: burden readings of the states above the voltage limit",
    "mains-level": "mains level: volts at point mains",
    "supply-rating": "transformer rating: amperes and volts at point secondary, by load",
    "rail-window": "rails: volts at points rail-positive and rail-negative, and the board on the card",
    "headroom": "headroom: rails, and on the card the board's swing loss and source level",
    "level-match": "level match: volts at point speaker with loads radio-programme and board-programme",
    "hum-difference": "hum: volts at point speaker under arrangements A and B, repeated in alternation",
    "winding-rise": "winding rise: ohms of the winding cold and hot, with the air's temperature",
    "insulation": "insulation: ohms by an insulation tester at mains-to-chassis and barrier",
}


def _missing(picture: TouchPicture, findings: list[Finding]) -> tuple[str, ...]:
    lacking = [f"{matrix.point}: {what}" for matrix in picture.matrices for what in matrix.missing]
    lacking += [f"{f.id}: {what}" for f in findings if not f.id.startswith("touch-") for what in f.missing]
    have = {finding.id.partition(":")[0] for finding in findings}
    if not any(v.level is not Level.WITHIN or v.reason != "voltage" for m in picture.matrices for v in m.verdicts):
        have.add("touch-current")  # nothing stands above the voltage limit
    return (*lacking, *(text for kind, text in _COULD_ADD.items() if kind not in have))
