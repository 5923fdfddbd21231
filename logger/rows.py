"""Readings to lines of readings.csv, fast: what a meter's readings share is formatted once, not in every row."""

from __future__ import annotations

from collections.abc import Sequence

from drivers.reading import Reading
from logger.cells import cell, second


class Rows:
    """Lines of one meter. What its last reading shared with the one before is kept finished."""

    def __init__(self, meter: str) -> None:
        """`meter` is a finished cell; a channel of it is written as `meter.channel`."""
        self.meter = meter
        self._like: Reading | None = None
        self._kind = self._middle = self._end = ""
        self._u: float | None = None
        self._u_text = ""

    def lines(self, readings: Sequence[Reading], offset: float, tags: str) -> list[str]:
        """Their lines, in order. `tags` are finished cells that begin with a comma; `offset` makes time of elapsed."""
        out: list[str] = []
        append = out.append
        elapsed, head, tail = -1.0, "", tags + "\r\n"
        like, u = self._like, self._u
        kind, middle, end, u_text = self._kind, self._middle, self._end, self._u_text
        for reading in readings:
            if reading.elapsed != elapsed:
                elapsed = reading.elapsed
                whole, micros = divmod(round((offset + elapsed) * 1e6), 1_000_000)
                head = f"{second(whole)}.{micros:06d}Z,{elapsed:.6f}"
            if like is None or not _alike(reading, like):
                kind, middle, end = self._texts(reading)
            like = reading
            if reading.u != u:
                u = reading.u
                u_text = "" if u is None else f"{u:.6g}"
            value = reading.value
            text = "" if value is None else repr(value)
            append(f"{head}{kind}{text}{middle}{u_text}{end}{tail}")
        self._like, self._u = like, u
        self._kind, self._middle, self._end, self._u_text = kind, middle, end, u_text
        return out

    def _texts(self, reading: Reading) -> tuple[str, str, str]:
        full_scale = "" if reading.range is None else repr(reading.range)
        count = "" if reading.resolution is None else repr(reading.resolution)
        meter = cell(f"{self.meter}.{reading.channel}") if reading.channel else self.meter
        return (
            f",{meter},{reading.quantity},{reading.coupling},",
            f",{reading.unit},{reading.status},",
            f",{full_scale},{count},{cell(' '.join(reading.flags))}",
        )


def _alike(a: Reading, b: Reading) -> bool:
    """Whether two readings differ in time, value and uncertainty only; identity first, for its cost in every row."""
    return (
        a.quantity is b.quantity
        and a.status is b.status
        and a.coupling is b.coupling
        and (a.range is b.range or a.range == b.range)
        and (a.resolution is b.resolution or a.resolution == b.resolution)
        and (a.unit is b.unit or a.unit == b.unit)
        and (a.flags is b.flags or a.flags == b.flags)
        and (a.channel is b.channel or a.channel == b.channel)
    )
