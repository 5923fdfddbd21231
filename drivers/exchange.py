"""Messages and lines to and from an IEEE 488.2 instrument, with its error queue."""

from __future__ import annotations

import re
from collections.abc import Callable

from drivers.decode.tables import Scpi
from drivers.faults import Faults
from drivers.port import Port, wire_bytes

QUICK = 1.0  #: longest wait for what an instrument answers at once, or not at all [s]
QUIET = 0.05  #: nothing for so long: the input is drained, or a lone CR ended a line [s]
_MOST_ERRORS = 30
_MOST_LINES = 30  #: before a prompt
#: Source: SCPI-1999, volume 2, SYSTem:ERRor: a number and a quoted text; some send it unquoted, or the number alone.
ERROR = re.compile(rb'\s*([+-]?\d{1,6})\s*(?:,\s*(?:"((?:[^"]|"")*)"?|([A-Za-z][^"]*)))?\s*')
LINE = re.compile(rb"([^\r\n]*)(?:\r\n|\n|\r(?=[^\n]))")


class Exchange:
    """One message out, its lines back. What has come and is not taken yet stands in `buffer`."""

    def __init__(self, port: Port, table: Scpi, faults: Faults) -> None:
        self._port, self._faults = port, faults
        self.end = wire_bytes(table.write_end)
        self.prompts = tuple(wire_bytes(prompt) for prompt in table.prompts)
        self.buffer = b""
        self.answers_errors = False  #: whether SYST:ERR? has ever been answered
        self.owed = 0  #: error questions without an answer yet
        self._errors = table.errors  # whether SYST:ERR? is worth asking
        self._told: set[tuple[str, str]] = set()
        self._sent = b""

    def tell(self, command: str) -> bool:
        """Send a command, then ask for errors and report them; whether there were none."""
        self.command(command)
        found = self.drain_errors()
        self.report(found, command)
        return not found

    def command(self, command: str) -> None:
        """Send a command that has no answer, and wait for the prompt where there are any."""
        self.send(command)
        if self.prompts:
            self.await_prompt(QUICK)

    def await_prompt(self, wait: float) -> None:
        """Skip to the prompt; nothing may be sent before it has come."""
        for _ in range(_MOST_LINES):
            line = self.line(wait, prompt_ends=True)
            if line is None:
                return
            if not self.is_noise(line.strip()):
                self.drop(line)

    def send(self, message: str) -> None:
        """Send one message."""
        raw = self.encoded(message)
        self._sent = raw.removesuffix(self.end)
        self._port.write(raw)

    def encoded(self, message: str) -> bytes:
        """The bytes of a message."""
        return message.encode("latin-1", "replace") + self.end

    def line(self, wait: float, *, prompt_ends: bool = False) -> bytes | None:
        """The next line within `wait` of the last byte, without its end; None when there is none."""
        deadline = self._port.now() + wait
        last = self._port.now() + 3 * wait  # a line that chatters for ever must not hold us
        while True:
            if prompt_ends and self.take_prompt():
                return None
            if match := LINE.match(self.buffer):
                self.buffer = self.buffer[match.end() :]
                return match[1]
            now = self._port.now()
            left = min(deadline, last) - now
            if left <= 0:
                return None
            held = self.buffer.endswith(b"\r")
            data = self._port.read(min(left, QUIET if held else 0.1))
            if not data and held:
                self.buffer += b"\n"
            elif data:
                self.buffer += data
                deadline = self._port.now() + wait

    def take_prompt(self) -> bool:
        """Take a prompt off the front of what has come."""
        if not self.prompts:
            return False
        rest = self.buffer.lstrip(b"\r\n ")
        for prompt in self.prompts:
            if rest.startswith(prompt):
                self.buffer = rest[len(prompt) :].lstrip(b" ")
                return True
        return False

    def ask_at_once(self, query: str, fits: Callable[[bytes], bool]) -> bytes | None:
        """Ask what is answered at once or never; lines that do not fit are late or unasked, and dropped."""
        self._port.expect(QUICK)
        self.send(query)
        while (line := self.line(QUICK)) is not None:
            text = line.strip()
            if self.is_noise(text):
                continue
            if fits(text):
                if self.prompts:
                    self.await_prompt(QUIET)
                return text
            self.drop(line)
        return None

    def is_noise(self, text: bytes) -> bool:
        """Blank lines, prompts, and our own words come back from an adapter that echoes."""
        return not text or text == self._sent or text in self.prompts

    def is_late_error(self, line: bytes) -> bool:
        """Whether this answers an error question that was given up: a bare 0 would otherwise be read as a value."""
        if self.owed and re.fullmatch(rb"\s*[+-]?\d{1,3}\s*", line):
            self.owed -= 1
            self.drop(line)
            return True
        return False

    def drop(self, raw: bytes, reason: str = "an answer that fits no question in flight") -> None:
        """These bytes answer nothing."""
        if raw.strip():
            self._faults.skipped(raw, reason, self._port.stamp)

    def drain_input(self) -> None:
        """Drop what is there or under way."""
        self.drop(self.buffer)
        self.buffer = b""
        for _ in range(100):
            data = self._port.read(QUIET)
            if not data:
                return
            self.drop(data)

    def drain_errors(self) -> list[tuple[int, str]]:
        """Empty the error queue, oldest first."""
        found: list[tuple[int, str]] = []
        while self._errors and len(found) < _MOST_ERRORS:
            line = self.ask_at_once("SYST:ERR?", lambda text: ERROR.fullmatch(text) is not None)
            match = ERROR.fullmatch(line) if line is not None else None
            if match is None:
                self.owed += 1
                self._errors = self.answers_errors  # one that never answered is not asked again
                break
            self.answers_errors = True
            code, text = int(match[1]), (match[2] or match[3] or b"").decode("ascii", "replace")
            if code == 0 or found[-2:] == [(code, text)] * 2:  # a register that reading does not clear
                break
            found.append((code, text))
        return found

    def report(self, errors: list[tuple[int, str]], command: str) -> None:
        """Tell of each error, but not of the same one for the same command again and again."""
        for code, text in errors:
            if (str(code), command) not in self._told:
                self._told.add((str(code), command))
                self._faults.event(self._port.now(), "instrument-error", code=str(code), text=text, command=command)

    def forget(self, command: str = "") -> None:
        """What was told of a command, or of all, may be told again."""
        if self._told:
            self._told = {each for each in self._told if command and each[1] != command}
