"""One radio in one line: its level, what is missing, its last sitting, the next calibration due."""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

from analysis.finding import ORDER, Level

if TYPE_CHECKING:
    from analysis.table import Radio


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """What the archive tells of a radio."""

    radio: str
    name: str = ""
    stage: str = ""
    level: str = str(Level.UNDECIDED)
    fully_measured: bool = False
    missing: tuple[str, ...] = ()
    sessions: int = 0
    last_sitting: str = ""  #: start of the last session; empty: none yet
    calibration_due: str = ""  #: the earliest date of the meters of the latest stage; empty: none is stated
    calibration_meter: str = ""
    problem: str = ""  #: why it, or a session of it, could not be judged
    simulated: bool = False  #: all that was judged is from a practice bench or constructed, and from no radio

    def to_json(self) -> dict[str, Any]:
        """For `archive --json` and for the cache."""
        return {**asdict(self), "missing": list(self.missing)}

    @property
    def rank(self) -> int:
        """The worst level first."""
        return ORDER.index(Level(self.level))


def from_json(data: dict[str, Any]) -> Summary:
    """A summary from its JSON form. Raises: ValueError, TypeError: it is none."""
    known = {field.name for field in fields(Summary)}
    if data.keys() != known:
        raise ValueError(f"keys {sorted(data)}, expected {sorted(known)}")
    Level(data["level"])
    return Summary(**{**data, "missing": tuple(data["missing"])})


def summarise(radio: Radio) -> Summary:
    """Judge a radio and keep what fits in a line."""
    from analysis.assess import assess
    from analysis.report.simulated import only_simulated

    found = assess(radio)
    due = sorted(_due(radio))
    return Summary(
        radio=radio.card.id, name=radio.card.title, stage=found.stage, level=str(found.level),
        fully_measured=found.fully_measured, missing=found.missing,
        sessions=len(radio.sessions), simulated=only_simulated(radio),
        problem="; ".join(f"not judged: session {told.rstrip('.')}" for told in radio.unread),
        last_sitting=radio.counted[-1].start if radio.sessions else "",
        calibration_due=due[0][0] if due else "", calibration_meter=due[0][1] if due else "",
    )  # fmt: skip


def _due(radio: Radio) -> list[tuple[str, str]]:
    """When the calibration of each meter of the latest stage is due, by the newest date stated for it."""
    newest: dict[str, str] = {}
    for session in radio.judged:
        for role, meter in session.meters.items():
            try:
                last = date.fromisoformat(meter.calibrated)
                due = last + timedelta(days=meter.calibration_interval_days)
            except (ValueError, OverflowError):
                continue
            newest[role] = max(newest.get(role, ""), due.isoformat())
    return [(due, role) for role, due in newest.items()]
