"""A meter without a lead: what is typed becomes readings like any other meter's."""

from __future__ import annotations

import queue
from collections.abc import Callable

from drivers.accuracy import Accuracies
from drivers.decode.typed import Question, read
from drivers.faults import MeterEvent
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
        self._events: list[MeterEvent] = []
        self._before: tuple[Quantity, Coupling] | None = None  #: what the last one was of

    def type(self, line: str, quantity: Quantity | None = None, coupling: Coupling | None = None) -> str:
        """Take one line; the answer is empty, or a question for the user. `y` answers yes to a doubt.

        Args: quantity, coupling: what is expected, if anything is.
        """
        doubted = self._doubted
        if doubted is not None and line.strip().lower() in YES:
            self.accept_doubted()
            return ""
        before = (doubted.quantity, doubted.coupling) if doubted is not None else self._before
        found = read(line, self._clock(), quantity=quantity, coupling=coupling, before=before, fit=self._fit)
        if isinstance(found, Question):
            return self._not_asked_for(line, quantity) or found.text  # what was asked before stays open
        near = [self._last.get((found.quantity, found.coupling))]
        if doubted is not None:
            if (doubted.quantity, doubted.coupling, doubted.value) == (found.quantity, found.coupling, found.value):
                self.accept_doubted()  # typed again, which is a yes
                return ""
            near += self._replaced(doubted, found)
        asked = [
            read(line, found.elapsed, quantity=quantity, coupling=coupling, before=before, last=last, fit=self._fit)
            for last in near
        ]
        if all(isinstance(each, Question) for each in asked) and isinstance(asked[0], Question):
            self._doubted = asked[0].reading
            return f"{asked[0].text} Type y if it is, else the right value; hands off until you know."
        self._accept(found)
        return ""

    def _not_asked_for(self, line: str, quantity: Quantity | None) -> str:
        """Volts of another coupling than was asked for are no answer, but they are recorded: they can be what hurts."""
        found = read(line, self._clock(), fit=self._fit) if quantity is Quantity.VOLTAGE else None
        if not isinstance(found, Reading) or found.quantity is not quantity:
            return ""
        self.accept_doubted()
        self._accept(found)
        return f"{str(found.coupling).upper() or 'Volts'} is not what was asked for: it is recorded, but not taken."

    def _replaced(self, doubted: Reading, found: Reading) -> list[float | None]:
        """Another value came while one was in doubt: one of its kind stands in its place, which is noted.

        Returns what else the new one may be near to.
        """
        if (doubted.quantity, doubted.coupling) != (found.quantity, found.coupling):
            self.accept_doubted()
            return []
        self._doubted = None
        text = f"typed {doubted.value!r} {doubted.unit}, then {found.value!r} {found.unit} in its place"
        self._events.append(MeterEvent(elapsed=found.elapsed, kind="note", detail={"text": text}))
        return [doubted.value]

    def moved_on(self) -> None:
        """Something else is read from now on: what was in doubt was typed before, and OL alone says of what no more."""
        self.accept_doubted()
        self._before = None

    def accept_doubted(self) -> None:
        """A value in doubt that nobody took back was typed, and is recorded: a lost one can hurt somebody."""
        doubted, self._doubted = self._doubted, None
        if doubted is not None:
            self._accept(doubted)

    def _accept(self, reading: Reading) -> None:
        self._before = reading.quantity, reading.coupling
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
        events, self._events = self._events, []
        try:
            readings.append(self._lines.get(timeout=0.1))
            while True:
                readings.append(self._lines.get_nowait())
        except queue.Empty:
            pass
        return Batch(readings=readings, events=events, wire=[])

    def close(self) -> Batch:
        """What was typed last."""
        self.accept_doubted()
        readings = []
        while not self._lines.empty():
            readings.append(self._lines.get_nowait())
        return Batch(readings=readings, events=self._events, wire=[])
