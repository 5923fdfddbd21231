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
from drivers.exchange import ERROR, LINE, QUICK, QUIET, Exchange
from drivers.faults import Faults
from drivers.port import Port, wire_bytes
from drivers.reading import Coupling, Quantity, Reading

_SLOW = 10.0  #: an AC reading with a 3 Hz filter takes about 7 s
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
#: The usual question for the function in force. Source: SCPI-1999, [SENSe:]FUNCtion[:ON]?
WHICH_FUNCTION = "FUNC?"
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
        self._link = Exchange(port, table, faults)
        self._timeout, self._interval = timeout, interval
        self._knows_clear = True
        self._set(table.quantity, table.coupling)
        self._query = table.read
        self._fallback = ""
        self._accepted = True  # whether the instrument took the function that was set
        self._read_unknown = False
        self._out_of_touch = False
        self._baseline: bytes | None = None  # what the instrument calls the function that was set
        self._held: list[Reading] = []  # readings until it has said that they are of that function
        self._misses = 0
        self._asked: float | None = None
        self._due = 0.0

    @property
    def finished(self) -> bool:
        """Whether a replayed log has nothing more to say."""
        return self._port.finished or self._port.exhausted(self._link.encoded(self._query))

    def _set(self, quantity: Quantity, coupling: Coupling) -> None:
        self._function = (quantity, coupling)
        self._decode = self._decoder(quantity, coupling)
        slow = coupling in (Coupling.AC, Coupling.ACDC) or quantity in _SLOW_QUANTITIES
        self._longest = max(self._timeout, _SLOW) if slow else self._timeout
        if self._port.whole_messages:  # a list then comes when its last value is there
            self._longest *= self._table.samples
        self._trusted = False  # whether a query for this function has given a reading
        self._patience = min(QUICK, self._longest)

    # -- opening and setting up

    def open(self) -> None:
        """Clear what was left over, ask who it is, set it up. Raises: PortLostError."""
        self._link.drain_input()
        if self._table.clear:
            self._port.write(wire_bytes(self._table.clear))
            self._link.drain_input()
        self._clear_status()
        if self._table.identify:
            self._identify()
        if self._table.remote:
            self._link.tell(self._table.remote)
        self._configure()

    def _clear_status(self) -> None:
        """`*CLS`, twice where the first one met the rest of a half-sent message; errors found now are old ones."""
        for _ in range(2):
            self._link.command("*CLS")
            if not any(-200 < code <= -100 for code, _ in self._link.drain_errors()):
                return
        self._knows_clear = False

    def _identify(self) -> None:
        def names(line: bytes) -> bool:
            return not re.fullmatch(rb"[-+0-9.eE, ]+", line) and not ERROR.fullmatch(line)

        line = self._link.ask_at_once("*IDN?", names)
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
        self._accepted = not command or self._link.tell(command)
        self._query = table.read if self._accepted and not self._read_unknown else self._fallback
        for line in table.setup:
            self._link.tell(line)
        self._baseline = self._link.ask_at_once(table.verify, bool) if table.verify else None
        if table.verify and self._baseline is None:
            self._link.drain_errors()  # it does not know the question, which is no fault of anything
        if table.samples > 1:
            self._link.tell(f"SAMP:COUN {table.samples}")

    # -- readings

    def step(self, wait: float) -> None:
        """Ask for a reading when it is time to, and take in what comes. Raises: PortLostError."""
        if self._asked is None:
            if not self._query:
                self._link.drop(self._port.read(wait))
                return
            due = self._port.due(self._due, self._link.encoded(self._query))
            now = self._port.now()
            if now < due:
                self._link.drop(self._port.read(min(wait, due - now)))
                return
            if self._out_of_touch and not self._back_in_touch():
                return
            self._ask()
        held = self._link.buffer.endswith(b"\r")
        data = self._port.read(min(wait, QUIET) if held else wait)
        if data:
            self._link.buffer += data
        elif held:
            self._link.buffer += b"\n"
        self._harvest()
        if self._asked is not None and self._port.now() - self._asked > self._patience:
            self._timed_out()

    def _ask(self) -> None:
        now = self._port.now()
        self._link.buffer = b""
        self._port.expect(self._patience)
        self._link.send(self._query)
        self._asked = now
        self._due = max(self._due + self._interval, now)

    def _harvest(self) -> None:
        """Readings of the answer in flight: its whole lines, and of a long list each value as it comes."""
        self._link.take_prompt()
        while self._asked is not None and (match := LINE.match(self._link.buffer)):
            self._link.buffer = self._link.buffer[match.end() :]
            line = match[1]
            if self._link.is_noise(line.strip()) or self._link.is_late_error(line):
                continue
            if self._take(line):
                self._answered()
        if self._asked is not None and self._table.samples > 1 and b"," in self._link.buffer:
            values, _, self._link.buffer = self._link.buffer.rpartition(b",")
            if self._take(values):
                self._asked = self._port.now()  # each value has its own time to come in

    def _take(self, values: bytes) -> bool:
        found = self._decode(values, self._port.stamp)
        got = [item for item in found if isinstance(item, Reading)]
        for item in found:
            if not isinstance(item, Reading):
                self._link.drop(item.raw, item.reason)
        if got:
            self._faults.flush()
            self._faults.framed(1)
            (self.readings if self._baseline is None else self._held).extend(got)
        return bool(got)

    def _answered(self) -> None:
        self._asked, self._trusted, self._patience, self._misses = None, True, self._longest, 0
        self._link.forget(self._query)
        if self._link.prompts:
            self._link.await_prompt(QUIET)
        if self._baseline is not None:
            self._verify(self._baseline)

    def _verify(self, baseline: bytes) -> None:
        """Release the readings held if the instrument is still on the function that was set.

        Somebody may turn it to DC at its front panel: 0 V DC must not pass for the AC that was asked for.
        """
        held, self._held = self._held, []
        found = self._link.ask_at_once(self._table.verify, bool)
        if found == baseline:
            self.readings += held
            return
        now = "" if found is None else found.decode("ascii", "replace")
        self._faults.event(self._port.now(), "instrument-error", code="function-changed",
                           text=f"{baseline.decode('ascii', 'replace')} was set, {now or 'no answer'} is on",
                           command=self._table.verify)  # fmt: skip
        self._configure()

    def _timed_out(self) -> None:
        """No answer: find out why, then ask again or otherwise.

        The first question is given a second, since most instruments answer within it and an unknown one is never
        answered. If the queue then does not say that it is unknown, it is asked again and given the time it may need.
        """
        self._misses += 1
        impatient = not self._trusted and self._patience < self._longest
        self._patience = self._longest
        if impatient and not self._link.answers_errors:
            return  # nothing can be learnt by asking; it may still be measuring
        self._asked = None
        self._held.clear()
        self._link.drop(self._link.buffer, "an answer that was cut off")
        self._link.buffer = b""
        self._link.drain_input()
        errors = self._link.drain_errors()
        # A question that came too soon ruins the one before it: -410 is then our doing, and no fault.
        self._link.report([each for each in errors if not (impatient and -440 <= each[0] <= -400)], self._query)
        unknown = any(-200 < code <= -100 for code, _ in errors)
        if not self._trusted and (unknown or not self._link.answers_errors):
            self._try_other_query()
        elif not impatient:
            self._out_of_touch = True
            if self._misses > 1:  # asked again once; from here on without haste
                self._due = self._port.now() + min(5.0, 0.5 * self._misses)

    def _try_other_query(self) -> None:
        """The query is unknown: the one that configures, triggers and reads at once, or back again."""
        if self._accepted:
            self._read_unknown = not self._read_unknown
        other = self._fallback if self._read_unknown or not self._accepted else self._table.read
        if other == self._query or not other:
            self._due = self._port.now() + 1.0
        self._query = other or self._query

    def _back_in_touch(self) -> bool:
        """After a silence: whether it answers, then set up again, for it may have been switched off and on."""
        self._due = self._port.now() + min(5.0, 0.5 * self._misses)
        self._misses += 1
        if self._link.answers_errors:
            before = self._link.owed
            self._link.report(self._link.drain_errors(), self._query)
            if self._link.owed > before:
                return False
        if self._knows_clear:
            self._link.command("*CLS")
        self._out_of_touch = False
        self._configure()
        self._due = self._port.now()
        return True

    def measure(self, quantity: Quantity, coupling: Coupling) -> None:
        """Set another function, after the answer in flight has come. Raises: PortLostError."""
        if (quantity, coupling) not in FUNCTIONS and (quantity, coupling) != (
            self._table.quantity,
            self._table.coupling,
        ):
            return
        deadline = self._port.now() + self._longest
        while self._asked is not None and self._port.now() < deadline and not self._port.finished:
            self.step(0.1)
        self._asked = None
        self._link.drain_input()
        self._link.forget()
        self._set(quantity, coupling)
        self._misses, self._out_of_touch, self._due = 0, False, self._port.now()
        self._configure()

    def end(self) -> None:
        """What was cut off is no answer."""
        self._faults.left(self._link.buffer)
        self._link.buffer = b""

    def leave(self) -> None:
        """Give the front panel back, where it was taken."""
        if self._table.remote.upper().startswith("SYST:REM"):
            self._link.command("SYST:LOC")


def table_for(table: Scpi, quantity: Quantity, coupling: Coupling) -> Scpi:
    """The profile's table for another function: range and resolution are then not known."""
    if (quantity, coupling) == (table.quantity, table.coupling):
        return table
    return msgspec.structs.replace(table, quantity=quantity, coupling=coupling, range="", resolution="")
