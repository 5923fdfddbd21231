"""One meter: role, profile and port become a stream of readings, with what goes wrong as data.

After `open()` nothing here raises for a bad byte or a lost port. A lost port is looked for again, with growing pauses,
as the same physical device; the bytes before the cut never join those after it.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from datetime import date

import msgspec

from drivers import portlist
from drivers.accuracy import Accuracies
from drivers.decode.families import Decode, build
from drivers.decode.tables import Modbus, Scpi, Typed
from drivers.faults import Counters, Faults
from drivers.faults import MeterEvent as MeterEvent
from drivers.framing import Framer
from drivers.listen import Listener, Talk
from drivers.modbus import Registers
from drivers.port import Port, PortError, PortLostError, wire_bytes
from drivers.port import WirePiece as WirePiece
from drivers.portlist import PortInfo
from drivers.profile import Profile
from drivers.reading import Coupling, Quantity, Reading
from drivers.scpi import Conversation, table_for
from drivers.units import parse

WAIT = 0.1  #: longest that one `read` waits for bytes [s]
_BACK_OFF, _BACK_OFF_MOST = 0.2, 5.0


class Conditions(msgspec.Struct, frozen=True, kw_only=True):
    """The sitting's conditions, as far as known: they widen the uncertainty of what is read."""

    ambient: float | None = None  #: air at the meter [°C]
    on: date | None = None
    frequency: float | None = None  #: of AC values [Hz]


class Batch(msgspec.Struct):
    """What one call brought."""

    readings: list[Reading]
    events: list[MeterEvent]
    wire: list[WirePiece]


def _built(profile: Profile, conditions: Conditions) -> tuple[Framer, Decode]:
    return build(profile, ambient=conditions.ambient, on=conditions.on, frequency=conditions.frequency)


def talk_for(profile: Profile, port: Port, faults: Faults, conditions: Conditions) -> Talk:
    """The way to talk with a meter of this profile. Raises: PortError: it is a typed one, without a port."""
    timeout, interval = parse(profile.poll.timeout, "s"), parse(profile.poll.interval, "s")
    table = profile.decode
    if isinstance(table, Typed):
        raise PortError("A typed meter has no port.")
    if isinstance(table, Scpi):

        def decoder(quantity: Quantity, coupling: Coupling) -> Decode:
            other = msgspec.structs.replace(profile, decode=table_for(table, quantity, coupling))
            return _built(other, conditions)[1]

        return Conversation(port, table, decoder, faults, timeout=timeout, interval=interval)
    if isinstance(table, Modbus):
        accuracies = Accuracies.of(
            profile, ambient=conditions.ambient, on=conditions.on, frequency=conditions.frequency
        )
        every = parse(table.interval, "s")
        return Registers(port, table, faults, interval=every, timeout=timeout, fit=accuracies.fit)
    framer, decode = _built(profile, conditions)
    request = wire_bytes(profile.poll.request)
    return Listener(port, framer, decode, faults, request=request, interval=interval, timeout=timeout)


class Meter:
    """One meter on one port.

    Args:
        role: its name for the sitting.
        profile: of its family.
        port: device or URL.
        clock: seconds since the session began, monotonic. For a replayed wire log the recorded time counts instead.
        sleep: how to pause while the port is away.
        listing: the ports that are there, to find the same device again.
        lines: DTR and RTS, where they shall be other than the profile says.
        conditions: of the sitting.
    """

    def __init__(
        self,
        role: str,
        profile: Profile,
        port: str,
        *,
        clock: Callable[[], float],
        sleep: Callable[[float], None] = time.sleep,
        listing: Callable[[], Sequence[PortInfo]] = portlist.listed,
        lines: tuple[bool, bool] | None = None,
        conditions: Conditions | None = None,
    ) -> None:
        self.role, self.profile, self.port = role, profile, port
        self.identity = ""  #: the answer to *IDN?, or ""
        self._clock, self._sleep, self._listing = clock, sleep, listing
        self._dtr, self._rts = lines or (profile.port.dtr, profile.port.rts)
        self._conditions = conditions or Conditions()
        self._faults = Faults()
        self._device: PortInfo | None = None
        self._port: Port | None = None
        self._played_to: float | None = None  #: where a replay was closed
        self._talk: Talk | None = None
        self._readings: list[Reading] = []
        self._wire: list[WirePiece] = []
        self._silence = parse(profile.port.silence, "s")
        self._last_byte: float | None = None  # when the last byte came
        self._low_battery = False
        self._flags: tuple[str, ...] = ()
        self._pause = _BACK_OFF
        self._next_try = 0.0
        self._ended = False

    @property
    def counters(self) -> Counters:
        """Totals since the meter was opened."""
        return self._faults.counters

    @property
    def finished(self) -> bool:
        """Whether a replayed wire log is at its end, or the meter was closed; never so for a real port that is open."""
        return self._ended or (self.replays and self._talk is not None and self._talk.finished)

    @property
    def replays(self) -> bool:
        """Whether a wire log is played, so that its recorded time counts."""
        return self._port is not None and self._port.replays

    def now(self) -> float:
        """The time that this meter goes by: the session's clock, or the recorded time of a replay. [s]"""
        if self._port is not None:
            return self._port.now()
        return self._clock() if self._played_to is None else self._played_to

    @property
    def connected(self) -> bool:
        """Whether the port is open now."""
        return self._talk is not None

    def open(self) -> Batch:
        """Open the port and begin. Raises: PortError: it cannot be opened, in one line."""
        self._ended = False
        self._device = portlist.identify(self.port, self._listing)
        self._begin(self.port)
        return self._batch()

    def _begin(self, name: str) -> None:
        port = Port(name, self.profile.port, clock=self._clock, dtr=self._dtr, rts=self._rts)
        try:
            port.open()
            talk = talk_for(self.profile, port, self._faults, self._conditions)
            self._port = port
            talk.open()
        except PortError:
            self._wire += port.drained()
            port.close()
            self._port = None
            raise
        self._talk = talk
        self.identity = talk.identity or self.identity
        if self._last_byte is None:
            self._last_byte = port.now()

    def read(self) -> Batch:
        """What came, waiting up to a tenth of a second for it. Never raises for a lost port or bad bytes."""
        if self._talk is None:
            if not self._ended:
                self._reconnect()
        elif not self.finished:  # a log at its end is asked nothing more
            try:
                self._talk.step(WAIT)
            except PortLostError as exc:
                self._lose(exc)
        return self._batch()

    def measure(self, quantity: Quantity, coupling: Coupling) -> Batch:
        """Set the instrument to another function, where it can be told so; else nothing."""
        if self._talk is not None:
            try:
                self._talk.measure(quantity, coupling)
            except PortLostError as exc:
                self._lose(exc)
        return self._batch()

    def close(self) -> Batch:
        """End the stream and let go of the port; what was pending, and a silence still on, are told."""
        if isinstance(self._talk, Conversation) and not self.replays:
            try:
                self._talk.leave()
            except PortLostError as exc:
                self._lose(exc)
        if self._talk is not None:
            self._talk.end()
        if not self.replays:
            self._note_gap(self.now())
        self._faults.flush()
        batch = self._batch()
        if self._port is not None:
            self._played_to = self._port.now() if self.replays else None
            self._port.close()
        self._port = self._talk = None
        self._ended = True
        return batch

    def _batch(self) -> Batch:
        if self._port is not None:
            self._wire += self._port.drained()
            self._faults.tick(self._port.now())
        if self._talk is not None and self._talk.readings:
            self._readings += self._talk.readings
            self._talk.readings.clear()
        wire, self._wire = self._wire, []
        for piece in wire:
            if piece.direction == "rx":
                self._note_gap(piece.elapsed)
                self._last_byte = piece.elapsed
        readings, self._readings = self._readings, []
        self._watch_battery(readings)
        self._faults.counters.readings += len(readings)
        return Batch(readings, self._faults.drained(), wire)

    def _note_gap(self, until: float) -> None:
        """A silence that has just ended was longer than the profile allows."""
        if self._last_byte is not None and until - self._last_byte > self._silence:
            self._faults.counters.gaps += 1
            self._faults.event(until, "gap", start=f"{self._last_byte:.6f}", end=f"{until:.6f}")

    def _watch_battery(self, readings: list[Reading]) -> None:
        for reading in readings:
            if reading.flags is not self._flags:
                self._flags = reading.flags
                low = "low-battery" in reading.flags
                if low is not self._low_battery:
                    self._low_battery = low
                    self._faults.event(reading.elapsed, "low-battery", state="low" if low else "ok")

    def _lose(self, exc: PortLostError) -> None:
        """The port is gone: close it, or the system keeps its name busy, and look for it from now on."""
        if self._talk is not None:
            self._talk.end()
            self._readings += self._talk.readings
        if self._port is not None:
            self._wire += self._port.drained()
            self._port.close()
        self._port = self._talk = None
        self._faults.flush()
        now = self._clock()
        self._faults.event(now, "port-lost", port=self.port, reason=exc.what)
        self._pause = _BACK_OFF
        self._next_try = now + self._pause

    def _reconnect(self) -> None:
        now = self._clock()
        if now < self._next_try:
            self._sleep(min(WAIT, self._next_try - now))
            return
        name = portlist.find_again(self._device, self.port, self._listing)
        try:
            if name is None:
                raise PortError("It is not there.")
            self._begin(name)
        except PortError:
            self._pause = min(2 * self._pause, _BACK_OFF_MOST)
            self._next_try = self._clock() + self._pause
            return
        self._faults.event(self._clock(), "port-back", port=name)
