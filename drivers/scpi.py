"""Ask and answer with an instrument that speaks SCPI in IEEE 488.2 messages.

One query is in flight at a time. Instruments answer in order and send nothing to a query they do not know, so every
silence is followed by draining the error queue: that says why, and its answer, which looks like no reading, marks the
place from which answers belong to questions again. A late answer therefore never passes for the next one's.
"""

from __future__ import annotations

import re
from collections.abc import Callable

import msgspec

from drivers.decode.families import Decode
from drivers.decode.tables import Scpi
from drivers.faults import Faults
from drivers.port import Port, wire_bytes
from drivers.reading import Coupling, Quantity, Reading

_QUICK = 1.0  #: longest wait for what an instrument answers at once, or not at all [s]
_SLOW = 10.0  #: an AC reading with a 3 Hz filter takes about 7 s
_QUIET = 0.05  #: nothing for so long: the input is drained, or a lone CR ended a line [s]
_MOST_ERRORS = 30
#: Source: SCPI-1999, volume 2, SYSTem:ERRor: a number and a quoted text; some instruments send the number alone.
ERROR_ANSWER = re.compile(rb'\s*([+-]?\d{1,6})\s*(?:,\s*"((?:[^"]|"")*)"?)?\s*')
LINE = re.compile(rb"([^\r\n]*)(?:\r\n|\n|\r(?=[^\n]))")
FUNCTIONS: dict[tuple[Quantity, Coupling], str] = {
    (Quantity.VOLTAGE, Coupling.AC): "VOLT:AC",
    (Quantity.VOLTAGE, Coupling.DC): "VOLT:DC",
    (Quantity.CURRENT, Coupling.AC): "CURR:AC",
    (Quantity.CURRENT, Coupling.DC): "CURR:DC",
    (Quantity.RESISTANCE, Coupling.NONE): "RES",
    (Quantity.CONTINUITY, Coupling.NONE): "CONT",
    (Quantity.DIODE, Coupling.NONE): "DIOD",
    (Quantity.FREQUENCY, Coupling.NONE): "FREQ",
    (Quantity.CAPACITANCE, Coupling.NONE): "CAP",
    (Quantity.TEMPERATURE, Coupling.NONE): "TEMP",
}
_SLOW_QUANTITIES = (Quantity.FREQUENCY, Quantity.CAPACITANCE)


class Conversation:
    """The conversation with one instrument.

    Args:
        port: open.
        table: the profile's [decode].
        decoder: a decoder for readings of one quantity and coupling.
        timeout, interval: the profile's [poll].
    """

    def __init__(
        self,
        port: Port,
        table: Scpi,
        decoder: Callable[[Quantity, Coupling], Decode],
        faults: Faults,
        *,
        timeout: float = 2.0,
        interval: float = 0.0,
    ) -> None:
        self.readings: list[Reading] = []
        self.identity = ""
        self._port, self._table, self._decoder, self._faults = port, table, decoder, faults
        self._timeout, self._interval = timeout, interval
        self._end = wire_bytes(table.write_end)
        self._prompts = tuple(wire_bytes(prompt) for prompt in table.prompts)
        self._errors = table.errors  # whether SYST:ERR? is worth asking
        self._answers_errors = False
        self._knows_clear = True
        self._told: set[tuple[str, str]] = set()
        self._buffer = b""
        self._sent = b""
        self._set(table.quantity, table.coupling)
        self._query = table.read
        self._fallback = ""
        self._accepted = True  # whether the instrument took the function that was set
        self._read_unknown = False
        self._out_of_touch = False
        self._owed = 0  # error questions without an answer yet
        self._misses = 0
        self._asked: float | None = None
        self._due = 0.0

    @property
    def finished(self) -> bool:
        """Whether a replayed log has nothing more to say."""
        return self._port.finished or self._port.exhausted(self._query.encode("latin-1") + self._end)

    def _set(self, quantity: Quantity, coupling: Coupling) -> None:
        self._function = (quantity, coupling)
        self._decode = self._decoder(quantity, coupling)
        slow = coupling in (Coupling.AC, Coupling.ACDC) or quantity in _SLOW_QUANTITIES
        self._longest = max(self._timeout, _SLOW) if slow else self._timeout
        self._trusted = False  # whether a query for this function has given a reading
        self._patience = min(_QUICK, self._longest)

    # -- opening and setting up

    def open(self) -> None:
        """Clear what was left over, ask who it is, set it up. Raises: PortLostError."""
        self._drain_input()
        if self._table.clear:
            self._port.write(wire_bytes(self._table.clear))
            self._drain_input()
        self._clear_status()
        if self._table.identify:
            self._identify()
        if self._table.remote:
            self._tell(self._table.remote)
        self._configure()

    def _clear_status(self) -> None:
        """`*CLS`, twice where the first one met the rest of a half-sent message; errors found now are old ones."""
        for _ in range(2):
            self._command("*CLS")
            if not any(-200 < code <= -100 for code, _ in self._drain_errors()):
                return
        self._knows_clear = False

    def _identify(self) -> None:
        def names(line: bytes) -> bool:
            return not re.fullmatch(rb"[-+0-9.eE, ]+", line) and not ERROR_ANSWER.fullmatch(line)

        line = self._ask_at_once("*IDN?", names)
        if line is not None:
            text = line.decode("ascii", "replace")
            self.identity = "".join(c if c.isprintable() else " " for c in text).strip()[:200]

    def _configure(self) -> None:
        """Set the function in force."""
        table = self._table
        own = self._function == (table.quantity, table.coupling)
        name = FUNCTIONS.get(self._function)
        command = table.configure if own and table.configure else f"CONF:{name}" if name else ""
        self._fallback = table.fallback if own and table.fallback else f"MEAS:{name}?" if name else ""
        # Only a query that sets the function itself may follow a refused setting: READ? would read another one.
        self._accepted = not command or self._tell(command)
        self._query = table.read if self._accepted and not self._read_unknown else self._fallback
        for line in table.setup:
            self._tell(line)
        if table.samples > 1:
            self._tell(f"SAMP:COUN {table.samples}")

    def _tell(self, command: str) -> bool:
        """Send a command, then ask for errors and report them; whether there were none."""
        self._command(command)
        found = self._drain_errors()
        self._report(found, command)
        return not found

    def _command(self, command: str) -> None:
        self._send(command)
        if self._prompts:
            self._line(_QUICK, prompt_ends=True)

    def _send(self, message: str) -> None:
        self._sent = message.encode("latin-1", "replace")
        self._port.write(self._sent + self._end)

    # -- lines

    def _line(self, wait: float, *, prompt_ends: bool = False) -> bytes | None:
        """The next line within `wait` of the last byte, without its end; None when there is none."""
        deadline = self._port.now() + wait
        last = self._port.now() + 3 * wait  # a line that chatters for ever must not hold us
        while True:
            if prompt_ends and self._take_prompt():
                return None
            if match := LINE.match(self._buffer):
                self._buffer = self._buffer[match.end() :]
                return match[1]
            now = self._port.now()
            left = min(deadline, last) - now
            if left <= 0:
                return None
            held = self._buffer.endswith(b"\r")
            data = self._port.read(min(left, _QUIET if held else 0.1))
            if not data and held:
                self._buffer += b"\n"
            elif data:
                self._buffer += data
                deadline = self._port.now() + wait

    def _take_prompt(self) -> bool:
        if not self._prompts:
            return False
        rest = self._buffer.lstrip(b"\r\n ")
        for prompt in self._prompts:
            if rest.startswith(prompt):
                self._buffer = rest[len(prompt) :].lstrip(b" ")
                return True
        return False

    def _ask_at_once(self, query: str, fits: Callable[[bytes], bool]) -> bytes | None:
        """Ask what is answered at once or never; lines that do not fit are late or unasked, and dropped."""
        self._send(query)
        while (line := self._line(_QUICK)) is not None:
            text = line.strip()
            if self._is_noise(text):
                continue
            if fits(text):
                if self._prompts:
                    self._line(_QUIET, prompt_ends=True)
                return text
            self._drop(line)
        return None

    def _is_noise(self, text: bytes) -> bool:
        """Blank lines, prompts, and our own words come back from an adapter that echoes."""
        return not text or text == self._sent or text in self._prompts

    def _is_late_error(self, line: bytes) -> bool:
        """Whether this answers an error question that was given up: a bare 0 would otherwise be read as a value."""
        if self._owed and re.fullmatch(rb"\s*[+-]?\d{1,3}\s*", line):
            self._owed -= 1
            self._drop(line)
            return True
        return False

    def _drop(self, raw: bytes, reason: str = "an answer that fits no question in flight") -> None:
        if raw.strip():
            self._faults.skipped(raw, reason, self._port.stamp)

    def _drain_input(self) -> None:
        """Drop what is there or under way."""
        self._drop(self._buffer)
        self._buffer = b""
        for _ in range(100):
            data = self._port.read(_QUIET)
            if not data:
                return
            self._drop(data)

    # -- errors

    def _drain_errors(self) -> list[tuple[int, str]]:
        """Empty the error queue, oldest first."""
        found: list[tuple[int, str]] = []
        while self._errors and len(found) < _MOST_ERRORS:
            line = self._ask_at_once("SYST:ERR?", lambda text: ERROR_ANSWER.fullmatch(text) is not None)
            match = ERROR_ANSWER.fullmatch(line) if line is not None else None
            if match is None:
                self._owed += 1
                self._errors = self._answers_errors  # one that never answered is not asked again
                break
            self._answers_errors = True
            code, text = int(match[1]), (match[2] or b"").decode("ascii", "replace")
            if code == 0 or found[-2:] == [(code, text)] * 2:  # a register that reading does not clear
                break
            found.append((code, text))
        return found

    def _report(self, errors: list[tuple[int, str]], command: str) -> None:
        for code, text in errors:
            if (str(code), command) not in self._told:
                self._told.add((str(code), command))
                self._faults.event(self._port.now(), "instrument-error", code=str(code), text=text, command=command)

    # -- readings

    def step(self, wait: float) -> None:
        """Ask for a reading when it is time to, and take in what comes. Raises: PortLostError."""
        if self._asked is None:
            if not self._query:
                self._drop(self._port.read(wait))
                return
            due = max(self._due, self._port.not_before(self._query.encode("latin-1") + self._end))
            now = self._port.now()
            if now < due:
                self._drop(self._port.read(min(wait, due - now)))
                return
            if self._out_of_touch and not self._back_in_touch():
                return
            self._ask()
        held = self._buffer.endswith(b"\r")
        data = self._port.read(min(wait, _QUIET) if held else wait)
        if data:
            self._buffer += data
        elif held:
            self._buffer += b"\n"
        self._harvest()
        if self._asked is not None and self._port.now() - self._asked > self._patience:
            self._timed_out()

    def _ask(self) -> None:
        now = self._port.now()
        self._buffer = b""
        self._send(self._query)
        self._asked = now
        self._due = max(self._due + self._interval, now)

    def _harvest(self) -> None:
        """Readings of the answer in flight: its whole lines, and of a long list each value as it comes."""
        self._take_prompt()
        while self._asked is not None and (match := LINE.match(self._buffer)):
            self._buffer = self._buffer[match.end() :]
            line = match[1]
            if self._is_noise(line.strip()) or self._is_late_error(line):
                continue
            if self._take(line):
                self._answered()
        if self._asked is not None and self._table.samples > 1 and b"," in self._buffer:
            values, _, self._buffer = self._buffer.rpartition(b",")
            if self._take(values):
                self._asked = self._port.now()  # each value has its own time to come in

    def _take(self, values: bytes) -> bool:
        found = self._decode(values, self._port.stamp)
        got = [item for item in found if isinstance(item, Reading)]
        for item in found:
            if not isinstance(item, Reading):
                self._drop(item.raw, item.reason)
        if got:
            self._faults.flush()
            self._faults.framed(1)
            self.readings += got
        return bool(got)

    def _answered(self) -> None:
        self._asked, self._trusted, self._patience, self._misses = None, True, self._longest, 0
        self._told.clear()
        if self._prompts:
            self._line(_QUIET, prompt_ends=True)

    def _timed_out(self) -> None:
        """No answer: find out why, then ask again or otherwise.

        The first question is given a second, since most instruments answer within it and an unknown one is never
        answered. If the queue then does not say that it is unknown, it is asked again and given the time it may need.
        """
        self._misses += 1
        impatient = not self._trusted and self._patience < self._longest
        self._patience = self._longest
        if impatient and not self._answers_errors:
            return  # nothing can be learnt by asking; it may still be measuring
        self._asked = None
        self._drop(self._buffer, "an answer that was cut off")
        self._buffer = b""
        self._port.clear()
        self._drain_input()
        errors = self._drain_errors()
        # A question that came too soon ruins the one before it: -410 is then our doing, and no fault.
        self._report([each for each in errors if not (impatient and -440 <= each[0] <= -400)], self._query)
        unknown = any(-200 < code <= -100 for code, _ in errors)
        if not self._trusted and (unknown or not self._answers_errors):
            self._try_other_query()
        elif not impatient:
            self._out_of_touch = True
            if self._misses > 1:  # asked again once; from here on without haste
                self._due = self._port.now() + min(5.0, 0.5 * self._misses)

    def _try_other_query(self) -> None:
        """The query is unknown: the one that configures, triggers and reads at once, or back again."""
        self._read_unknown = not self._read_unknown or not self._accepted
        other = self._fallback if self._read_unknown else self._table.read
        if other == self._query or not other:
            self._due = self._port.now() + 1.0
        self._query = other or self._query

    def _back_in_touch(self) -> bool:
        """After a silence: whether it answers, then set up again, for it may have been switched off and on."""
        self._due = self._port.now() + min(5.0, 0.5 * self._misses)
        self._misses += 1
        if self._answers_errors:
            before = self._owed
            self._report(self._drain_errors(), self._query)
            if self._owed > before:
                return False
        if self._knows_clear:
            self._command("*CLS")
        self._out_of_touch = False
        self._configure()
        self._due = self._port.now()
        return True

    def measure(self, quantity: Quantity, coupling: Coupling) -> None:
        """Set another function, after the answer in flight has come. Raises: PortLostError."""
        if (quantity, coupling) not in FUNCTIONS and (quantity, coupling) != (self._table.quantity, self._table.coupling):
            return
        deadline = self._port.now() + self._longest
        while self._asked is not None and self._port.now() < deadline and not self._port.finished:
            self.step(0.1)
        self._asked = None
        self._drain_input()
        self._told.clear()
        self._set(quantity, coupling)
        self._misses, self._out_of_touch = 0, False
        self._configure()

    def end(self) -> None:
        """What was cut off is told."""
        self._drop(self._buffer, "an answer that was cut off")
        self._buffer = b""

    def leave(self) -> None:
        """Give the front panel back, where it was taken."""
        if self._table.remote.upper().startswith("SYST:REM"):
            self._command("SYST:LOC")


def table_for(table: Scpi, quantity: Quantity, coupling: Coupling) -> Scpi:
    """The profile's table for another function: range and resolution are then not known."""
    if (quantity, coupling) == (table.quantity, table.coupling):
        return table
    return msgspec.structs.replace(table, quantity=quantity, coupling=coupling, range="", resolution="")
