"""A meter without a lead: what is typed becomes readings like any other meter's."""

from __future__ import annotations

import queue
from collections.abc import Callable

from drivers.accuracy import with_uncertainty
from drivers.decode.typed import Question, parse_typed
from drivers.meter import Batch

from drivers.profile import Profile
from drivers.reading import Quantity, Reading


class TypedMeter:
    """A source fed by lines of text."""

    def __init__(self, role: str, profile: Profile, clock: Callable[[], float]) -> None:
        self.role, self.profile = role, profile
        self.finished = False
        self.identity = ""
        self._clock = clock
        self._lines: queue.Queue[Reading] = queue.Queue()
        self._last: dict[Quantity, float] = {}
        self._doubted = ""

    def type(self, line: str) -> str:
        """Take one line; the answer is empty, or a question for the user. The same doubted line again is taken."""
        result = parse_typed(line, elapsed=self._clock(), last=self._last, sure=line == self._doubted)
        if isinstance(result, Question):
            self._doubted = line if result.may_insist else ""
            return result.text
        self._doubted = ""
        reading = with_uncertainty(result, self.profile)
        if reading.value is not None:
            self._last[reading.quantity] = reading.value
        self._lines.put(reading)
        return ""

    def end(self) -> None:
        """No more lines will come."""
        self.finished = True

    def open(self) -> Batch:
        """Nothing to open."""
        return Batch(readings=[], events=[], wire=[])

    def read(self) -> Batch:
        """What was typed since the last call."""
        readings = []
        try:
            readings.append(self._lines.get(timeout=0.1))
            while True:
                readings.append(self._lines.get_nowait())
        except queue.Empty:
            pass
        return Batch(readings=readings, events=[], wire=[])

    def close(self) -> Batch:
        """What was typed last."""
        readings = []
        while not self._lines.empty():
            readings.append(self._lines.get_nowait())
        return Batch(readings=readings, events=[], wire=[])
