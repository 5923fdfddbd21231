"""A meter without a lead: what is typed becomes readings like any other meter's."""

from __future__ import annotations

import queue
from collections.abc import Callable

from drivers.accuracy import Accuracies
from drivers.decode.typed import Question, read
from drivers.meter import Batch
from drivers.profile import Profile
from drivers.reading import Coupling, Quantity, Reading

#: Answers to a question that mean yes.
YES = ("y", "yes", "ok")


class TypedMeter:
    """A source fed by lines of text."""

    def __init__(self, role: str, profile: Profile, clock: Callable[[], float]) -> None:
        self.role, self.profile = role, profile
        self.finished = False
        self.identity = ""
        self._clock = clock
        self._fit = Accuracies.of(profile).fit
        self._lines: queue.Queue[Reading] = queue.Queue()
        self._last: dict[tuple[Quantity, Coupling], float] = {}
        self._doubted: Reading | None = None

    def type(self, line: str, quantity: Quantity | None = None, coupling: Coupling | None = None) -> str:
        """Take one line; the answer is empty, or a question for the user. `y` answers yes to a doubt.

        Args: quantity, coupling: what is expected, if anything is.
        """
        doubted, self._doubted = self._doubted, None
        if doubted is not None and line.strip().lower() in YES:
            self._accept(doubted)
            return ""
        found = read(line, self._clock(), quantity=quantity, coupling=coupling, fit=self._fit)
        if isinstance(found, Reading):
            last = self._last.get((found.quantity, found.coupling))
            found = read(line, found.elapsed, quantity=quantity, coupling=coupling, last=last, fit=self._fit)
        if isinstance(found, Question):
            self._doubted = found.reading
            return f"{found.text} Type y if it is." if found.reading is not None else found.text
        self._accept(found)
        return ""

    def _accept(self, reading: Reading) -> None:
        if reading.value is not None:
            self._last[reading.quantity, reading.coupling] = reading.value
        self._lines.put(reading)

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
