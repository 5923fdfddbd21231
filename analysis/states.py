"""What a meter settled on, state by state.

A chunk holds the rows of one session, one meter and one set of tags. Its value is its last take that was not
superseded; without one, its highest settled plateau. Chunks of the same state are then put together over sessions and
meters: for each meter the later take counts, and of several meters the worst. The file is longer than others, since a
value's takes, plateaus and pooling are one rule.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from analysis.coded import GROUPED, MOST, MOST_ELECTRIC, UNITS_OF, coded
from analysis.finding import Evidence
from analysis.judge import COVERAGE, fallback_u, rectangular
from analysis.meterinfo import MeterInfo
from analysis.readings import FloatArray, IntArray
from analysis.table import Session, Take, epoch
from analysis.uncertainty import combined, of_mean
from drivers.units import UnitError, parse

#: The settle band: as a fraction of the value, and in counts of the display; the wider counts. Source: own choice.
BAND_FRACTION, BAND_COUNTS = 0.005, 3.0
#: Rows in a row that make a plateau.
PLATEAU = 3
#: More rows than this are named by the first and the last.
ROWS_NAMED = 50


@dataclass(frozen=True, slots=True)
class Key:
    """The tags that make a state. `coupling` is `ac` (with `acdc` and unknown) or `dc` for volts and amperes."""

    quantity: str
    coupling: str
    point: str
    plug: str = ""
    switch: str = ""
    burden: str = ""
    load: str = ""
    arrangement: str = ""

    @property
    def burden_ohms(self) -> float | None:
        """The burden in ohms; None: the meter alone; NaN: a text that is no resistance."""
        if not self.burden or self.burden.strip().lower() == "none":
            return None
        try:
            ohms = parse(self.burden, "Ohm")
        except UnitError:
            return math.nan
        return ohms if 1.0 <= ohms <= 1e12 else math.nan  # nobody has another one at hand


@dataclass(frozen=True, slots=True, kw_only=True)
class Value:
    """What a state came to, by one meter."""

    key: Key
    session: str
    meter: str
    value: float | None  #: None: overload
    u: float  #: standard uncertainty: the meter's, and the scatter of the mean
    overload: bool = False
    range: float | None = None  #: full scale, where known
    resolution: float | None = None
    rows: tuple[int, ...] = ()
    take: int | None = None
    by_fallback: bool = False  #: no accuracy line: 3 % + 10 counts
    ended: float = 0.0  #: when its last row arrived [s since 1970]
    later: float = 0.0  #: the highest magnitude read in this state after it; inf for an overload

    @property
    def magnitude(self) -> float:
        """Its size; an overload is at least its range, infinite where that is unknown."""
        if self.value is None:
            return math.inf if self.range is None else self.range
        return abs(self.value)

    @property
    def expanded(self) -> float:
        """Expanded uncertainty U."""
        return COVERAGE * self.u

    @property
    def evidence(self) -> Evidence:
        """The rows it rests on."""
        return Evidence(session=self.session, rows=self.rows, take=self.take)


@dataclass(frozen=True, slots=True, kw_only=True)
class Chunk:
    """The rows of one session, one meter and one state, in order of arrival."""

    key: Key
    session: Session
    meter: str
    told: str  #: the coupling as it was recorded: AC with DC and AC alone are one state, and neither replaces the other
    began: float  #: start of the session [s since 1970]
    rows: IntArray  #: rows of readings.csv
    turn: IntArray  #: the place of each row among the rows of its meter and quantity
    elapsed: FloatArray
    value: FloatArray
    ok: np.ndarray[Any, np.dtype[np.bool_]]
    overload: np.ndarray[Any, np.dtype[np.bool_]]
    u: FloatArray
    range: FloatArray
    resolution: FloatArray
    take: Take | None = None  #: the last one that was not superseded
    memo: dict[str, Any] = field(default_factory=dict, compare=False, repr=False)  #: answers that rest on rows alone


_COUPLED = ("voltage", "current")


def _fold_coupling(quantity: str, coupling: str) -> str:
    """`acdc` and unknown count as AC; quantities without coupling have none."""
    if quantity not in _COUPLED:
        return ""
    return "dc" if coupling == "dc" else "ac"


def chunks(session: Session, *, by: Sequence[str], where: Callable[[str], bool]) -> list[Chunk]:
    """The session's rows by meter, quantity, coupling, point and the tags named in `by`.

    Args:
        by: of `plug switch burden load arrangement`; the others are not told apart.
        where: which points.
    """
    if not len(session.readings):
        return []
    table = coded(session)
    wanted = [name for name in GROUPED if name in ("meter", "quantity", "coupling", "point") or name in by]
    places = [GROUPED.index(name) for name in wanted]
    members = [at for at, group in enumerate(table.groups) if where(group.texts["point"])]
    members.sort(key=lambda at: [table.groups[at].codes[place] for place in places])
    pieces: dict[tuple[str, str, Key], list[int]] = {}
    for at in members:
        texts = {name: table.groups[at].texts[name] for name in wanted}
        meter, told = texts.pop("meter"), texts["coupling"]
        texts["coupling"] = _fold_coupling(texts["quantity"], told)
        pieces.setdefault((meter, told, _plain(Key(**texts))), []).append(at)  # one burden, however it is written
    began = epoch(session.start)
    found = []
    for (meter, told, key), several in pieces.items():
        cut = table.columns(several)
        found.append(Chunk(
            key=key, session=session, meter=meter, told=told, began=began, rows=cut.rows, turn=cut.turn,
            elapsed=cut.elapsed, value=cut.value, ok=cut.ok, overload=cut.overload, u=cut.u, range=cut.range,
            resolution=cut.resolution, memo=cut.memo,
        ))  # fmt: skip
    return _with_takes(found, session)


def _with_takes(found: list[Chunk], session: Session) -> list[Chunk]:
    """Give each chunk the last take whose rows are its own."""
    taken: dict[int, Take] = {}
    for take in session.takes:
        last = {
            int(inside[-1]): index for index, chunk in enumerate(found)
            if chunk.meter == take.meter and _fits(take, chunk.key)
            and len(inside := chunk.rows[(chunk.rows >= take.first) & (chunk.rows <= take.last)])
        }  # fmt: skip
        if last:  # rows that reach over a change of tags: it was taken at their end
            taken[last[max(last)]] = take
    return [replace(chunk, take=taken[index]) if index in taken else chunk for index, chunk in enumerate(found)]


def _fits(take: Take, key: Key) -> bool:
    known_unit = not take.unit or take.unit == UNITS_OF.get(take.quantity)
    return known_unit and take.quantity == key.quantity and _fold_coupling(take.quantity, take.coupling) == key.coupling


def settle(chunk: Chunk) -> Value | None:
    """What a chunk came to: overload, else its last take, else its highest settled plateau; None: no value."""
    name = "value" if chunk.take is None else f"value by take {chunk.take.id}"
    if name not in chunk.memo:
        chunk.memo[name] = _settled(chunk)
    # The same rows under fewer tags come to the same value of another state.
    found: Value | None = chunk.memo[name]
    return found if found is None or found.key == chunk.key else replace(found, key=chunk.key)


def _settled(chunk: Chunk) -> Value | None:
    last = np.flatnonzero(chunk.ok | chunk.overload)
    if not len(last):
        return None
    if chunk.overload[last[-1]]:
        return _overload(chunk, int(last[-1]))
    if chunk.take is not None and chunk.take.value is not None:
        inside = (chunk.rows >= chunk.take.first) & (chunk.rows <= chunk.take.last)
        picked = np.flatnonzero(inside & chunk.ok)
        if len(picked):
            return _value(chunk, picked, _supported(chunk, picked, chunk.take.value), chunk.take)
    picked = _plateau(chunk)
    return _value(chunk, picked, float(np.mean(chunk.value[picked])), None) if len(picked) else None


def _supported(chunk: Chunk, picked: IntArray, taken: float) -> float:
    """A take's value, as far as its own rows bear it out: one that lies below all of them is theirs, not its own."""
    sizes = np.abs(chunk.value[picked])
    count = float(np.nan_to_num(chunk.resolution[picked], nan=0.0).max())
    least = float(sizes.min())
    return taken if abs(taken) >= least - float(_band(least, count)) else float(np.mean(chunk.value[picked]))


def _overload(chunk: Chunk, at: int) -> Value:
    full_scale = chunk.range[at]
    return Value(
        key=chunk.key, session=chunk.session.name, meter=chunk.meter, value=None, u=0.0, overload=True,
        range=float(full_scale) if math.isfinite(full_scale) else None, rows=(int(chunk.rows[at]),),
        take=chunk.take.id if chunk.take is not None else None, ended=chunk.began + float(chunk.elapsed[at]),
    )  # fmt: skip


def _value(chunk: Chunk, picked: IntArray, value: float, take: Take | None) -> Value:
    most = MOST_ELECTRIC if chunk.key.quantity in _COUPLED else MOST  # a take may state anything
    value = min(most, max(-most, value))
    u, by_fallback = reading_u(chunk, picked, value)
    scatter = of_mean(chunk.value[picked])
    full_scale, count = last_known(chunk.range[picked]), last_known(chunk.resolution[picked])
    return Value(
        key=chunk.key, session=chunk.session.name, meter=chunk.meter, value=value, u=combined([u, scatter]),
        range=full_scale, resolution=count, rows=named_rows(chunk, picked),
        take=take.id if take is not None else None, by_fallback=by_fallback,
        ended=chunk.began + float(chunk.elapsed[picked[-1]]),
    )  # fmt: skip


def named_rows(chunk: Chunk, picked: IntArray) -> tuple[int, ...]:
    """Row numbers in readings.csv of some places of a chunk; of many, the first and the last."""
    rows = chunk.rows[picked] if len(picked) <= ROWS_NAMED else chunk.rows[picked[[0, -1]]]
    return tuple(rows.tolist())


def single(chunk: Chunk) -> Value | None:
    """What a chunk came to, where one row is enough as of a value that somebody read off: else its last row."""
    value = settle(chunk)
    if value is not None:
        return value
    good = np.flatnonzero(chunk.ok)
    return _value(chunk, good[-1:], float(chunk.value[good[-1]]), None) if len(good) else None


def last_known(column: FloatArray) -> float | None:
    if len(column) and math.isfinite(column[-1]):  # nearly always, and it spares looking through all of them
        return float(column[-1])
    known = column[np.isfinite(column)]
    return float(known[-1]) if len(known) else None


def reading_u(chunk: Chunk, picked: IntArray, value: float) -> tuple[float, bool]:
    """Standard uncertainty by the meter: as recorded with the rows, else by the descriptor, else 3 % + 10 counts."""
    recorded = chunk.u[picked]
    if np.isfinite(recorded).all() and (recorded >= 0).all():
        return float(np.mean(recorded)), False
    count = last_known(chunk.resolution[picked])
    line_u = _line_u(chunk.session.meter(chunk.meter), chunk, picked, value, count)
    return (line_u, False) if line_u is not None else (fallback_u(value, count), True)


def _line_u(meter: MeterInfo | None, chunk: Chunk, picked: IntArray, value: float, count: float | None) -> float | None:
    """By the descriptor's accuracy line for this quantity, coupling and range. Source: JCGM 100:2008, 4.3.7."""
    full_scale = last_known(chunk.range[picked])
    lines = [
        line for line in (meter.accuracy if meter else ())
        if line.quantity == chunk.key.quantity
        and (not line.coupling or _fold_coupling(line.quantity, line.coupling) == chunk.key.coupling)
        and (line.range is None or (full_scale is not None and math.isclose(line.range, full_scale, rel_tol=1e-6)))
    ]  # fmt: skip
    if not lines:
        return None
    best = max((line.range is not None, bool(line.coupling)) for line in lines)
    widths = []
    for line in lines:
        step = count if count is not None else line.resolution
        if (line.range is not None, bool(line.coupling)) == best:
            if step is None and line.digits:
                return None
            widths.append(line.of_reading * abs(value) + line.digits * (step or 0.0))
    return rectangular(max(widths))  # AC and AC+DC rows are one state, so the wider of their lines counts


def _plateau(chunk: Chunk) -> IntArray:
    """Rows (places in the chunk) of the highest settled plateau; empty if nothing settled.

    It is the stretch that holds the highest settled `PLATEAU` rows, as far as it stays inside the band.
    """
    good, value, turn = _good(chunk)
    inside, count = _settled_windows(chunk)
    if not inside.any():
        return good[:0]
    height = np.where(inside, np.abs((value[:-2] + value[1:-1] + value[2:]) / PLATEAU), -1.0)
    first = int(np.argmax(height))
    step = float(count[first])
    last = first + PLATEAU - 1
    last += _reach(value[first:], turn[first:], step, PLATEAU)
    first -= _reach(value[last::-1], -turn[last::-1], step, last - first + 1)
    return good[first : last + 1]


def last_settled(chunk: Chunk) -> tuple[float, float] | None:
    """The size of a chunk's last take, else of its last settled `PLATEAU` rows, and when [s since 1970]; or None."""
    taken = None
    if chunk.take is not None and chunk.take.value is not None:
        taken = abs(chunk.take.value), chunk.began + chunk.take.elapsed
    good, value, _ = _good(chunk)
    inside, _ = _settled_windows(chunk)
    if not len(good) or not inside.any():
        return taken
    first = int(np.flatnonzero(inside)[-1])
    ended = chunk.began + float(chunk.elapsed[good[first + PLATEAU - 1]])
    came_to = float(np.abs(value[first : first + PLATEAU]).mean())
    return (came_to, ended) if taken is None or ended > taken[1] else taken


def _good(chunk: Chunk) -> tuple[IntArray, FloatArray, IntArray]:
    """Places, values and turns of the rows that are values."""
    good = np.flatnonzero(chunk.ok)
    if len(good) == len(chunk.ok):
        return good, chunk.value, chunk.turn
    return good, chunk.value[good], chunk.turn[good]


def _settled_windows(chunk: Chunk) -> tuple[np.ndarray[Any, np.dtype[np.bool_]], FloatArray]:
    """Which `PLATEAU` good rows in a row stay inside the band, by the first of them; and one count there."""
    if "windows" not in chunk.memo:
        chunk.memo["windows"] = _found_windows(chunk)
    found: tuple[np.ndarray[Any, np.dtype[np.bool_]], FloatArray] = chunk.memo["windows"]
    return found


def _found_windows(chunk: Chunk) -> tuple[np.ndarray[Any, np.dtype[np.bool_]], FloatArray]:
    good, value, turn = _good(chunk)
    if len(good) < PLATEAU:
        return np.zeros(0, dtype=np.bool_), np.zeros(0)
    one, two, three = value[:-2], value[1:-1], value[2:]  # whole columns: a window of a row each is ten times slower
    high, low = np.maximum(np.maximum(one, two), three), np.minimum(np.minimum(one, two), three)
    unbroken = turn[PLATEAU - 1 :] - turn[: len(turn) - PLATEAU + 1] == PLATEAU - 1
    count = np.fmax(chunk.resolution[good[: len(one)]], 0.0)  # unknown is no count
    return unbroken & (high - low <= _band(np.maximum(np.abs(high), np.abs(low)), count)), count


def _band(size: Any, count: Any) -> Any:
    """Width of the settle band; a hair more, so that decimal steps in binary do not fall out of it."""
    return np.maximum(BAND_FRACTION * size, BAND_COUNTS * count) * (1 + 1e-9)


def _reach(value: FloatArray, turn: IntArray, count: float, have: int) -> int:
    """How many rows beyond the first `have` stay inside the band with those, without a break."""
    low, high = np.minimum.accumulate(value)[have:], np.maximum.accumulate(value)[have:]
    unbroken = turn[have:] - turn[have - 1 : -1] == 1
    fits = unbroken & (high - low <= _band(np.maximum(np.abs(low), np.abs(high)), count))
    return len(fits) if fits.all() else int(np.argmin(fits))


def _worse(value: Value) -> float:
    """How bad a value is beside another meter's; an overload is beyond any."""
    return math.inf if value.overload else value.magnitude + value.expanded


def pooled(found: Iterable[Chunk], worse: Callable[[Value], float] = _worse) -> dict[Key, Value]:
    """The value of each state over sessions and meters.

    Args: worse: by what several meters of one state are ranked; the highest counts.

    Of one meter (by its role) the last row decides whether it is an overload, then the last take, then the highest
    plateau; of several meters the worst counts. `later` is the highest magnitude read after it by any of them.
    """
    states: dict[Key, dict[tuple[str, str], list[Chunk]]] = {}
    for chunk in found:
        key = _plain(chunk.key)
        states.setdefault(key, {}).setdefault((chunk.meter, chunk.told), []).append(chunk)
    result = {}
    for key, meters in states.items():
        values = [value for parts in meters.values() if (value := of_one_meter(parts)) is not None]
        if values:
            chosen = max(values, key=worse)
            parts = [part for several in meters.values() for part in several]
            result[key] = replace(chosen, key=key, later=_later(parts, chosen.ended))
    return result


def _plain(key: Key) -> Key:
    """The key with its burden written in one way, so that equal burdens are one state."""
    ohms = key.burden_ohms
    if ohms is None:
        return replace(key, burden="")
    return key if math.isnan(ohms) else replace(key, burden=f"{ohms:.9g} ohm")


def of_one_meter(parts: list[Chunk]) -> Value | None:
    """What one meter came to over sessions: an overload if that came last, else the last take, else the highest."""
    live = [part for part in parts if (part.ok | part.overload).any()]
    live.sort(key=lambda part: part.began + float(part.elapsed[part.ok | part.overload].max()))
    if not live:
        return None
    final = settle(live[-1])
    if final is not None and final.overload:
        return final
    values = [value for part in live if (value := settle(part)) is not None and not value.overload]
    taken = [value for value in values if value.take is not None]
    if taken:
        return taken[-1]
    return max(values, key=lambda value: value.magnitude, default=None)


def _later(parts: list[Chunk], ended: float) -> float:
    """The highest magnitude read after a moment; an overload is beyond everything."""
    highest = 0.0
    for part in parts:
        after = part.began + part.elapsed > ended + 1e-9
        if (part.overload & after).any():
            return math.inf
        if (part.ok & after).any():
            highest = max(highest, float(np.abs(part.value[part.ok & after]).max()))
    return highest


def lowest(chunk: Chunk) -> float | None:
    """A chunk's last take, else its lowest settled rows, else infinite for an overload: of ohms the least is worst."""
    if chunk.take is not None and chunk.take.value is not None:
        return abs(chunk.take.value)
    _, value, _ = _good(chunk)
    inside, _ = _settled_windows(chunk)
    if inside.any():
        return min(float(np.abs(value[at : at + PLATEAU]).mean()) for at in np.flatnonzero(inside))
    return math.inf if chunk.overload.any() else None


def settled(found: Iterable[Chunk]) -> list[Value]:
    """Every chunk's own value, not put together: for what must hold within one session and meter."""
    return [value for chunk in found if (value := settle(chunk)) is not None]
