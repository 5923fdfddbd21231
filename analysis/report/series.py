"""Readings of sessions as the report's pictures need them: whole columns at a time, thinned to what print can show."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from analysis.finding import StateOutcome
from analysis.readings import TAGS
from analysis.report.plots import LoadBar, Measured, Span, Take, TracePlot
from analysis.report.text import exactly, plain
from analysis.table import Session
from drivers.units import UnitError, counted, parse

Floats = np.ndarray[Any, np.dtype[np.float64]]
Ints = np.ndarray[Any, np.dtype[np.int64]]
Stretches = tuple[tuple[float, float], ...]
#: Stretches of time that a picture can tell apart: 17 cm at 150 lines an inch and a little less. Source: own choice.
BINS = 800
#: Beyond this a number is no volts, amperes or seconds of any bench, and a picture with it would show nothing else.
#: Source: own choice.
DRAWABLE = 1e9
#: The loads that the board goes through, in order; others follow in the order of the alphabet.
LOADS = ("none", "idle", "pairing", "playing", "loudest", "cold", "hot")


def thin(times: Floats, values: Floats, stretch: Ints, bins: int = BINS) -> tuple[Floats, Floats]:
    """The lowest and highest value of each bin, at their own times, with NaN between stretches.

    Args:
        times: never falling. [s] shape (n,)
        values: shape (n,)
        stretch: number of the unbroken stretch that each belongs to, never falling. shape (n,)
    Returns: times and values, at most 3 · (bins + stretches) of them; every extreme is kept exactly.
    """
    if len(times) == 0:
        return times, values
    span = float(times[-1] - times[0]) or 1.0
    column = np.minimum(((times - times[0]) / span * bins).astype(np.int64), bins - 1)
    if stretch[-1] - stretch[0] >= bins:  # more breaks than the picture has room for
        stretch = np.zeros_like(stretch)
    fresh = np.ones(len(times), dtype=bool)
    fresh[1:] = (np.diff(column) != 0) | (np.diff(stretch) != 0)
    starts = np.flatnonzero(fresh)
    group = np.cumsum(fresh) - 1
    picks = [_first_where(values == ends.reduceat(values, starts)[group], group) for ends in (np.minimum, np.maximum)]
    kept = np.unique(np.concatenate(picks))
    breaks = np.flatnonzero(np.diff(stretch[kept])) + 1
    return np.insert(times[kept], breaks, times[kept][breaks]), np.insert(values[kept], breaks, np.nan)


def _first_where(hit: np.ndarray[Any, np.dtype[np.bool_]], group: Ints) -> Ints:
    """The first hit of each group."""
    places = np.flatnonzero(hit)
    return places[np.unique(group[places], return_index=True)[1]]


def codes(frame: pd.DataFrame, names: Sequence[str]) -> Ints:
    """One number for each combination of some category columns."""
    total = np.zeros(len(frame), dtype=np.int64)
    for name in names:
        column = frame[name].astype("category").cat
        total = total * (len(column.categories) + 1) + column.codes.to_numpy(dtype=np.int64)
    return total


def state_words(plug: str, switch: str, burden: str) -> str:
    """A state's tags in few words; a line breaks between tags."""
    words = [f"plug {plug}" if plug else "", switch, burden_words(burden) if burden else ""]
    return " ".join(plain(word, 20).replace(" ", "\u00a0") for word in words if word)


def burden_words(text: str) -> str:
    """A burden as written on a tag, in the shortest form."""
    try:
        return exactly(parse(text, "Ohm"), "Ohm")
    except UnitError:
        return plain(text, 20)


def _is(frame: pd.DataFrame, column: str, word: str) -> np.ndarray[Any, np.dtype[np.bool_]]:
    return (frame[column] == word).to_numpy()


#: The columns that a point's picture needs: a million rows of all the others would be copied for nothing.
_NEEDED = ["elapsed_s", "value", "status", "meter", "coupling", "plug", "switch", "burden"]


def point_rows(session: Session, point: str) -> pd.DataFrame:
    """Rows of volts at a point."""
    frame = session.readings.frame
    return frame.loc[_is(frame, "point", point) & _is(frame, "quantity", "voltage"), _NEEDED]


def trace(
    session: Session, point: str, *, key: str, limits: Mapping[str, float], states: Sequence[StateOutcome] = ()
) -> TracePlot | None:
    """A point's volts against time in one session, or None where there is nothing to draw.

    Args:
        limits: for AC and DC [V]; the line of one that was not read is left out.
        states: what the point was judged by; those of this session are marked.
    """
    rows = point_rows(session, point)
    usable = (_is(rows, "status", "ok") | _is(rows, "status", "overload")) & drawable(rows["elapsed_s"])
    rows = rows if usable.all() else rows[usable]
    if not rows["elapsed_s"].is_monotonic_increasing:
        rows = rows.sort_values("elapsed_s", kind="stable")
    if rows.empty:
        return None
    over = (rows["status"] == "overload").to_numpy()
    times = finite(rows["elapsed_s"])
    runs = tag_runs(session)
    earlier = _earlier(session, rows, runs, states)
    traces = _traces(rows, over, times, runs=runs[_places(rows)], earlier=earlier)
    values = finite(rows["value"])
    early = earlier & ~over & (np.abs(values) < DRAWABLE)
    over_times = thin(times[over], np.zeros(int(over.sum())), np.zeros(int(over.sum()), dtype=np.int64), 60)[0]
    judged = _judged(session, states)
    takes = [take for take in takes_at(session, point) if (take.elapsed, take.value) not in
             {(mark.elapsed, mark.value) for mark in judged}]  # fmt: skip
    words = [f"{name} from {_volts(low)} to {_volts(high)}" for (name, _, _), (low, high) in traces]
    if over.any():
        words.append(f"{counted(int(over.sum()), 'reading', ',')} over range")
    free, compared = _unloaded(rows, times)
    lines = _limit_lines(rows[free], limits) if free.any() else ()
    words += [counted(len(judged), "judged value")] if judged else []
    words += [counted(len(takes), "other take" if judged else "take")] if takes or not judged else []
    words += [f"{counted(int(early.sum()), 'earlier reading', ',')} in no value"] if early.any() else []
    alt = f"{plain(point)} against earth over {times[-1] - times[0]:.0f} s: {'; '.join(words)}."
    return TracePlot(
        key=key, title=f"{plain(point)}: volts against time", alt=alt + _limit_words(lines),
        caption=f"Session {plain(session.name)}: {counted(len(rows), 'reading', ',')}."
                + (" Filled diamonds: judged values with ± U." if judged else "")
                + (" Open diamonds: other takes with ± U." if takes else "")
                + (" Small dots: earlier readings of a state, which its value does not rest on." if early.any() else "")
                + ("" if free.all() else " No limit line where a known resistor lay across the meter: those volts are "
                                         "not compared."),
        traces=tuple((name, tuple(t.tolist()), tuple(v.tolist())) for (name, t, v), _ in traces),
        earlier=_pairs(*thin(times[early], values[early], np.zeros(int(early.sum()), dtype=np.int64))),
        over_range=tuple(over_times.tolist()), takes=tuple(takes), spans=_spans(rows, times, runs), limits=lines,
        compared=compared, judged=tuple(judged), axis=_axis(rows),
    )  # fmt: skip


def _judged(session: Session, states: Sequence[StateOutcome]) -> list[Take]:
    """The judged values of a session, each at the time of its last row."""
    elapsed = session.readings.numbers["elapsed_s"]
    found = []
    for state in states:
        if state.session == session.name and state.value is not None and state.rows and state.rows[-1] < len(elapsed):
            moment = float(elapsed[state.rows[-1]])
            if abs(state.value) < DRAWABLE and abs(moment) < DRAWABLE:
                found.append(Take(elapsed=moment, value=state.value, expanded=state.expanded_uncertainty))
    return found


#: More stretches than this cannot be told apart, and their limit is drawn as one line.
_STRETCHES = 200


def _unloaded(rows: pd.DataFrame, times: Floats) -> tuple[np.ndarray[Any, np.dtype[np.bool_]], Stretches]:
    """Which rows were read by the meter alone, and from when to when; no times where that is all of them."""
    column = rows["burden"].astype("category").cat
    alone = np.array([str(word).strip().lower() in ("", "none") for word in column.categories], dtype=np.bool_)
    free = alone[column.codes.to_numpy()]
    starts = np.concatenate(([0], np.flatnonzero(np.diff(free)) + 1))
    if len(starts) < 2 or len(starts) > 2 * _STRETCHES:
        return free, ()
    ends = np.append(times[starts[1:]], times[-1])
    return free, tuple((float(times[a]), float(b)) for a, b in zip(starts, ends, strict=True) if free[a])


def _axis(rows: pd.DataFrame) -> str:
    """What the upright axis shows."""
    read = set(rows["coupling"].unique())
    if read == {"ac"}:
        return "volts AC against\nmains earth [V RMS]"
    return "volts DC against\nmains earth [V]" if read == {"dc"} else "volts against mains earth\n[V; AC as RMS]"


def _limit_lines(rows: pd.DataFrame, limits: Mapping[str, float]) -> tuple[tuple[str, float], ...]:
    """The limits of what was read; that for DC on both sides of zero where a reading comes near it there."""
    direct = (rows["coupling"] == "dc").to_numpy()
    found = []
    if not direct.all():
        found.append((f"limit {exactly(limits['AC'], 'V')} AC", limits["AC"]))
    if direct.any():
        found.append((f"limit {exactly(limits['DC'], 'V')} DC", limits["DC"]))
        if (finite(rows["value"])[direct] < -0.5 * limits["DC"]).any():
            found.append((f"limit −{exactly(limits['DC'], 'V')} DC", -limits["DC"]))
    return tuple(found)


def _limit_words(limits: tuple[tuple[str, float], ...]) -> str:
    return f" Limit lines: {', '.join(words for words, _ in limits)}." if limits else ""


def _volts(value: float) -> str:
    return f"{value:.3g} V"


def tag_runs(session: Session) -> Ints:
    """For each row of readings.csv the number of the run of like tags of its meter: another one after every change."""
    words = session.readings.words
    meters = words["meter"].codes
    runs = np.zeros(len(meters), dtype=np.int64)
    begun = 0
    for meter in range(len(words["meter"].names)):
        own = np.flatnonzero(meters == meter)
        fresh = np.zeros(len(own), dtype=np.bool_)
        for name in TAGS:
            column = words[name].codes[own]
            fresh[1:] |= column[1:] != column[:-1]
        runs[own] = begun + np.cumsum(fresh)
        begun += int(np.count_nonzero(fresh)) + 1
    return runs


def _places(rows: pd.DataFrame) -> Ints:
    """The rows of readings.csv that these are."""
    return rows.index.to_numpy(dtype=np.int64)


def _earlier(
    session: Session, rows: pd.DataFrame, runs: Ints, states: Sequence[StateOutcome]
) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Which rows came before those that the value of their own run of tags rests on: not settled, or not yet there."""
    words = session.readings.words
    kinds = len(words["coupling"].names) + 1
    keys = runs * kinds + words["coupling"].codes
    meters, names = words["meter"].codes, words["meter"].names
    firsts = [state.rows[0] for state in states if state.session == session.name and state.rows]
    for entry in session.takes:
        own = np.arange(entry.first, min(entry.last + 1, len(meters)))
        if entry.meter in names and len(own := own[meters[own] == names.index(entry.meter)]):
            firsts.append(int(own[0]))
    begin = np.full(int(keys.max(initial=0)) + 1, -1, dtype=np.int64)
    for first in sorted((first for first in firsts if first < len(keys)), reverse=True):
        begin[keys[first]] = first  # the earliest of a run stays
    places = _places(rows)
    return np.asarray(places < begin[keys[places]])


def _pairs(times: Floats, values: Floats) -> tuple[tuple[float, float], ...]:
    return tuple(zip(times.tolist(), values.tolist(), strict=True))


def _traces(
    rows: pd.DataFrame, over: Any, times: Floats, *, runs: Ints, earlier: Any
) -> list[tuple[tuple[str, Floats, Floats], tuple[float, float]]]:
    """A thinned line for each meter and coupling with its extremes; a change of tags or an overload breaks it."""
    found = []
    kinds = codes(rows, ["meter", "coupling"])
    values = finite(rows["value"])
    for kind in np.unique(kinds):
        own = np.flatnonzero(kinds == kind)
        stretch = np.zeros(len(own), dtype=np.int64)
        stretch[1:] = np.cumsum((np.diff(runs[own]) != 0) | (np.diff(over[own].astype(np.int64)) != 0))
        drawn = ~over[own] & (np.abs(values[own]) < DRAWABLE)
        if drawn.any():
            first = rows.iloc[own[0]]
            coupling = {"ac": "AC", "dc": "DC", "acdc": "AC+DC"}.get(str(first["coupling"]), "coupling not told")
            name = f"meter {plain(first['meter'], 30)}, {coupling}"
            seen = values[own][drawn]
            drawn &= ~earlier[own]
            line = thin(times[own][drawn], values[own][drawn], stretch[drawn])
            found.append(((name, *line), (float(seen.min()), float(seen.max()))))
    return found


def _spans(rows: pd.DataFrame, times: Floats, runs: Ints) -> tuple[Span, ...]:
    """Stretches of one state's tags; none where there are too many to tell apart."""
    fresh = np.diff(codes(rows, ["plug", "switch", "burden"])) != 0
    if rows["meter"].nunique() == 1:  # with several the runs of one cut those of the other
        fresh |= np.diff(runs[_places(rows)]) != 0
    starts = np.concatenate(([0], np.flatnonzero(fresh) + 1))
    if len(starts) > 24:
        return ()
    # A band ends one reading's time after its last one: the probe may have been elsewhere until the next begins.
    every = float(np.median(np.diff(times))) if len(times) > 1 else 0.0
    lasts = times[np.append(starts[1:], len(times)) - 1] + every
    ends = np.minimum(lasts, np.append(times[starts[1:]], math.inf))
    states = [rows.iloc[int(start)] for start in starts]
    return tuple(
        Span(begin=float(times[start]), end=float(end), words=state_words(row["plug"], row["switch"], row["burden"]))
        for start, end, row in zip(starts, ends, states, strict=True)
    )


def takes_at(session: Session, point: str) -> list[Take]:
    """The takes of volts at a point, with U from the readings that each rests on."""
    found = []
    for entry in session.takes:
        rows = session.readings.frame.iloc[entry.first : entry.last + 1]
        rows = rows[(rows["meter"] == entry.meter).to_numpy() & (rows["status"] == "ok").to_numpy()]
        if entry.quantity != "voltage" or entry.value is None or rows.empty or rows["point"].iloc[-1] != point:
            continue
        moment = float(rows["elapsed_s"].iloc[-1])
        if abs(entry.value) < DRAWABLE and abs(moment) < DRAWABLE:
            found.append(Take(elapsed=moment, value=entry.value, expanded=_expanded(rows["u"])))
    return found


def finite(column: pd.Series[Any]) -> np.ndarray[Any, np.dtype[np.float64]]:
    """A number column as an array, unknown as NaN."""
    return column.to_numpy(dtype=np.float64)


def drawable(column: pd.Series[Any]) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Which numbers a picture can show; unknown is none."""
    return np.asarray(np.abs(finite(column)) < DRAWABLE)


def _expanded(column: pd.Series[Any]) -> float | None:
    """U of a typical reading, or None where no accuracy line applies."""
    u = float(column.median()) if len(column) else math.nan
    return 2 * u if 0 < u < DRAWABLE else None


def load_bars(sessions: Sequence[Session]) -> list[LoadBar]:
    """Amperes of the auxiliary transformer's secondary, by load."""
    bars = []
    for load, parts in _secondary(sessions, "current").items():
        values = np.concatenate([finite(part["value"]) for part in parts])
        bars.append(LoadBar(
            load=plain(load, 40) or "load not tagged", mean=float(values.mean()), low=float(values.min()),
            high=float(values.max()), expanded=_expanded(pd.concat([part["u"] for part in parts])), count=len(values),
        ))  # fmt: skip
    return sorted(bars, key=lambda bar: (LOADS.index(bar.load) if bar.load in LOADS else len(LOADS), bar.load))


def _secondary(sessions: Sequence[Session], quantity: str) -> dict[str, list[pd.DataFrame]]:
    """The secondary's usable readings of a quantity, by load."""
    found: dict[str, list[pd.DataFrame]] = {}
    for session in sessions:
        frame = session.readings.frame
        usable = _is(frame, "point", "secondary") & _is(frame, "quantity", quantity) & _is(frame, "status", "ok")
        rows = frame.loc[usable, ["load", "value", "u"]]
        rows = rows[drawable(rows["value"])]
        for load in rows["load"].unique():
            found.setdefault(str(load), []).append(rows[_is(rows, "load", str(load))])
    return found


def load_points(sessions: Sequence[Session]) -> list[tuple[str, Measured, Measured]]:
    """Mean amperes and volts of the secondary, each with U of one reading, for each load that has both.

    The load `none` stands for no amperes.
    """
    amperes, volts = (
        {load: _mean(pd.concat(parts)) for load, parts in _secondary(sessions, quantity).items()}
        for quantity in ("current", "voltage")
    )
    if "none" in volts:
        amperes.setdefault("none", (0.0, None))
    return [(plain(load, 40), amperes[load], volts[load]) for load in sorted(amperes) if load in volts]


def _mean(rows: pd.DataFrame) -> Measured:
    return float(rows["value"].mean()), _expanded(rows["u"])
