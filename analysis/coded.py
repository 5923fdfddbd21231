"""A session's rows, put into groups of like tags once, so that every question after that costs next to nothing."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.readings import BoolArray, FloatArray, IntArray
from drivers.reading import UNITS

if TYPE_CHECKING:
    from analysis.table import Session

#: What tells rows apart, in order of weight.
GROUPED = ("meter", "quantity", "coupling", "point", "plug", "switch", "burden", "load", "arrangement")
#: Unit of each quantity.
UNITS_OF = {str(quantity): unit for quantity, unit in UNITS.items()}
#: Beyond these in size nothing is a reading in any base unit of this trade; volts and amperes end before ohms do.
#: Source: own choice.
MOST, MOST_ELECTRIC, LEAST = 1e12, 1e6, 1e-15
#: Runs of like rows at least so long on average are joined as runs; shorter ones are sorted row by row.
_LONG_RUNS = 8


@dataclass(frozen=True, slots=True)
class Group:
    """Rows that agree in everything that tells rows apart."""

    codes: tuple[int, ...]  #: by GROUPED
    texts: dict[str, str]
    rows: IntArray  #: ascending


@dataclass(frozen=True, slots=True)
class Columns:
    """The columns of some rows, and what was found out about them."""

    rows: IntArray
    turn: IntArray
    elapsed: FloatArray
    value: FloatArray
    ok: BoolArray
    overload: BoolArray
    u: FloatArray
    range: FloatArray
    resolution: FloatArray
    memo: dict[str, Any] = field(default_factory=dict)


class Coded:
    """One session's readings by group. Nothing here changes after it was built but what is kept of earlier answers."""

    def __init__(self, session: Session) -> None:
        words, numbers = session.readings.words, session.readings.numbers
        codes = {name: words[name].codes for name in GROUPED}
        names = {name: words[name].names for name in (*GROUPED, "unit")}
        self._numbers = {name: plausible(name, column) for name, column in numbers.items()}
        electric = np.array([name in ("voltage", "current") for name in names["quantity"]], dtype=np.bool_)
        bound = self._numbers["value"]
        if (np.abs(bound) > MOST_ELECTRIC).any():
            far = electric[codes["quantity"]] & (np.abs(bound) > MOST_ELECTRIC)
            self._numbers["value"] = np.where(far, np.copysign(MOST_ELECTRIC, bound), bound)
        said = words["status"].are("ok")
        self._ok = said & np.isfinite(numbers["value"])
        # A number in another unit than the quantity's own is no value: a thousandth must not pass for the whole.
        self._ok &= _own_unit(names)[codes["quantity"], words["unit"].codes]
        self._overload = words["status"].are("overload") | (said & np.isinf(numbers["value"]))
        kinds = len(names["quantity"])
        series = codes["meter"].astype(np.int64) * kinds + codes["quantity"]
        self._turn = _turns(series, len(names["meter"]) * kinds)
        self.groups = [
            Group(
                codes=(place := tuple(int(codes[name][rows[0]]) for name in GROUPED)),
                texts={name: names[name][code] for name, code in zip(GROUPED, place, strict=True)}, rows=rows,
            )
            for rows in _like_rows([codes[name] for name in GROUPED], [len(names[name]) for name in GROUPED])
        ]  # fmt: skip
        self._kept: dict[tuple[int, ...], Columns] = {}

    def columns(self, members: Sequence[int]) -> Columns:
        """The columns of some groups together, in order of arrival."""
        key = tuple(sorted(members))
        found = self._kept.get(key)
        if found is None:
            parts = [self.groups[at].rows for at in key]
            rows = parts[0] if len(parts) == 1 else np.sort(np.concatenate(parts))
            found = self._kept[key] = self._cut(rows)
        return found

    def _cut(self, rows: IntArray) -> Columns:
        # Rows without a break are a view of the table, and nothing is copied.
        unbroken = len(rows) > 0 and int(rows[-1]) - int(rows[0]) + 1 == len(rows)
        at: Any = slice(int(rows[0]), int(rows[-1]) + 1) if unbroken else rows
        numbers = {name: column[at] for name, column in self._numbers.items()}
        return Columns(
            rows=rows, turn=self._turn[at], elapsed=numbers["elapsed_s"], value=numbers["value"], ok=self._ok[at],
            overload=self._overload[at], u=numbers["u"], range=numbers["range"], resolution=numbers["resolution"],
        )  # fmt: skip


def plausible(name: str, column: FloatArray) -> FloatArray:
    """A number column with what no bench can read brought to where it can be reckoned with, and nothing lost by it.

    A value beyond `MOST` stays beyond every limit, one below `LEAST` is zero; a range or count that is not above zero,
    and an uncertainty below it, is unknown.
    """
    if name == "elapsed_s":
        return column
    if name == "value":
        odd = (np.abs(column) > MOST) | ((np.abs(column) < LEAST) & (column != 0))
        if not odd.any():
            return column
        return np.where(np.abs(column) < LEAST, 0.0, np.clip(column, -MOST, MOST))
    wrong = (column < 0) if name == "u" else (column < LEAST)
    wrong |= column > MOST
    return np.where(wrong, np.nan, column) if wrong.any() else column


def coded(session: Session) -> Coded:
    """A session's readings by group, built when they are first asked for."""
    found = session.kept.get("coded")
    if found is None:
        found = session.kept["coded"] = Coded(session)
    return found


def _own_unit(names: Mapping[str, Sequence[str]]) -> BoolArray:
    """Whether a unit is a quantity's own, by their codes."""
    own = [[unit == UNITS_OF.get(quantity) for unit in names["unit"]] for quantity in names["quantity"]]
    return np.array(own, dtype=np.bool_).reshape(len(names["quantity"]), len(names["unit"]))


def _like_rows(codes: Iterable[np.ndarray[Any, Any]], sizes: Iterable[int]) -> list[IntArray]:
    """Rows of each combination of codes, in order of the codes."""
    mixed: IntArray | None = None
    span = 1
    for column, size in zip(codes, sizes, strict=True):
        if mixed is None:
            mixed = np.zeros(len(column), dtype=np.int64)
        if span > 2**62 // (size + 1):  # too many combinations for one number: number those that there are
            present, mixed = np.unique(mixed, return_inverse=True)
            span = len(present)
        span *= size + 1
        mixed *= size + 1
        mixed += column
    if mixed is None or not len(mixed):
        return []
    starts = np.concatenate(([0], np.flatnonzero(mixed[1:] != mixed[:-1]) + 1))
    if len(starts) * _LONG_RUNS > len(mixed):
        order = np.argsort(mixed, kind="stable")
        return np.split(order, np.flatnonzero(np.diff(mixed[order])) + 1)
    ends = np.append(starts[1:], len(mixed))
    runs: dict[int, list[IntArray]] = {}
    for start, end, code in zip(starts.tolist(), ends.tolist(), mixed[starts].tolist(), strict=True):
        runs.setdefault(code, []).append(np.arange(start, end))
    return [np.concatenate(runs[code]) if len(runs[code]) > 1 else runs[code][0] for code in sorted(runs)]


def _turns(series: IntArray, several: int) -> IntArray:
    """The place of each row in its series: the rows of one meter and quantity, whatever their tags and coupling.

    A meter that tells several quantities in turn still tells each of them in a row.
    """
    turn = np.zeros(len(series), dtype=np.int64)
    for code in range(several):
        mine = np.flatnonzero(series == code)
        turn[mine] = np.arange(len(mine))
    return turn
