"""The plain screen: lines in a terminal or a file, for `--plain` and where there is no terminal."""

from __future__ import annotations

import contextlib
import signal
import threading
import time
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, TextIO

from analysis.report.text import one_line
from drivers.reading import Quantity, Reading, Status
from drivers.units import print_unit, show
from logger.tags import changes_in

if TYPE_CHECKING:
    from logger.bench import Bench
    from logger.sitting import Sitting

#: One line a meter so often at most; every reading is recorded all the same. [s]
EVERY = 0.25
BELL = "\a"


def shown(reading: Reading) -> str:
    """A reading for a person: value with unit, coupling, and its status where it is not plainly good."""
    if reading.value is None:
        # Of what it is stands beside it: a bare OL that was typed is of what was typed before.
        text = f"overload {print_unit(reading.unit)}" if reading.status is Status.OVERLOAD else "no value"
    else:
        text = show(reading.value, reading.unit, reading.resolution)
    words = [text, reading.coupling.upper().replace("ACDC", "AC+DC"), *reading.flags]
    if reading.status is Status.HELD:
        words.append("HELD")
    return " ".join(word for word in words if word)


def _stay_in_the_background() -> None:
    """A job in the background that asks its terminal for a line would be stopped, and record no more."""
    number = getattr(signal, "SIGTTIN", None)  # Windows has no such jobs
    if number is not None:
        signal.signal(number, signal.SIG_IGN)


class PlainLog:
    """Listens to a recorder and prints; reads lines for typed meters and tag changes where somebody can type."""

    def __init__(self, out: TextIO, lines: TextIO) -> None:
        self._out, self._in = out, lines
        self._printed: dict[str, float] = {}
        self._lock = threading.Lock()

    def follow(self, bench: Bench) -> None:
        """Listen to a bench, and tell its alarms."""
        bench.on_readings.append(lambda role, readings, _, tags: self.readings(role, readings, tags))
        bench.on_anything.append(self.event)
        bench.on_alarm.append(lambda a: self.say(f"*** ALARM: {a.text}" if a.on else f"*** over: {a.text}", beep=a.on))

    def say(self, text: str, *, beep: bool = False) -> None:
        """One line."""
        with self._lock, contextlib.suppress(OSError, ValueError):  # who no longer listens must not end the recording
            print(f"{BELL if beep else ''}{one_line(text)}", file=self._out, flush=True)

    def readings(self, role: str, readings: Sequence[Reading], tags: Mapping[str, str]) -> None:
        """Print the newest, not more often than a person can read."""
        now = time.monotonic()
        if now - self._printed.get(role, -1.0) < EVERY:
            return
        self._printed[role] = now
        # Of several values in one line the volts, which can hurt.
        newest = next((r for r in reversed(readings) if r.quantity is Quantity.VOLTAGE), readings[-1])
        held = " ".join(f"{name}={value}" for name, value in tags.items() if value)
        self.say(f"{newest.elapsed:9.1f} s  {role:8} {shown(newest):24} {held}")

    def event(self, role: str, kind: str, elapsed: float, detail: Mapping[str, str]) -> None:
        """Print what happened."""
        if kind in ("start", "end", "alarm"):
            return
        words = " ".join(f"{name}={value}" for name, value in detail.items())
        self.say(f"{elapsed:9.1f} s  {role or '-':8} {kind.upper()} {words}")

    def wait(self, sitting: Sitting) -> None:
        """Until the meters are done; meanwhile lines are taken where somebody types them."""
        _stay_in_the_background()
        threading.Thread(target=self._listen, args=(sitting,), daemon=True).start()
        sitting.wait()

    def _listen(self, sitting: Sitting) -> None:
        """`117.4 V ac` for the typed meter, `ROLE 117.4 V ac` for one of several, `plug=2` for tags, `q` to end."""
        roles = sitting.typed
        first = f"Type what {', '.join(roles)} shows, such as 117.4 V ac; " if roles else "Type "
        if roles or self._in.isatty():
            self.say(f"{first}point=aerial plug=2 to change tags; q to end.")
        with contextlib.suppress(OSError, ValueError):  # no terminal any more, or not ours to read from
            for line in self._in:
                text = line.strip()
                if text in ("q", "quit"):
                    sitting.recorder.stop()
                    return
                answer = self._take(sitting, text) if text else ""
                if answer:
                    self.say(answer)
        for meter in roles.values():
            meter.end()

    def _take(self, sitting: Sitting, text: str) -> str:
        changes = changes_in(text)
        if changes:
            return sitting.change_tags(changes)
        if not sitting.typed:
            return f"{text[:40]!r} changes no tag: write plug=2, or q to end."
        role, _, rest = text.partition(" ")
        if role in sitting.typed and rest:
            return sitting.typed[role].type(rest)
        if len(sitting.typed) > 1:
            return f"Begin with the meter's role: {', '.join(sitting.typed)}."
        return next(iter(sitting.typed.values())).type(text)
