"""A recording in a process of its own, fed through pseudo-terminals, for tests that end it in every way."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Sequence
from pathlib import Path

from tests.sessions import write_card


class PtyMeter:
    """A meter that sends numbered lines through a pseudo-terminal, as fast as they are taken or at a pace.

    The value of a line is its number, so that what is missing shows.
    """

    def __init__(self, pace: float = 0.0) -> None:
        self.master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.path = os.ttyname(self._slave)
        self.sent: list[tuple[float, int]] = []  #: when which line had been handed over
        self._pace = pace
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._feed, daemon=True)

    def start(self) -> None:
        """Begin to send."""
        self._thread.start()

    def _feed(self) -> None:
        number = 0
        os.set_blocking(self.master, False)
        while not self._stop.is_set():
            count = 1 if self._pace else 40
            data = b"".join(b"%d V ac\n" % n for n in range(number, number + count))
            while data and not self._stop.is_set():
                try:
                    data = data[os.write(self.master, data) :]
                except BlockingIOError:
                    time.sleep(0.0005)
            number += count
            if not data:
                self.sent.append((time.monotonic(), number - 1))
            if self._pace:
                self._stop.wait(self._pace)

    def sent_until(self, moment: float) -> int:
        """The number of the last line that had been handed over then."""
        return max((number for when, number in self.sent if when <= moment), default=-1)

    def close(self) -> None:
        """Stop sending, and unplug."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join()
        for descriptor in (self.master, self._slave):
            if descriptor >= 0:
                os.close(descriptor)
        self.master = self._slave = -1


class Recording:
    """`chassislog log`, run as a user runs it."""

    def __init__(self, benchbook: Path, meters: Sequence[PtyMeter], *options: str, radio: str = "set-5") -> None:
        self.radio = benchbook / radio
        if not (self.radio / "radio.toml").exists():
            write_card(self.radio)
        self._meters = {b"m%d" % n for n in range(len(meters))}
        named = [f"--meter=m{n}=text-line@{meter.path}" for n, meter in enumerate(meters)]
        self.process = subprocess.Popen(
            [sys.executable, "-m", "chassislog", "log", radio, "--benchbook", str(benchbook), "--plain",
             "--tag=point=chassis", "--link-isolated", *named, *options],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip

    def session(self, patience: float = 20.0) -> Path:
        """The session's folder, when rows of every meter are in it."""
        deadline = time.monotonic() + patience
        while time.monotonic() < deadline:
            for path in self.radio.glob("2*/readings.csv"):
                text = path.read_bytes()
                if self._meters <= {line.split(b",")[2] for line in text.split(b"\n")[1:-1]}:
                    return path.parent
            if self.process.poll() is not None:
                raise AssertionError(f"the recording ended: {self.process.communicate()}")
            time.sleep(0.01)
        raise AssertionError("no session began")

    def kill(self) -> float:
        """kill -9; the moment before."""
        moment = time.monotonic()
        self.process.send_signal(signal.SIGKILL)
        self.process.communicate()
        return moment

    def end(self, number: int, patience: float = 20.0) -> tuple[int, str, str]:
        """Send a signal and wait; status, output, messages."""
        self.process.send_signal(number)
        return self.wait(patience)

    def wait(self, patience: float = 20.0) -> tuple[int, str, str]:
        """Wait for the end; status, output, messages."""
        out, err = self.process.communicate(timeout=patience)
        return self.process.returncode, out, err
