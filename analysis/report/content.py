"""The one content of a report: what both renderings, page and print, say; nothing here knows how they look.

Every text is ready to be shown and free of control characters; numbers are texts already, so that both renderings
state the same.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import metadata
from typing import Any

from analysis.assess import assess
from analysis.assessment import Assessment
from analysis.finding import Finding, Level
from analysis.meterinfo import MeterInfo
from analysis.report import advice, drawn, matrix
from analysis.report.plots import Cell, Plot
from analysis.report.text import NOTE, SENTENCE, amount, duration, evidence, exactly, moment, plain, rounded, slug
from analysis.table import Radio, Session
from drivers.reading import UNITS, Quantity
from drivers.units import counted

#: Places of evidence named with one finding; more would bury the rest.
EVIDENCE = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class StateRow:
    """One state in a finding's table."""

    state: str
    value: str
    guard: str
    outcome: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingItem:
    """One finding, ready to be shown."""

    anchor: str
    id: str
    level: Level
    title: str
    statement: str
    value: str
    limit: str
    source: str
    raised: bool
    evidence: tuple[str, ...]
    missing: tuple[str, ...]
    advice: str
    further: tuple[tuple[str, str], ...]  #: what this kind of finding tells beside its value
    states: tuple[StateRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterItem:
    """One meter of the sittings, ready to be shown."""

    role: str
    identity: str
    profile: str
    isolation: str
    category: str
    calibrated: str
    accuracy: tuple[str, ...]
    input: tuple[str, ...]
    sessions: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FileItem:
    """One file that the figures can be computed from again."""

    path: str
    rows: str
    bytes: str
    digest: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionItem:
    """One sitting, ready to be shown."""

    name: str
    begun: str
    closed: str
    stage: str
    judged: bool
    statements: tuple[tuple[str, str], ...]
    counts: str  #: readings by status, and what happened
    remarks: tuple[str, ...]
    files: tuple[FileItem, ...]
    version: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One state before and after."""

    state: str
    before: str
    after: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Two stages side by side."""

    before: str
    after: str
    note: str
    rows: tuple[Change, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Content:
    """All that a report of one radio says, in order."""

    title: str
    id: str
    level: Level
    fully_measured: bool
    headline: str
    found: tuple[str, ...]  #: what the headline rests on
    answers: tuple[advice.Answer, ...]
    actions: tuple[str, ...]
    facts: tuple[tuple[str, str], ...]
    notes: str
    columns: tuple[tuple[str, str], ...]  #: plug, switch
    matrix: tuple[tuple[str, Level | None, tuple[Cell, ...]], ...]  #: point, its level, a cell for each column
    findings: tuple[FindingItem, ...]
    matrix_plots: tuple[Plot, ...]
    plots: tuple[Plot, ...]
    comparison: Comparison | None
    meters: tuple[MeterItem, ...]
    missing: tuple[str, ...]
    sessions: tuple[SessionItem, ...]
    cautions: tuple[str, ...]
    card: advice.CardText
    versions: tuple[str, ...]
    date: str


def build_content(
    radio: Radio,
    assessment: Assessment,
    *,
    supply: Mapping[str, Any] | None = None,
    comparisons: Sequence[Mapping[str, Any]] = (),
    since: str | None = None,
    earlier: Assessment | None = None,
) -> Content:
    """The content of a radio's report.

    Args:
        assessment: what was found on the radio's latest stage.
        supply: the transformer's computation, with the keys of `supply --json`.
        comparisons: results of comparisons, with the keys of `compare --json`.
        since: show sessions from this day (YYYY-MM-DD) on only.
        earlier: what was found on the stage before, for the side by side; without it that stage is judged here.
    """
    shown = tuple(session for session in radio.sessions if not since or session.start[:10] >= since[:10])
    judged = tuple(session for session in shown if session.name in assessment.sessions) or shown[-1:]
    columns = matrix.columns(radio, assessment)
    table = matrix.table(radio, assessment, columns)
    date = moment(max((session.start for session in shown), default=""), clock=False) or "no readings yet"
    return Content(
        title=plain(radio.card.title), id=radio.card.id, level=assessment.level,
        fully_measured=assessment.fully_measured, headline=advice.headline(assessment),
        found=advice.found(assessment),
        answers=advice.answers(radio, assessment, supply), actions=advice.actions(assessment),
        facts=_facts(radio, assessment, shown, since, date), notes=plain(radio.card.notes, NOTE, lines=True),
        columns=columns, matrix=table,
        findings=tuple(_finding(finding, at) for at, finding in enumerate(assessment.findings, 1)),
        matrix_plots=matrix.plots(columns, table),
        plots=drawn.plots(radio, judged, assessment, supply, comparisons),
        comparison=_comparison(radio, assessment, earlier), meters=_meters(shown), missing=advice.missing(assessment),
        sessions=tuple(_session(session, session.name in assessment.sessions) for session in shown),
        cautions=advice.CAUTIONS, card=advice.card_text(radio, assessment, date), versions=_versions(shown), date=date,
    )  # fmt: skip


def _facts(
    radio: Radio, assessment: Assessment, shown: Sequence[Session], since: str | None, date: str
) -> tuple[tuple[str, str], ...]:
    card = radio.card
    mains = ", ".join(plain(text, 20) for text in (card.nominal_mains, card.frequency) if text)
    begun = moment(min((session.start for session in shown), default=""), clock=False)
    days = date if begun in (date, "") else f"{begun} to {date}"
    stage = plain(assessment.stage) or "not named"
    found = [
        ("Radio", f"{plain(card.title)} ({card.id})"), ("Mains", mains or "not on the card"),
        ("Plug", card.plug or "not on the card"), ("Mains switch", f"{card.switch}"), ("Supply", card.supply),
        ("Stage of the work", stage), ("Measured", days),
        ("Sittings", f"{len(shown)} shown, {len(assessment.sessions)} judged"),
        ("Completeness", "every state measured" if assessment.fully_measured else "not fully measured"),
    ]  # fmt: skip
    return (*found, ("Shown from", plain(since, 20))) if since else tuple(found)


def _finding(finding: Finding, at: int) -> FindingItem:
    states = tuple(
        StateRow(
            state=matrix.state_words(state),
            value=matrix.state_value(state),
            guard=rounded(state.loading_guard, "V") if state.loading_guard else "–",
            outcome=matrix.outcome_words(state),
        )
        for state in finding.states
    )
    limit = exactly(finding.limit, finding.unit or "") if finding.limit is not None else ""
    return FindingItem(
        anchor=f"finding-{at}-{slug(finding.id)}", id=plain(finding.id), level=finding.level,
        title=plain(finding.title, 200), statement=plain(finding.statement, SENTENCE),
        value=amount(finding.value, finding.expanded_uncertainty, finding.unit) if finding.value is not None else "",
        limit=limit, source=plain(finding.limit_source, 400), raised=finding.limit_changed_by_user,
        evidence=_evidence(finding),
        missing=tuple(plain(text, 300) for text in finding.missing), advice=plain(finding.advice, SENTENCE),
        further=_further(finding), states=states,
    )  # fmt: skip


def _evidence(finding: Finding) -> tuple[str, ...]:
    shown = [evidence(entry) for entry in finding.evidence[:EVIDENCE]]
    more = len(finding.evidence) - EVIDENCE
    return (*shown, f"and {counted(more, 'more place')}") if more > 0 else tuple(shown)


def _further(finding: Finding) -> tuple[tuple[str, str], ...]:
    found = []
    for key, name, unit in (("low", "At least", "A"), ("high", "At most", "A")):
        value = finding.extra.get(key)
        if isinstance(value, (int, float)):
            found.append((name, rounded(float(value), unit)))
    for key, name in (("kind", "Kind"), ("pin", "Pin"), ("runner_up", "Next likely")):
        if finding.extra.get(key) is not None:
            found.append((name, plain(finding.extra[key], 40)))
    return tuple(found)


_ISOLATION = {
    "optical": "optical: light only, no wire between meter and computer",
    "isolated": "isolated by the maker's statement",
    "none": "NOT isolated: computer and circuit are one",
    "no-link": "no data link: typed in, or played from a record",
}


def _meters(sessions: Sequence[Session]) -> tuple[MeterItem, ...]:
    """Each meter once, with the sessions that it served in."""
    found: dict[MeterInfo, list[str]] = {}
    for session in sessions:
        for meter in session.meters.values():
            found.setdefault(meter, []).append(plain(session.name))
    return tuple(_meter(meter, names) for meter, names in found.items())


def _meter(meter: MeterInfo, names: list[str]) -> MeterItem:
    lines = [
        f"{line.quantity} {line.coupling.upper()}".strip()
        + (f", {exactly(line.range, _unit(line.quantity))} range" if line.range else "")
        + f": ± ({line.of_reading * 100:g} % of reading + {line.digits:g} counts)"
        for line in meter.accuracy
    ]
    inputs = [
        f"{entry.quantity} {entry.coupling.upper()}".strip()
        + (f": {exactly(entry.resistance, 'Ohm')}" if entry.resistance else ": input resistance not known")
        + (f" with {exactly(entry.capacitance, 'F')}" if entry.capacitance else "")
        for entry in meter.inputs
    ]
    return MeterItem(
        role=plain(meter.role, 40), identity=plain(meter.identity) or "not told by the meter",
        profile=plain(meter.profile, 60) or "–", isolation=_ISOLATION.get(meter.isolation, "not known: treat as none"),
        category=plain(meter.category, 60) or "not recorded", calibrated=_calibrated(meter),
        accuracy=tuple(plain(line, 160) for line in lines), input=tuple(plain(line, 160) for line in inputs),
        sessions=tuple(names),
    )  # fmt: skip


def _calibrated(meter: MeterInfo) -> str:
    return moment(meter.calibrated, clock=False) if meter.calibrated else "not recorded"


def _unit(quantity: str) -> str:
    return str(UNITS[Quantity(quantity)]) if quantity in UNITS else ""


def _session(session: Session, judged: bool) -> SessionItem:
    frame = session.readings.frame
    length = float(frame["elapsed_s"].iloc[-1] - frame["elapsed_s"].iloc[0]) if len(frame) else 0.0
    closed = f"closed {moment(session.close)}" if session.close else "NOT CLOSED: an interrupted sitting"
    statements = {"fed_from": session.fed_from, **session.statements}
    return SessionItem(
        name=plain(session.name), begun=moment(session.start),
        closed=f"{closed}; {counted(len(frame), 'reading', ',')} over {duration(length)}",
        stage=plain(session.stage) or "not named",
        judged=judged, statements=tuple(_statement(key, value) for key, value in sorted(statements.items())),
        counts=_counts(session), remarks=tuple(plain(text, 300) for text in session.remarks), files=_files(session),
        version=plain(session.program_version, 40),
    )  # fmt: skip


def _counts(session: Session) -> str:
    """Readings by status, then events other than the ordinary ones, by kind."""
    frame = session.readings.frame
    statuses = Counter({str(word): int(count) for word, count in frame["status"].value_counts().items() if count})
    events = Counter(event.kind for event in session.events if event.kind not in _ORDINARY)
    parts = ["Readings: " + _tally(statuses) if statuses else "No readings"]
    parts += ["events: " + _tally(events)] if events else ["no gap, fault or alarm noted"]
    return "; ".join(parts) + "."


#: Events that every sitting has.
_ORDINARY = ("start", "tag", "take", "note", "end", "skip")


def _tally(counts: Counter[str]) -> str:
    shown = sorted(counts.items(), key=lambda item: (-item[1], item[0]))[:12]
    return ", ".join(f"{count:,} {plain(word, 30)}" for word, count in shown)


def _statement(key: str, value: object) -> tuple[str, str]:
    names = {"fed_from": "Fed from", "link_isolated": "Data link stated to be isolated"}
    said = {True: "yes", False: "no", None: "not stated"}.get(value) if isinstance(value, bool | None) else None
    return names.get(key, plain(key, 60)), said or plain(value, 200)


def _files(session: Session) -> tuple[FileItem, ...]:
    found = []
    for entry in session.files:
        digest = str(entry.get("hash") or "")
        found.append(FileItem(
            path=plain(entry.get("path") or "–"), rows=_count(entry.get("rows")), bytes=_count(entry.get("bytes")),
            digest=plain(digest.removeprefix("sha256:"), 64) or "not recorded: the session was not closed",
        ))  # fmt: skip
    return tuple(found)


def _count(value: object) -> str:
    return f"{value:,}" if isinstance(value, int) and not isinstance(value, bool) else "–"


def _versions(sessions: Sequence[Session]) -> tuple[str, ...]:
    try:
        own = metadata.version("chassislog")
    except metadata.PackageNotFoundError:
        own = "not installed"
    recorded = sorted({plain(session.program_version, 40) for session in sessions if session.program_version})
    return (f"Report made by chassislog {own}.", *(f"Recorded with chassislog {version}." for version in recorded))


def _comparison(radio: Radio, assessment: Assessment, earlier: Assessment | None) -> Comparison | None:
    """The latest stage beside the one before it, or None where there is one stage only."""
    others = [stage for stage in dict.fromkeys(session.stage for session in radio.sessions) if stage != radio.stage]
    if not others:
        return None
    before = others[-1]
    if earlier is None:
        sessions = tuple(session for session in radio.sessions if session.stage == before)
        earlier = assess(Radio(card=radio.card, sessions=sessions, burdens=radio.burdens))
    changes = tuple(
        Change(state=state, before=old, after=new) for state, old, new in matrix.changes(earlier, assessment)
    )
    return Comparison(
        before=plain(before) or "stage not named", after=plain(radio.stage) or "stage not named",
        note="Values without a burden across the meter, by the same rules of reading a session back.", rows=changes,
    )  # fmt: skip
