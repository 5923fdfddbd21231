"""Comparisons from sessions: alternated stretches of readings under two tags, against each other."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from analysis.coded import UNITS_OF
from analysis.compare import MARGIN, Comparison, Same, compare, hum_difference
from analysis.finding import Evidence, Finding
from analysis.judge import FALLBACK_COUNTS
from analysis.level_evidence import BOARD, RADIO
from analysis.readings import TAGS, FloatArray, IntArray
from analysis.table import Radio, Session
from drivers.reading import BenchError
from drivers.units import counted, show

#: How hum is tagged.
HUM_TAG, HUM_POINT = "arrangement", "speaker"


class CompareError(BenchError):
    """A comparison that was asked for wrongly, or that there are no readings for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """A comparison and the rows that it rests on."""

    comparison: Comparison
    evidence: tuple[Evidence, ...]


@dataclass(frozen=True, slots=True)
class _Stretch:
    """One uninterrupted run of one tag value by one meter."""

    name: str
    began: float
    rows: IntArray  #: of readings.csv; usable ones only
    values: FloatArray
    over: int  #: readings beyond the range


@dataclass(frozen=True, slots=True)
class _Series:
    """All stretches at one point by one meter in one session."""

    session: Session
    meter: str
    stretches: tuple[_Stretch, ...]
    resolution: float

    def repeats(self, name: str) -> int:
        """Stretches of that name, neighbours counted as one."""
        names = [s.name for s in self.stretches if len(s.values)]
        return sum(1 for at, found in enumerate(names) if found == name and (at == 0 or names[at - 1] != name))


def compare_by(
    radio: Radio, *, by: str = HUM_TAG, point: str = HUM_POINT, quantity: str = "voltage", a: str = "", b: str = "",
    margin_dB: float = MARGIN,  # noqa: N803 - the unit's own spelling
) -> Compared:  # fmt: skip
    """Two values of a tag against each other, by the readings of the latest stage.

    The session and meter that alternated most often count; among equals, the last.

    Args:
        a, b: the tag's values; without them the first two, in order of the alphabet.
    Raises: CompareError: no such tag or quantity, no readings there, or not two values.
    """
    if quantity not in UNITS_OF:
        raise CompareError(f"{quantity!r} is no quantity.", remedy=f"Write one of {', '.join(UNITS_OF)}.")
    _check_tag(radio, by)
    found = [series for session in radio.judged for series in _series(session, by, point, quantity)]
    names = sorted({s.name for series in found for s in series.stretches if len(s.values)})
    if not names:
        seen = ", ".join(_points(radio, quantity)) or "none"
        raise CompareError(
            f"There are no readings of {quantity} at point {point!r} with a tag {by}.",
            remedy=f"Points with {quantity}: {seen}.",
        )
    first = a or next((name for name in names if name != b), "")
    second = b or next((name for name in names if name != first), "")
    lacking = [name for name in (first, second) if name not in names]
    if lacking or first == second:
        what = f"{by} {lacking[0]!r} was not read" if lacking and lacking[0] else f"Only one {by} was named or read"
        raise CompareError(f"{what} at point {point!r}.", remedy=f"Read there: {', '.join(names)}.")
    return _compared(found, first, second, point, quantity, margin_dB)


def _check_tag(radio: Radio, by: str) -> None:
    known = {*TAGS, *(name for session in radio.judged for name in session.readings.words)}
    known -= {"quantity", "coupling", "unit", "status", "flags"}
    if by not in known:
        raise CompareError(f"There is no tag {by!r}.", remedy=f"Tags: {', '.join(sorted(known))}.")


def _points(radio: Radio, quantity: str) -> list[str]:
    found = set()
    for session in radio.judged:
        words = session.readings.words
        point = words["point"]
        own = np.unique(point.codes[words["quantity"].are(quantity)])
        found |= {point.names[code] for code in own.tolist()}
    return sorted(found - {""})


def _series(session: Session, by: str, point: str, quantity: str) -> Iterator[_Series]:
    """Stretches of each meter; what is DC, in another unit, or a programme is left out."""
    words = session.readings.words
    if by not in words:
        return
    place = words["point"].are(point) & words["quantity"].are(quantity)
    place &= ~(words[by].are("") | words["coupling"].are("dc"))
    if by == HUM_TAG:
        place &= ~(words["load"].are(RADIO) | words["load"].are(BOARD))  # a programme is no hum
    rows = np.flatnonzero(place)
    if not len(rows):
        return
    meters, tags = words["meter"].at(rows), words[by].at(rows)
    value, elapsed, count = (session.readings.numbers[name][rows] for name in ("value", "elapsed_s", "resolution"))
    ok = words["status"].are("ok")[rows] & words["unit"].are(UNITS_OF[quantity])[rows]
    ok &= np.isfinite(value) & np.isfinite(elapsed)
    over = words["status"].are("overload")[rows]
    for meter in dict.fromkeys(meters.tolist()):
        mine = np.flatnonzero(meters == meter)
        cuts = np.flatnonzero(tags[mine][1:] != tags[mine][:-1]) + 1
        stretches = []
        for part in np.split(mine, cuts):
            good = _taken(session, meter, rows, part[ok[part]])
            if len(good) or over[part].any():
                began = float(elapsed[good[0]]) if len(good) else 0.0
                stretches.append(
                    _Stretch(str(tags[part[0]]), began, rows[good], np.abs(value[good]), int(over[part].sum()))
                )
        known = count[mine][np.isfinite(count[mine]) & (count[mine] >= 0)]
        yield _Series(session, meter, tuple(stretches), float(known.max()) if len(known) else 0.0)


def _taken(session: Session, meter: str, rows: IntArray, part: IntArray) -> IntArray:
    """Of a stretch in which something was taken, the rows that were taken."""
    if not len(part):
        return part
    numbers = rows[part]
    inside = np.zeros(len(part), dtype=bool)
    for take in session.takes:
        if take.meter == meter and take.last >= numbers[0] and take.first <= numbers[-1]:
            inside |= (numbers >= take.first) & (numbers <= take.last)
    return part[inside] if inside.any() else part


def _compared(found: list[_Series], first: str, second: str, point: str, quantity: str, margin: float) -> Compared:
    able = [s for s in found if s.repeats(first) and s.repeats(second)] or found
    chosen = max(reversed(able), key=lambda s: min(s.repeats(first), s.repeats(second)))
    sides = [[s for s in chosen.stretches if s.name == name and len(s.values)] for name in (first, second)]
    try:
        result = compare(
            [s.values for s in sides[0]], [s.values for s in sides[1]],
            times=([s.began for s in sides[0]], [s.began for s in sides[1]]), floor=_floor(chosen, quantity),
            resolution=chosen.resolution, margin_dB=margin, names=(first, second), point=point, quantity=quantity,
            unit=UNITS_OF[quantity],
        )  # fmt: skip
    except np.linalg.LinAlgError as exc:
        raise CompareError("The stretches' times cannot be told apart.", f"{chosen.session.name}.") from exc
    over = sum(s.over for s in chosen.stretches if s.name in (first, second))
    if over:
        reason = (
            f"{counted(over, 'reading')} went over the meter's range, so a level is higher than it reads: use a "
            "higher range."
        )
        result = replace(result, outcome=Same.UNDECIDED, more_repeats=None, reason=reason)
    rows = [tuple(int(row) for row in s.rows[[0, -1]]) for side in sides for s in side]
    return Compared(
        comparison=result, evidence=tuple(Evidence(session=chosen.session.name, rows=pair) for pair in rows)
    )


def _floor(series: _Series, quantity: str) -> float:
    """What a meter may show with nothing connected: the counts of its accuracy line, as a level."""
    info = series.session.meter(series.meter)
    digits = [line.digits for line in (info.accuracy if info else ()) if line.quantity == quantity and line.digits > 0]
    return (min(digits) if digits else FALLBACK_COUNTS) * series.resolution


def hum_comparisons(radio: Radio) -> list[Compared]:
    """The first arrangement at the loudspeaker against each of the others; none with fewer than two."""
    names = sorted({
        s.name for session in radio.judged for series in _series(session, HUM_TAG, HUM_POINT, "voltage")
        for s in series.stretches if len(s.values)
    })  # fmt: skip
    found = []
    for other in names[1:]:
        try:
            found.append(compare_by(radio, a=names[0], b=other))
        except (BenchError, ValueError, ArithmeticError):
            continue
    return found


def all_comparisons(radio: Radio, *, earlier: bool = False) -> list[dict[str, Any]]:
    """Every comparison of arrangements in the latest stage, and in those before, as `compare --json` gives it."""
    stages = dict.fromkeys(session.stage for session in radio.counted) if earlier else {radio.stage: None}
    found = []
    for stage in stages:
        own = tuple(session for session in radio.counted if session.stage == stage)
        of = "" if stage == radio.stage else f" ({stage or 'stage not named'})"
        for compared in hum_comparisons(replace(radio, sessions=own)):
            found.append({**compared.comparison.to_json(), "point": f"{HUM_POINT}{of}"})
    return found


def hum_findings(radio: Radio) -> list[Finding]:
    """`hum-difference`; one for each further arrangement where there are more than two."""
    findings = []
    for at, found in enumerate(hum_comparisons(radio)):
        made = hum_difference(found.comparison, evidence=found.evidence)
        suffix = "" if at == 0 else f":{found.comparison.b.name}"
        findings.append(replace(made, id=f"hum-difference{suffix}"))
    return findings


def lines(found: Compared) -> Mapping[str, str]:
    """A comparison for a person, label by label."""
    result = found.comparison
    told = {
        side.name: f"{show(side.mean, result.unit)} in {counted(side.repeats, 'repeat')}, "
        f"{counted(side.readings, 'reading')}"
        for side in (result.a, result.b)
    }
    if result.difference is not None and math.isfinite(result.difference):
        told["difference"] = f"{result.difference:+.2f} dB, {result.a.name} over {result.b.name}"
    if result.interval is not None:
        low, high = result.interval
        told["interval"] = f"{low:+.2f} to {high:+.2f} dB at {result.confidence:.0%}; margin ±{result.margin:g} dB"
    return {**told, "outcome": f"{result.outcome}. {result.reason}"}
