"""What proved that the measuring chain would have read a voltage, and which contact of the socket is live."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.card import figure
from analysis.chassis import TouchPicture, is_touched, survey
from analysis.proof import CHAIN_POINTS, NEAR
from analysis.report.text import amount, plain
from analysis.states import Chunk, chunks, settle
from analysis.table import Radio, Session

NOT_PROVED = "Which contact is live was NOT proved."


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainProof:
    """The proof of a radio's touch readings."""

    contact: bool  #: whether the live contact was read, with every meter that touch readings rest on
    lines: tuple[str, ...]  #: one for each sitting and meter
    unseen: tuple[str, ...] = ()  #: points with low readings before which nobody looked whether the probe touched them
    unseen_after: tuple[str, ...] = ()  #: the same after them, where it was looked for before


def chain_proof(radio: Radio) -> ChainProof:
    """The proof as the judge took it, with the readings of the socket's contacts and when they were taken."""
    picture = survey(radio)
    before, after = _unseen(picture)
    if not any(_read_socket(session) for session in radio.judged):
        told = f"{NOT_PROVED} The socket’s live contact was not read."
        return ChainProof(contact=False, lines=(told,), unseen=before, unseen_after=after)
    values = [value for matrix in picture.matrices for verdict in matrix.verdicts for value in verdict.state.values]
    places = sorted({(value.session, value.meter) for value in values})
    nominal = figure(radio.card.nominal_mains, "V")
    contact, lines = bool(places), []
    for session, meter in places:
        proof = picture.proofs.get((session, meter))
        found = next(s for s in radio.judged if s.name == session)
        line, read = _contacts(found, meter)
        live = proof is not None and proof.proved and line is not None and nominal is not None
        live = live and line is not None and nominal is not None and abs(line - nominal) <= NEAR * nominal
        contact = contact and live
        told = read if live else f"{NOT_PROVED} {plain(proof.how if proof else 'nothing shows it', 300)}"
        lines.append(f"{plain(session)}, meter {plain(meter, 40)}: {told}" if len(places) > 1 else told)
    return ChainProof(contact=contact, lines=tuple(lines) or (NOT_PROVED,), unseen=before, unseen_after=after)


def _unseen(picture: TouchPicture) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Points with low readings before which, and after which, contact was not looked for; a high one was in contact."""
    before, after = [], []
    for matrix in picture.matrices:
        low = [v.state for v in matrix.verdicts if v.volts is not None and v.volts < v.limit]
        seen = [picture.setting.contact(value) for state in low for value in state.values]
        if any(first is None for first, _ in seen):
            before.append(plain(matrix.point, 60))
        elif any(last is None for _, last in seen):
            after.append(plain(matrix.point, 60))
    return tuple(before), tuple(after)


def _read_socket(session: Session) -> bool:
    return "mains-line" in session.readings.words["point"].names


def _contacts(session: Session, meter: str) -> tuple[float | None, str]:
    """The live contact's volts by one meter, and what is said of both contacts."""
    found = {
        c.key.point: c for c in chunks(session, by=(), where=lambda point: point in CHAIN_POINTS)
        if c.meter == meter and c.key.quantity == "voltage" and c.key.coupling == "ac"
    }  # fmt: skip
    words, height = [], None
    for point, name in (("mains-line", "line"), ("mains-neutral", "neutral")):
        value = settle(found[point]) if point in found else None
        if value is None or value.value is None:
            words.append(f"{name} not read")
            continue
        height = value.magnitude if name == "line" else height
        words.append(f"{name} {amount(value.magnitude, value.expanded, 'V')}")
    line = found.get("mains-line")
    return height, ", ".join([*words, *([_when(session, meter, line)] if line is not None else [])])


def _when(session: Session, meter: str, line: Chunk) -> str:
    """When the live contact was read, beside the points."""
    times = [c.elapsed for c in chunks(session, by=(), where=is_touched) if c.meter == meter and len(c.elapsed)]
    read = line.elapsed[line.ok]
    if not times or not len(read):
        return "read without a point beside it"
    first, last = min(float(np.min(t)) for t in times), max(float(np.max(t)) for t in times)
    before, after = float(np.min(read)) < first, float(np.max(read)) > last
    if before and after:
        return "before and after the points"
    return "before the points" if before else "after the points" if after else "between the points"
