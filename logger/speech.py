"""Prompts and values spoken aloud, where this computer can speak; where it cannot, one line says so.

A thread of its own speaks, the newest prompt first: what is no longer asked for is not worth saying.
"""

from __future__ import annotations

import contextlib
import logging
import queue
import shutil
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence

log = logging.getLogger(__name__)

#: A sentence that takes longer than this is cut off. [s]
LONGEST = 30.0
_SIGNS = (("Ω", " ohms"), ("µ", " micro "), ("±", " plus or minus "), ("°C", " degrees"), ("AC", "A C"), ("DC", "D C"))
_PREFIXED = ((" kΩ", " kilo ohms"), (" MΩ", " mega ohms"), (" mV", " millivolts"), (" mA", " milliamperes"),
             (" µA", " microamperes"), (" V", " volts"), (" A", " amperes"))  # fmt: skip


def spoken(text: str) -> str:
    """A sentence as it is said: units in words."""
    for sign, word in _PREFIXED:
        text = text.replace(f"{sign} ", f"{word} ").replace(f"{sign}.", f"{word}.").replace(f"{sign},", f"{word},")
        if text.endswith(sign):
            text = text.removesuffix(sign) + word
    for sign, word in _SIGNS:
        text = text.replace(sign, word)
    return text


def command_for(text: str, *, which: Callable[[str], str | None] = shutil.which, platform: str = sys.platform,
                to_file: str = "") -> list[str] | None:  # fmt: skip
    """The platform's own command that speaks; None: there is none."""
    if platform == "darwin" and which("say"):
        return ["say", *(["-o", to_file] if to_file else []), "--", text]
    if platform == "win32" and which("powershell"):
        words = text.replace("'", "''")
        script = "Add-Type -AssemblyName System.Speech; $s = New-Object System.Speech.Synthesis.SpeechSynthesizer; "
        script += f"$s.SetOutputToWaveFile('{to_file}'); " if to_file else ""
        return ["powershell", "-NoProfile", "-Command", f"{script}$s.Speak('{words}')"]
    for name in ("espeak-ng", "espeak"):
        if which(name):
            return [name, *(["-w", to_file] if to_file else []), "--", text]
    if which("spd-say") and not to_file:
        return ["spd-say", "--wait", "--", text]
    return None


def _by_library() -> Callable[[str], None] | None:
    """The speech library's way, where it is installed and finds a voice."""
    try:
        import pyttsx3

        engine = pyttsx3.init()
    except Exception:  # it raises whatever its platform's driver raises
        log.debug("no speech library", exc_info=True)
        return None

    def say(text: str) -> None:
        engine.say(text)
        engine.runAndWait()

    return say


def _by_command(text: str) -> None:
    command = command_for(text)
    if command is None:
        return
    with contextlib.suppress(subprocess.TimeoutExpired, OSError):
        subprocess.run(command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
                       timeout=LONGEST, check=False)  # fmt: skip


class Speaker:
    """Speaks sentences in a thread of its own.

    Args:
        ways: how to speak, made in that thread; the first that is not None is used.
        on_absent: told once, in words, that nothing here can speak.
    """

    def __init__(
        self, *, ways: Sequence[Callable[[], Callable[[str], None] | None]] | None = None,
        on_absent: Callable[[str], None],
    ) -> None:  # fmt: skip
        self._ways = ways if ways is not None else (_command_way, _by_library)
        self._absent = on_absent
        self._lines: queue.Queue[str | None] = queue.Queue()
        self._thread = threading.Thread(target=self._run, name="speech", daemon=True)
        self._thread.start()

    def say(self, text: str) -> None:
        """Say this next; what waited is dropped but for the newest two sentences."""
        while self._lines.qsize() > 1:
            with contextlib.suppress(queue.Empty):
                self._lines.get_nowait()
        self._lines.put(spoken(text))

    def close(self) -> None:
        """Say what waits, then end."""
        self._lines.put(None)
        self._thread.join(timeout=LONGEST)

    def _run(self) -> None:
        way = next((found for make in self._ways if (found := make()) is not None), None)
        if way is None:
            self._absent("Nothing here can speak; install espeak-ng or the extra 'speech'. Going on without.")
        while (text := self._lines.get()) is not None:
            if way is not None:
                try:
                    way(text)
                except Exception:  # whatever a voice does, the sitting goes on
                    log.exception("speech")


def _command_way() -> Callable[[str], None] | None:
    """The platform's own command before the library: it cannot take this process down with it."""
    return _by_command if command_for("") is not None else None
