"""Each row of readings.csv by itself and after the one before: cells, words, times, and the rows that takes name."""

from __future__ import annotations

import bisect
import math
from collections.abc import Iterator, Sequence
from datetime import datetime

from drivers.reading import UNITS, Coupling, Status
from drivers.units import counted
from logger.cells import span_of

_UNIT_OF = {str(quantity): unit for quantity, unit in UNITS.items()}
_COUPLINGS = frozenset(str(coupling) for coupling in Coupling)
_STATUSES = frozenset(str(status) for status in Status)
_WITH_VALUE = (str(Status.OK), str(Status.HELD))
#: The wall clock may drift so far from the monotonic one between two rows without an event. [s]
_DRIFT = 0.75


class RowCheck:
    """Fed one row after another, it says what is wrong with each.

    Args:
        columns: how many cells a row has.
        start: of the session, as the descriptor states it.
        steps: when the clock stepped. [s]
        takes: meter and `rows` of each take.
    """

    def __init__(self, columns: int, start: str, steps: Sequence[float], takes: Sequence[tuple[str, str]]) -> None:
        self._columns, self._steps = columns, sorted(steps)
        self._number = -1
        self._last: dict[str, float] = {}
        self._kinds: set[tuple[str, str, str, str]] = set()
        self._offset: float | None = None
        self._begun = 0.0
        try:
            self._offset = datetime.fromisoformat(start).timestamp()
        except ValueError:
            self._offset = None
        self._takes = [(meter, *(span_of(rows) or (-1, -1))) for meter, rows in takes]
        self._ends: dict[int, list[str]] = {}
        for meter, first, last in self._takes:
            for row in {first, last}:
                self._ends.setdefault(row, []).append(meter)

    def row(self, cells: Sequence[str]) -> Iterator[tuple[str, str]]:
        """(kind, problem) for each thing that is wrong."""
        self._number += 1
        where = f"readings.csv, row {self._number}"
        if len(cells) != self._columns:
            yield "cells", f"{where}: {counted(len(cells), 'cell')} instead of {self._columns}"
            return
        time, elapsed_text, meter, quantity, coupling, value, unit, status = cells[:8]
        elapsed = _number(elapsed_text)
        if elapsed is None:
            yield "times", f"{where}: elapsed_s is {elapsed_text[:40]!r}"
            return
        yield from self._time(where, time, elapsed, meter)
        kind = (quantity, coupling, unit, status)
        if kind not in self._kinds:
            fault = _fault(*kind)
            if fault:
                yield "words", f"{where}: {fault}"
            else:
                self._kinds.add(kind)
        if (_number(value) is not None) != (status in _WITH_VALUE) or (value and status not in _WITH_VALUE):
            yield "values", f"{where}: status {status[:20]!r} with value {value[:40]!r}"
        for text in cells[8:11]:
            if text and _number(text) is None:
                yield "values", f"{where}: {text[:40]!r} is no number"
        for named in self._ends.get(self._number, ()):
            if named != meter:
                yield "takes", f"{where}: a take of meter {named[:40]!r} names it, and it is of {meter[:40]!r}"

    def _time(self, where: str, time: str, elapsed: float, meter: str) -> Iterator[tuple[str, str]]:
        before = self._last.get(meter)
        if before is not None and elapsed < before:
            yield "times", f"{where}: elapsed_s runs backwards for meter {meter[:40]!r}"
        self._last[meter] = elapsed
        try:
            if not time.endswith(("Z", "+00:00")):
                raise ValueError(time)
            offset = datetime.fromisoformat(time).timestamp() - elapsed
        except ValueError:
            yield "times", f"{where}: time is {time[:40]!r}, not RFC 3339 in UTC"
            return
        if self._offset is not None and abs(offset - self._offset) > _DRIFT and not self._stepped(elapsed):
            yield "times", f"{where}: time jumps against elapsed_s, and no clock-step event says so"
        self._offset, self._begun = offset, elapsed

    def _stepped(self, elapsed: float) -> bool:
        """Whether a step was noted about then; the event may come some tenths after the first row."""
        at = bisect.bisect_left(self._steps, min(self._begun, elapsed) - 2.0)
        return at < len(self._steps) and self._steps[at] <= elapsed + 2.0

    def finish(self) -> Iterator[tuple[str, str]]:
        """What can only be said at the end."""
        for meter, first, last in self._takes:
            if not 0 <= first <= last <= self._number:
                yield "takes", f"events.csv: a take of meter {meter[:40]!r} names rows that are not there"


def _number(text: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _fault(quantity: str, coupling: str, unit: str, status: str) -> str:
    if status not in _STATUSES:
        return f"the status {status[:40]!r} is not known"
    if coupling not in _COUPLINGS:
        return f"the coupling {coupling[:40]!r} is not known"
    if quantity not in _UNIT_OF:
        return f"the quantity {quantity[:40]!r} is not known"
    if unit != _UNIT_OF[quantity]:
        return f"the unit {unit[:40]!r} is none of {quantity}"
    return ""
