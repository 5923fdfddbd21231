"""How loud the board is against the radio's own programme, from volts at the loudspeaker."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.compare import effective_count
from analysis.finding import Evidence, Finding, Level
from analysis.headroom import level_match, level_match_finding
from analysis.readings import IntArray
from analysis.states import Chunk, chunks, named_rows, reading_u
from analysis.table import Radio

RADIO, BOARD = "radio-programme", "board-programme"
#: Readings without which a programme shows no level. Source: own choice, as for a plateau.
FEWEST = 3


@dataclass(frozen=True, slots=True)
class _Level:
    """A programme's level by one meter in one session."""

    volts: float  #: root mean square of its readings, or the take [V]
    u: float  #: with the scatter of the programme [V]
    evidence: Evidence


def level_finding(radio: Radio) -> Finding | None:
    """`level-match`, by the last sitting in which one meter read both; None where neither was read."""
    found = [
        c for s in radio.judged for c in chunks(s, by=("load",), where=lambda point: point == "speaker")
        if c.key.load in (RADIO, BOARD) and c.key.quantity == "voltage" and c.key.coupling == "ac"
        and (c.ok | c.overload).any()
    ]  # fmt: skip
    if not found:
        return None
    evidence = tuple(
        Evidence(session=c.session.name, rows=named_rows(c, np.flatnonzero(c.ok | c.overload))) for c in found
    )
    one, other = _pair(found)
    reasons = [
        f"volts at point speaker with the load {load}"
        for load, chunk in ((RADIO, one), (BOARD, other))
        if chunk is None
    ]
    levels = [_level(chunk) for chunk in (one, other) if chunk is not None]
    reasons += [level for level in levels if isinstance(level, str)]
    read = [level for level in levels if isinstance(level, _Level)]
    if reasons or len(read) < 2:
        return _undecided(reasons, evidence)
    try:
        finding = level_match_finding(
            level_match(read[0].volts, read[1].volts, read[0].u, read[1].u), evidence=tuple(r.evidence for r in read)
        )
    except (ValueError, ArithmeticError) as exc:
        return _undecided([f"both programmes again: {exc}"], evidence)
    if all(math.isfinite(figure or 0.0) for figure in (finding.value, finding.expanded_uncertainty)):
        return finding
    return _undecided(["both programmes again, nearer to each other"], evidence)


def _rows(chunk: Chunk, picked: IntArray, take: int | None = None) -> Evidence:
    return Evidence(session=chunk.session.name, rows=named_rows(chunk, picked), take=take)


def _pair(found: list[Chunk]) -> tuple[Chunk | None, Chunk | None]:
    """Both programmes by one meter in one session, the last such; else the last of each."""
    by: dict[tuple[str, str], dict[str, Chunk]] = {}
    for chunk in found:
        by.setdefault((chunk.session.name, chunk.meter), {})[chunk.key.load] = chunk
    both = [pair for pair in by.values() if len(pair) == 2]
    last = {chunk.key.load: chunk for chunk in found}
    chosen = both[-1] if both else last
    return chosen.get(RADIO), chosen.get(BOARD)


def _level(chunk: Chunk) -> _Level | str:
    """The level of one programme; or why there is none."""
    told = np.flatnonzero(chunk.ok | chunk.overload)
    if chunk.overload[told[-1]] or chunk.overload.sum() > 0.01 * len(told):
        return f"{chunk.key.load} on a higher range: the meter went over it"
    picked = np.flatnonzero(chunk.ok)
    if chunk.take is not None and chunk.take.value is not None:
        inside = picked[(chunk.rows[picked] >= chunk.take.first) & (chunk.rows[picked] <= chunk.take.last)]
        picked = inside if len(inside) else picked
    values = chunk.value[picked]
    if len(values) < FEWEST:
        return f"more readings of {chunk.key.load}: {len(values)} show no level"
    if float(np.abs(values).max()) > 1e6:
        return f"{chunk.key.load} again: no loudspeaker carries such volts"
    volts = math.sqrt(float(np.mean(values**2)))
    if chunk.take is not None and chunk.take.value is not None:
        volts = abs(chunk.take.value)
    scatter = float(np.std(values, ddof=1)) / math.sqrt(effective_count(values))
    u, _ = reading_u(chunk, picked, volts)
    take = chunk.take.id if chunk.take is not None else None
    return _Level(
        volts, math.hypot(u, scatter), Evidence(session=chunk.session.name, rows=named_rows(chunk, picked), take=take)
    )


def _undecided(reasons: list[str], evidence: tuple[Evidence, ...]) -> Finding:
    return Finding(
        id="level-match", level=Level.UNDECIDED, title="Level of the board against the radio", missing=tuple(reasons),
        statement=f"Whether board and radio are equally loud cannot be said. Wanted: {'; '.join(reasons)}.",
        limit_source="own choice: about the smallest difference that is noticed", evidence=evidence,
        advice="Read both programmes at the loudspeaker by one meter, with the volume left where it is.",
    )  # fmt: skip
