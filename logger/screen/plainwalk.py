"""The guided plan in plain lines: prompts printed, keys as typed lines; everything that the screen can do."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING, TextIO

from analysis.report.text import one_line
from drivers.reading import Reading
from logger.acts import Key, Phase, Say, View
from logger.alarm import Alarm
from logger.bench import Happened
from logger.cautions import standing
from logger.screen.plain import BELL, shown

if TYPE_CHECKING:
    from logger.sitting import Sitting
    from logger.walking import Guided

WORDS = {"": Key.GO, "go": Key.GO, "b": Key.BACK, "back": Key.BACK, "s": Key.SKIP, "skip": Key.SKIP, "t": Key.TRIP,
         "trip": Key.TRIP}  # fmt: skip
HELP = (
    "Enter: done as asked   b: back   s: skip   t: the protective device opened   v: values now   m: what is missing\n"
    "q: end the sitting   a typed meter: type its value, as 117.4 V ac   ?: this help"
)


class PlainWalk:
    """Prints a guided sitting and takes lines."""

    def __init__(self, guided: Guided, out: TextIO, lines: TextIO) -> None:
        self._guided, self._out, self._in = guided, out, lines
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._prompt: tuple[object, ...] = ()
        bench, guide = guided.bench, guided.guide
        guide.on_say.append(self._said)
        guide.on_change.append(self._changed)
        bench.on_alarm.append(self._alarm)
        bench.on_event.append(self._happened)

    def say(self, text: str, *, beep: bool = False) -> None:
        """One line."""
        with self._lock:
            print(f"{BELL if beep else ''}{one_line(text)}", file=self._out, flush=True)

    def _say_each(self, text: str) -> None:
        for line in text.split("\n"):
            self.say(line)

    def wait(self, sitting: Sitting) -> None:
        """Lead until the plan is through, or a line says to end."""
        walker = self._guided.guide.walker
        if walker is not None:
            self.say(f"CAUTION: {standing(walker.agenda.plan.caution)}")
        self._say_each(HELP)
        self._guided.guide.start(sitting)
        reader = threading.Thread(target=self._listen, args=(sitting,), daemon=True)
        reader.start()
        while not self._stop.wait(0.05):
            if self._guided.guide.ended.is_set() or not sitting.recorder.running:
                break
        self._guided.guide.stop()

    # -- what is told

    def _changed(self) -> None:
        view = self._guided.guide.view
        if view is None:
            return
        kind = view.move.kind if view.move else ""
        prompt = (view.phase, view.step, kind, view.do)
        if prompt == self._prompt:
            return
        self._prompt = prompt
        lines = ["", f"[{view.count}] {view.do}"]
        if view.caution:
            lines.append(f"    CAUTION: {view.caution}")
        if view.phase is not Phase.DONE:
            lines.append(f"    {self._hint(view)}")
        for line in lines:
            self.say(line)

    @staticmethod
    def _hint(view: View) -> str:
        if view.phase in (Phase.MOVE, Phase.CONFIRM) and not (view.move and view.move.kind == "function"):
            return "Done? Press Enter."
        return "Reading: hold still." if view.phase is Phase.READ and not view.hint.startswith("Type") else view.hint

    def _said(self, say: Say) -> None:
        view = self._guided.guide.walker.view if self._guided.guide.walker else None
        if view is not None and say.text == view.do:
            return  # the prompt itself is printed in full
        self.say(f"    {say.text}", beep=say.beep)

    def _alarm(self, alarm: Alarm) -> None:
        self.say(f"*** ALARM: {alarm.text}" if alarm.on else f"*** alarm over: {alarm.text}", beep=alarm.on)

    def _happened(self, happened: Happened) -> None:
        self.say(f"    {happened.text}")

    # -- what is typed

    def _listen(self, sitting: Sitting) -> None:
        for line in self._in:
            if self._stop.is_set():
                return
            answer = self.take(sitting, line.strip())
            if answer:
                self._say_each(answer)
        self._stop.set()

    def take(self, sitting: Sitting, text: str) -> str:
        """One typed line; what to answer."""
        guide = self._guided.guide
        view = guide.view
        if text in ("q", "quit"):
            self._stop.set()
            return "Ending; what was read is kept."
        if text == "?":
            return HELP
        if text in ("v", "values"):
            return "\n".join(self._value(role) for role in self._guided.bench.meters)
        if text in ("m", "missing"):
            return "\n".join(view.missing) if view is not None and view.missing else "Nothing was skipped so far."
        if view is not None and view.phase is Phase.TEXT and text and text not in ("b", "s", "back", "skip"):
            guide.text(text)
            return ""
        if text.lower() in WORDS:
            guide.key(WORDS[text.lower()])
            return ""
        return self._typed(sitting, text, view)

    def _typed(self, sitting: Sitting, text: str, view: View | None) -> str:
        return typed_line(sitting, text, view) or ""

    def _value(self, role: str) -> str:
        last: Reading | None = self._guided.bench.meters[role].last
        return f"    {role}: {shown(last) if last is not None else 'nothing yet'}"


def typed_line(sitting: Sitting, text: str, view: View | None) -> str:
    """Hand a line to the typed meter that it is for; what to answer."""
    role, _, rest = text.partition(" ")
    item = view.item if view is not None else None
    asked = item.role if item is not None else ""
    if role not in sitting.typed or not rest:
        role, rest = asked if asked in sitting.typed else next(iter(sitting.typed), ""), text
    if role not in sitting.typed:
        return f"{text[:40]!r} is no key. Type ? for help."
    expected = item.function if item is not None and role == asked else None
    quantity, coupling = expected or (None, None)
    return sitting.typed[role].type(rest, quantity, coupling or None)
