"""The commands in a real pseudo-terminal: plain lines, and the screens, from key to session."""

from __future__ import annotations

import json
import os
import re
import select
import subprocess
import sys
import time
from pathlib import Path

import pytest

from logger.radio import Benchbook

pty = pytest.importorskip("pty", reason="this platform has no pseudo-terminals")
PATIENCE = 30.0


class Terminal:
    """A command in a pseudo-terminal of 80 x 24."""

    def __init__(self, *arguments: str, folder: Path) -> None:
        import fcntl
        import struct
        import termios

        self.master, slave = pty.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        environment = {**os.environ, "CHASSISLOG_BENCHBOOK": str(folder), "TERM": "xterm-256color"}
        command = [sys.executable, "-m", "chassislog", *arguments]
        self.process = subprocess.Popen(command, stdin=slave, stdout=slave, stderr=slave, env=environment,
                                        start_new_session=True)  # fmt: skip
        os.close(slave)
        self.seen = self.whole = ""

    def _drink(self) -> None:
        shown = os.read(self.master, 65536).decode("utf-8", "replace")
        self.seen, self.whole = self.seen + shown, self.whole + shown

    def wait_for(self, pattern: str) -> str:
        """Read until something is shown."""
        end = time.monotonic() + PATIENCE
        while not (found := re.search(pattern, self.seen)):
            assert time.monotonic() < end, f"{pattern!r} did not come; last:\n{self.seen[-2000:]}"
            if select.select([self.master], [], [], 0.2)[0]:
                try:
                    self._drink()
                except OSError:
                    break
        self.seen = self.seen[found.end() :] if found else self.seen
        assert found, f"{pattern!r} did not come before the end:\n{self.seen[-2000:]}"
        return found[0]

    def type(self, text: str) -> None:
        os.write(self.master, text.encode())

    def ended(self) -> int:
        """Wait for the end, drinking what it still shows."""
        end = time.monotonic() + PATIENCE
        while self.process.poll() is None:
            assert time.monotonic() < end, self.seen[-2000:]
            if select.select([self.master], [], [], 0.1)[0]:
                try:
                    self._drink()
                except OSError:
                    self.process.wait(timeout=PATIENCE)
        os.close(self.master)
        return self.process.returncode


def closed(folder: Path, radio: str) -> dict[str, object]:
    found = list(folder.glob(f"{radio}/*/datapackage.json"))
    assert len(found) == 1
    described: dict[str, object] = json.loads(found[0].read_text("utf-8"))
    return described


def test_plain_lines_lead_and_take(tmp_path: Path) -> None:
    terminal = Terminal("walk", "learner-1", "--practice", "double-pole-220", "--plain", folder=tmp_path)
    terminal.wait_for(r"CAUTION: .*Local codes and licensed practice come first")
    for _ in range(4):  # plug, HT, probe, common lead
        terminal.wait_for(r"Done\? Press Enter")
        terminal.type("\n")
    terminal.wait_for(r"Taken: .*V DC")
    terminal.type("v\n")
    terminal.wait_for(r"v: .* DC")
    terminal.type("q\n")

    assert terminal.ended() == 0
    described = closed(tmp_path, "learner-1")
    assert described["close"] and described["plan"] == "chassis"


def test_the_screen_leads_and_a_plain_kill_closes_the_session(tmp_path: Path) -> None:
    terminal = Terminal("walk", "learner-1", "--practice", "double-pole-220", folder=tmp_path)
    terminal.wait_for("Pull the mains plug")
    terminal.type("\r")
    terminal.wait_for("Discharge")
    terminal.process.terminate()

    assert terminal.ended() == 0
    assert closed(tmp_path, "learner-1")["close"]


def test_alone_in_a_terminal_it_opens_the_start_screen_and_elsewhere_prints_the_help(tmp_path: Path) -> None:
    terminal = Terminal(folder=tmp_path)
    terminal.wait_for("New radio")
    terminal.type("q")
    assert terminal.ended() == 0

    done = subprocess.run([sys.executable, "-m", "chassislog"], capture_output=True, text=True, check=True,
                          stdin=subprocess.DEVNULL)  # fmt: skip
    assert "Usage" in done.stdout and "walk" in done.stdout


def colours_in(shown: str) -> set[str]:
    """The colours that are asked for. Source: ECMA-48, 8.3.117 (SGR); 90 to 107 are the bright ones of terminals."""
    codes = [code for found in re.findall(r"\x1b\[([\d;]*)m", shown) for code in found.split(";") if code]
    return {code for code in codes if 30 <= int(code) <= 38 or 40 <= int(code) <= 48 or 90 <= int(code) <= 107}


@pytest.mark.parametrize(
    ("words", "last", "marked"),
    [([], "q quits", "set-1"), (["walk", "set-1", "--practice", "double-pole-220"], "q end", "Enter done")],
)
def test_no_color_sends_no_colour_and_what_is_marked_is_in_reverse_video(
    words: list[str], last: str, marked: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Source: the NO_COLOR convention: with it no colour is added; bold and reverse video are none."""
    Benchbook(tmp_path).add({"id": "set-1", "points": ["chassis"]})
    for without in (False, True):
        monkeypatch.setenv("NO_COLOR", "1") if without else monkeypatch.delenv("NO_COLOR", raising=False)
        terminal = Terminal(*words, folder=tmp_path)
        terminal.wait_for(last)
        shown = terminal.whole
        terminal.process.terminate()
        terminal.ended()
        assert bool(colours_in(shown)) != without, colours_in(shown)
        assert re.search(rf"\x1b\[(?:[\d;]*;)?7(?:;[\d;]*)?m *{marked}", shown), shown[-3000:]
