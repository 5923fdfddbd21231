"""The one content of a report: what both renderings, page and print, say; nothing here knows how they look.

Every text is ready to be shown and free of control characters; numbers are texts already, so that both renderings
state the same.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from analysis.assess import assess
from analysis.assessment import Assessment
from analysis.finding import Finding, Level
from analysis.report import advice, drawn, matrix, outcomes, sources, standing
from analysis.report.cardtext import CardText, card_text
from analysis.report.instruments import ACCURACY_NOTE, MeterItem, meters
from analysis.report.owner import in_plain_words, stage_words
from analysis.report.pinrows import PinRow, pin_rows
from analysis.report.plots import Plot
from analysis.report.proving import ChainProof, chain_proof
from analysis.report.simulated import band, why_simulated
from analysis.report.sources import Beside, FileItem
from analysis.report.text import NOTE, SENTENCE, duration, moment, plain, slug
from analysis.report.unmeasured import completeness, missing
from analysis.table import Radio, Session
from drivers.units import counted


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingItem:
    """One finding, ready to be shown."""

    anchor: str
    id: str
    level: Level
    badge: str  #: the level as it is shown
    tone: Level  #: whose colour that has
    title: str
    remark: str  #: what the point counts as, where that is worse than its own level
    statement: str
    value_label: str
    value: str
    limit_label: str
    limit: str
    source: str
    evidence: tuple[str, ...]
    missing: tuple[str, ...]
    advice: str
    further: tuple[tuple[str, str], ...]  #: what this kind of finding tells beside its value
    states: outcomes.StateTable
    pins: tuple[PinRow, ...] = ()  #: ohms of the plug's pins, where the finding rests on them
    pins_in: str = ""  #: whose rows they are, where all are of one sitting


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
    band: str  #: on every sheet, that the readings are simulated; else empty
    dated: str  #: whose day's data these are
    level: Level
    fully_measured: bool
    headline: str
    found: tuple[str, ...]  #: what the headline rests on
    answers: tuple[advice.Answer, ...]
    actions: tuple[str, ...]
    facts: tuple[tuple[str, str], ...]
    notes: str
    columns: tuple[tuple[str, str], ...]  #: plug, switch
    matrix: matrix.Table
    findings: tuple[FindingItem, ...]
    matrix_plots: tuple[Plot, ...]
    plots: tuple[Plot, ...]
    comparison: Comparison | None
    meters: tuple[MeterItem, ...]
    accuracy_note: str  #: how U comes from the accuracy lines
    missing: tuple[str, ...]
    computed_from: str
    inputs: tuple[tuple[str, str], ...]  #: values of the card that figures rest on
    files: tuple[FileItem, ...]  #: card, list of resistors, limits
    sessions: tuple[SessionItem, ...]
    cautions: tuple[str, ...]
    card: CardText
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
    beside: Beside | None = None,
) -> Content:
    """The content of a radio's report.

    Args:
        assessment: what was found on the radio's latest stage.
        supply: the transformer's computation, with the keys of `supply --json`.
        comparisons: results of comparisons, with the keys of `compare --json`.
        since: show sessions from this day (YYYY-MM-DD) on only.
        earlier: what was found on the stage before, for the side by side; without it that stage is judged here.
        beside: hashes of the files beside the sittings, and where the accuracy lines are from.
    """
    beside = beside or Beside()
    shown = tuple(session for session in radio.sessions if not since or session.start[:10] >= since[:10])
    judged = tuple(session for session in shown if session.name in assessment.sessions) or shown[-1:]
    columns = matrix.columns(radio, assessment)
    table = matrix.table(radio, assessment, columns)
    begun = max((session.start for session in shown), default="")
    date = moment(begun, clock=False) or "no readings yet"
    proof, earlier = chain_proof(radio), earlier or _before(radio)
    return Content(
        title=plain(radio.card.title), id=radio.card.id, band=band(radio),
        dated=f"Data of {date}" if begun else "No readings yet",
        level=assessment.level, fully_measured=assessment.fully_measured,
        headline=advice.headline(radio, assessment), found=advice.found(radio, assessment),
        answers=advice.answers(radio, assessment, supply, proof, earlier), actions=advice.actions(radio, assessment),
        facts=_facts(radio, assessment, shown, since, date, proof), notes=plain(radio.card.notes, NOTE, lines=True),
        columns=columns, matrix=table,
        findings=tuple(_finding(radio, finding, at, assessment) for at, finding in enumerate(assessment.findings, 1)),
        matrix_plots=matrix.plots(columns, table),
        plots=drawn.plots(radio, judged, assessment, supply, comparisons),
        comparison=_comparison(radio, assessment, earlier), meters=meters(shown, beside.lines),
        accuracy_note=ACCURACY_NOTE, missing=missing(radio, assessment, supply, proof),
        computed_from=sources.computed_from(beside),
        inputs=sources.inputs(radio), files=sources.listed_files(beside),
        sessions=tuple(_session(radio, session, session.name in assessment.sessions, beside) for session in shown),
        cautions=advice.CAUTIONS, card=card_text(radio, assessment, date), versions=sources.versions(shown), date=date,
    )  # fmt: skip


def _facts(
    radio: Radio, assessment: Assessment, shown: Sequence[Session], since: str | None, date: str, proof: ChainProof
) -> tuple[tuple[str, str], ...]:
    card = radio.card
    mains = ", ".join(plain(text, 20) for text in (card.nominal_mains, card.frequency) if text)
    begun = moment(min((session.start for session in shown), default=""), clock=False)
    days = date if begun in (date, "") else f"{begun} to {date}"
    stage = plain(assessment.stage)
    stage = f"{stage_words(assessment.stage)} ({stage})" if stage.endswith("-fit") else stage or "not named"
    found = [
        ("Radio", f"{plain(card.title)} ({card.id})"), ("Mains", mains or "not noted"),
        ("Plug", card.plug or "not noted"), ("Mains switch", f"{card.switch}"), ("Supply", card.supply),
        ("Stage of the work", stage), ("Measured", days),
        ("Sittings", f"{len(shown)} shown, {len(assessment.sessions)} judged"),
        ("Completeness", completeness(radio, assessment)),
        ("Proof of the measuring chain", "; ".join(proof.lines[:4])),
    ]  # fmt: skip
    none = "" if shown else ": no sitting is from then on"
    return (*found, ("Shown from", f"{plain(since, 20)}{none}")) if since else tuple(found)


def _finding(radio: Radio, finding: Finding, at: int, assessment: Assessment) -> FindingItem:
    pins, named = pin_rows(radio) if finding.id == "chassis-kind" else ((), ())
    sittings = {entry.session for entry in named}
    value_label, limit_label = outcomes.labels(finding)
    value, limit = outcomes.figures(finding)
    badge, counts = standing.badge(finding, assessment), standing.remark(finding, assessment)
    return FindingItem(
        anchor=f"finding-{at}-{slug(finding.id)}", id=plain(finding.id), level=finding.level, badge=badge.words,
        tone=badge.tone, title=plain(finding.title, 200) + standing.title_end(finding, assessment),
        remark=f"{plain(finding.id.partition(':')[2], 60)}: {counts}." if counts else "",
        statement=plain(finding.statement, SENTENCE),
        value_label=value_label, value=value, limit_label=limit_label, limit=limit,
        source=plain(finding.limit_source, 400), evidence=outcomes.unlisted(finding, named),
        missing=tuple(in_plain_words(plain(text, 300)) for text in finding.missing),
        advice=plain(advice.told(finding), SENTENCE),
        further=outcomes.further(finding, standing.by_current(finding, assessment)),
        states=outcomes.state_table(finding), pins=pins, pins_in=plain(min(sittings)) if len(sittings) == 1 else "",
    )  # fmt: skip


def _session(radio: Radio, session: Session, judged: bool, beside: Beside) -> SessionItem:
    frame = session.readings.frame
    length = float(frame["elapsed_s"].iloc[-1] - frame["elapsed_s"].iloc[0]) if len(frame) else 0.0
    closed = f"closed {moment(session.close)}" if session.close else "NOT CLOSED: an interrupted sitting"
    statements = {"fed_from": session.fed_from, **session.statements}
    linked = any(meter.isolation != "no-link" for meter in session.meters.values()) or not session.meters
    simulated = why_simulated(radio.card, session)
    remarks = (*([f"SIMULATED: {simulated}."] if simulated else []), *sources.without_hash(session))
    return SessionItem(
        name=plain(session.name), begun=moment(session.start),
        closed=f"{closed}; {counted(len(frame), 'reading', ',')} over {duration(length)}",
        stage=plain(session.stage) or "not named",
        judged=judged, statements=tuple(_statement(key, value, linked) for key, value in sorted(statements.items())),
        counts=_counts(session), remarks=(*remarks, *(plain(text, 300) for text in session.remarks)),
        files=sources.session_files(session, beside), version=plain(session.program_version, 40),
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


def _statement(key: str, value: object, linked: bool) -> tuple[str, str]:
    if key == "link_isolated" and value is not True and not linked:
        return "Data link", "none in this sitting"
    names = {"fed_from": "Fed from", "link_isolated": "Data link stated to be isolated"}
    said = {True: "yes", False: "no", None: "not stated"}.get(value) if isinstance(value, bool | None) else None
    return names.get(key, plain(key, 60)), said or plain(value, 200)


def _before(radio: Radio) -> Assessment | None:
    """What is found on the stage before the latest one; None where there is one stage only."""
    others = [stage for stage in dict.fromkeys(session.stage for session in radio.counted) if stage != radio.stage]
    if not others:
        return None
    sessions = tuple(session for session in radio.counted if session.stage == others[-1])
    return assess(Radio(card=radio.card, sessions=sessions, burdens=radio.burdens))


def _comparison(radio: Radio, assessment: Assessment, earlier: Assessment | None) -> Comparison | None:
    """The latest stage beside the one before it, or None where there is one stage only."""
    others = [stage for stage in dict.fromkeys(session.stage for session in radio.counted) if stage != radio.stage]
    if not others or earlier is None:
        return None
    changes = tuple(
        Change(state=state, before=old, after=new) for state, old, new in matrix.changes(earlier, assessment)
    )
    return Comparison(
        before=plain(others[-1]) or "stage not named", after=plain(radio.stage) or "stage not named",
        note="Values without a burden across the meter, by the same rules of reading a session back.", rows=changes,
    )  # fmt: skip
