"""When a value has settled, and when it has been let go of again: pure, with time handed in by the readings.

Settled means that the last readings lie inside a band, relative and in counts of the display, with one status, one
range and one unit. The value is their median, with their scatter.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from statistics import median, stdev

from drivers.reading import Coupling, Quantity, Reading, Status


@dataclass(frozen=True, slots=True, kw_only=True)
class SettleRule:
    """How many readings, inside which band, and how long after the change they begin to count."""

    readings: int = 5
    fraction: float = 0.005  #: of the value
    counts: float = 3.0  #: of the display; the wider of the two holds
    wait: float = 1.0  #: a display can still show the state before for so long [s]

    def band(self, value: float, reading: Reading) -> float:
        """Width of the band at a value; where one count is not known, the meter's uncertainty stands for the counts."""
        counts = reading.u or 0.0 if reading.resolution is None else self.counts * reading.resolution
        # A hair more, so that decimal steps in binary do not fall out of it.
        return max(self.fraction * abs(value), counts) * (1 + 1e-9)


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """A value that held still."""

    quantity: Quantity
    coupling: Coupling
    unit: str
    value: float | None  #: the median; None: an overload held still
    scatter: float  #: standard deviation of the readings
    band: float
    resolution: float | None
    u: float | None  #: the meter's standard uncertainty at the last of them
    range: float | None
    first: int  #: rows of readings.csv; rows of other meters may lie between
    last: int
    elapsed: float

    def holds(self, reading: Reading) -> bool:
        """Whether a reading still shows this value: the same function, unit and status, inside the band."""
        if (reading.quantity, reading.coupling, reading.unit) != (self.quantity, self.coupling, self.unit):
            return False
        if self.value is None or reading.value is None:
            return self.value is None and reading.status is Status.OVERLOAD
        return reading.status is Status.OK and abs(reading.value - self.value) <= self.band


class Settler:
    """Takes the readings of one meter since a moment; says when they have settled."""

    def __init__(self, rule: SettleRule, *, since: float) -> None:
        self.rule = rule
        self._begins = since + rule.wait
        self._kept: deque[tuple[int, Reading]] = deque(maxlen=rule.readings)

    @property
    def progress(self) -> tuple[int, int]:
        """Readings that hold still so far, and how many it takes."""
        return len(self._kept), self.rule.readings

    def feed(self, reading: Reading, row: int) -> Settled | None:
        """One more reading; the settled value once there is one."""
        if reading.elapsed < self._begins:
            return None
        if reading.status not in (Status.OK, Status.OVERLOAD):
            self._kept.clear()
            return None
        self._kept.append((row, reading))
        while self._kept and not self._inside():
            self._kept.popleft()
        return self._settled() if len(self._kept) == self.rule.readings else None

    def _inside(self) -> bool:
        newest = self._kept[-1][1]
        if any(_kind(reading) != _kind(newest) for _, reading in self._kept):
            return False
        values = [reading.value for _, reading in self._kept if reading.value is not None]
        if not values:
            return True
        return max(values) - min(values) <= self.rule.band(max(map(abs, values)), newest)

    def _settled(self) -> Settled:
        newest = self._kept[-1][1]
        values = [reading.value for _, reading in self._kept if reading.value is not None]
        value = float(median(values)) if values else None
        return Settled(
            quantity=newest.quantity, coupling=newest.coupling, unit=newest.unit, value=value,
            scatter=stdev(values) if len(values) > 1 else 0.0,
            band=self.rule.band(value or 0.0, newest), resolution=newest.resolution, u=newest.u,
            range=newest.range, first=self._kept[0][0], last=self._kept[-1][0], elapsed=newest.elapsed,
        )  # fmt: skip


def _kind(reading: Reading) -> tuple[object, ...]:
    return reading.status, reading.range, reading.unit, reading.quantity, reading.coupling
