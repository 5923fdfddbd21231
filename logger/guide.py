"""A thread that leads a sitting: it feeds the plan's state machine and carries out what comes of it.

Not the writer's thread, which must not wait for itself, nor the screen's, which must not wait at all.
"""

from __future__ import annotations

import logging
import queue
import threading
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Protocol

from drivers.reading import Reading
from logger.acts import Act, Key, Measure, Note, Say, SetTags, View
from logger.walker import Walker

if TYPE_CHECKING:
    from logger.bench import Bench
    from logger.sitting import Sitting

log = logging.getLogger(__name__)

TICK = 0.2  #: the plan hears that time went by at least so often [s]


class Hands(Protocol):
    """Who does what a prompt asks for, where nobody really does: the practice bench."""

    def confirmed(self, view: View) -> None:
        """The key was pressed at this prompt."""
        ...

    def asked(self, view: View) -> None:
        """The prompt is now this one."""
        ...


class Guide:
    """Leads one sitting; without a walker it leads nowhere.

    Args:
        on_say: told what the plan says, in the guide's thread.
        on_change: told that the view may have changed.
    """

    def __init__(self, bench: Bench, walker: Walker | None = None, hands: Hands | None = None) -> None:
        self.walker, self.hands = walker, hands
        self.view: View | None = None
        self.broken = False  #: the plan met a fault of its own
        self.ended = threading.Event()  #: the plan is through
        self.on_say: list[Callable[[Say], None]] = []
        self.on_change: list[Callable[[], None]] = []
        self._sitting: Sitting | None = None
        self._todo: queue.SimpleQueue[Callable[[], None] | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._run, name="guide", daemon=True)
        if walker is not None:
            bench.on_readings.append(self._readings)

    def start(self, sitting: Sitting) -> None:
        """Begin, once the recorder runs."""
        self._sitting = sitting
        if self.walker is not None:
            self._todo.put(lambda: self._perform(self.walker.start(sitting.clock()) if self.walker else []))
        self._thread.start()

    def stop(self) -> None:
        """End; what was handed in before is still carried out."""
        self._todo.put(None)
        if self._thread.is_alive():
            self._thread.join(timeout=5)

    # -- from other threads

    def key(self, key: Key) -> None:
        """A key or the foot switch."""
        self._todo.put(lambda: self._key(key))

    def text(self, line: str) -> None:
        """A typed line for a step that asks for one."""
        self._todo.put(lambda: self._text(line))

    def note(self, kind: str, detail: Mapping[str, str]) -> None:
        """An event of the user's."""
        self._todo.put(lambda: self._act(Note(kind, detail)))

    def _readings(self, role: str, readings: Sequence[Reading], first: int, tags: Mapping[str, str]) -> None:
        self._todo.put(lambda: self._feed(role, readings, first, tags))

    # -- in the guide's thread

    def _run(self) -> None:
        while True:
            try:
                job = self._todo.get(timeout=TICK)
            except queue.Empty:
                job = self._tick
            if job is None:
                return
            try:
                job()
            except Exception:  # the recording goes on whatever happens here
                log.exception("guide")
                self._give_up()

    def _give_up(self) -> None:
        """The plan met a fault of its own: it says so once and leads no further."""
        if self.walker is not None and not self.broken:
            self.broken = True
            for tell in self.on_say:
                tell(Say("The plan stopped by a fault of its own. What is read is still recorded; end the sitting."))

    def _tick(self) -> None:
        if self.walker is not None and self._sitting is not None and not self.broken:
            self._perform(self.walker.tick(self._sitting.clock()))

    def _feed(self, role: str, readings: Sequence[Reading], first: int, tags: Mapping[str, str]) -> None:
        assert self.walker is not None and self._sitting is not None
        if self.broken:
            return
        for index, reading in enumerate(readings):
            self._perform(self.walker.reading(role, reading, first + index, tags, self._sitting.clock()))

    def _key(self, key: Key) -> None:
        if self.walker is None or self._sitting is None or self.broken:
            return
        if key is Key.GO and self.hands is not None:
            self.hands.confirmed(self.walker.view)
        self._perform(self.walker.key(key, self._sitting.clock()))

    def _text(self, line: str) -> None:
        if self.walker is not None and self._sitting is not None:
            self._perform(self.walker.text(line, self._sitting.clock()))

    def _perform(self, acts: list[Act]) -> None:
        walker = self.walker
        assert walker is not None
        for act in acts:
            self._act(act)
        view = walker.view
        if view == self.view:
            return
        self.view = view
        if self.hands is not None:
            self.hands.asked(view)
        for tell in self.on_change:
            tell()
        if walker.done:
            self.ended.set()

    def _act(self, act: Act) -> None:
        sitting = self._sitting
        if sitting is None:
            return
        if isinstance(act, SetTags):
            sitting.recorder.set_tags(act.tags, role=act.role)
        elif isinstance(act, Note):
            sitting.recorder.note(act.kind, act.detail, meter=act.role)
        elif isinstance(act, Measure):
            if act.role in sitting.told:
                sitting.told[act.role].measure(act.quantity, act.coupling)
        else:
            for tell in self.on_say:
                tell(act)
