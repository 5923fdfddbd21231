"""A meter without a lead: what is typed becomes readings like any other meter's."""

from __future__ import annotations

import queue
from collections.abc import Callable

import msgspec

from drivers.accuracy import Accuracies
from drivers.decode.typed import read
from drivers.meter import Batch
from drivers.profile import Profile
from drivers.reading import Coupling, Quantity, Reading

#: Answers to a question that mean yes.
YES = ("y", "yes")


class TypedMeter:
    """A source fed by lines of text."""

    def __init__(self, role: str, profile: Profile, clock: Callable[[], float]) -> None:
        self.role, self.profile = role, profile
        self.finished = False
        self.identity = ""
        self.expected: tuple[Quantity, Coupling] | None = None  #: what a plan asks for just now
        self._clock = clock
        self._fit = Accuracies.of(profile).fit
        self._lines: queue.Queue[Reading] = queue.Queue()
        self._last: dict[tuple[Quantity, Coupling], float] = {}
        self._doubted: tuple[str, Reading] | None = None

    def type(self, line: str) -> str:
        """Take one line; the answer is empty, or a question for the user. A doubted value is taken when it is
        typed again, or with `y`."""
        doubted, self._doubted = self._doubted, None
        if doubted is not None and line.strip().lower() in (doubted[0].lower(), *YES):
            self._take(msgspec.structs.replace(doubted[1], elapsed=self._clock()))
            return ""
        first = read(line, self._clock())
        last = self._last.get((first.quantity, first.coupling)) if isinstance(first, Reading) else None
        quantity, coupling = self.expected or (None, None)
        result = read(line, self._clock(), quantity=quantity, coupling=coupling or None, last=last, fit=self._fit)
        if isinstance(result, Reading):
            self._take(result)
            return ""
        if result.reading is not None:
            self._doubted = line.strip(), result.reading
            return f"{result.text} If it is, type y, or the value once more."
        return result.text

    def _take(self, reading: Reading) -> None:
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
