"""Open any serial port or pyserial URL, exclusively, and move chunks of bytes through it.

Everything goes through `serial.serial_for_url`, so a device path, `COM3`, `socket://`, `rfc2217://`, `loop://` and the
handlers in `drivers.urls` are all alike. What pyserial and the system raise becomes `PortError` (could not be opened)
or `PortLostError` (was open, is gone) here. A port keeps the bytes that went through it in `wire`, with their times.
"""

from __future__ import annotations

import errno
import io
import os
import select
import sys
import time
import warnings
from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING

import msgspec
import serial

from drivers.opening import FAILURES, OPENING, busy, instance, opening_failed, tidy
from drivers.opening import PortError as PortError
from drivers.opening import PortLostError as PortLostError
from drivers.portlist import holder
from drivers.profile import PortSettings

if TYPE_CHECKING:
    from drivers.urls.protocol_replay import Player

_CHUNK = 16384


class WirePiece(msgspec.Struct, frozen=True):
    """Bytes as one read or write moved them."""

    elapsed: float  #: of the last byte's arrival, or of the writing [s]
    direction: str  #: "rx" or "tx"
    data: bytes


def wire_bytes(text: str) -> bytes:
    """The bytes that text with escapes (`READ?\\n`) stands for. Raises: PortError: a broken escape."""
    try:
        return text.encode("latin-1", "backslashreplace").decode("unicode_escape").encode("latin-1")
    except UnicodeError as exc:
        raise PortError(f"{text!r} cannot be sent.", remedy="Expected text with escapes such as \\n or \\x03.") from exc


class Port:
    """One port: chunks of bytes in and out, each kept in `wire` with its time.

    Args:
        name: device or URL, as the user wrote it.
        settings: line settings and handshake lines.
        clock: seconds since the session began, monotonic. A replayed wire log brings its own: the recorded time.
        dtr, rts: other line states than the settings say, to find out which ones power a lead.
    """

    def __init__(
        self,
        name: str,
        settings: PortSettings | None = None,
        *,
        clock: Callable[[], float] = time.monotonic,
        dtr: bool | None = None,
        rts: bool | None = None,
    ) -> None:
        self.name = name
        self.settings = settings or PortSettings()
        self.dtr = self.settings.dtr if dtr is None else dtr
        self.rts = self.settings.rts if rts is None else rts
        self.stamp = 0.0  #: time of the piece read or written last [s]
        self.wire: list[WirePiece] = []
        self._clock = clock
        self._serial: serial.SerialBase | None = None
        self._player: Player | None = None
        self._fetch: Callable[[float], bytes] | None = None
        self._pieces = False

    @property
    def is_open(self) -> bool:
        """Whether bytes can be asked for."""
        return self._serial is not None

    def open(self) -> None:
        """Open with the handshake lines as they shall be, and drop what arrives while they settle.

        Raises: PortError: with one line that says why.
        """
        if not self.name.strip() or not self.name.isprintable():
            raise PortError(
                f"{self.name!r} is not the name of a port.", remedy="'chassislog ports' lists those there are."
            )
        port = instance(self.name, self.settings)
        try:
            # Before opening, since a lead without supply sends nothing. Linux still raises both for some milliseconds.
            port.dtr, port.rts = self.dtr, self.rts
            if who := holder(self.name, others_only=True):
                raise busy(self.name, who)
            with warnings.catch_warnings():
                # pyserial's rfc2217:// calls methods of threads that Python has deprecated.
                warnings.filterwarnings("ignore", "set(Daemon|Name)", DeprecationWarning)
                port.open()  # type: ignore[attr-defined]  # every port class has it, the base does not declare it
        except OPENING as exc:
            raise opening_failed(self.name, exc) from exc
        self._serial = port
        self._player = getattr(port, "player", None)
        self._pieces = bool(getattr(port, "reads_pieces", False))
        self._fetch = None if self._player or self._pieces else _fetcher(port)
        self._settle()

    def _settle(self) -> None:
        """Drop what arrives while lines toggle and boards boot: it is noise, and no part of the wire log.

        What a wire log holds came after that time.
        """
        if self._player is not None or not self.settings.settle_ms:
            return
        deadline = time.monotonic() + self.settings.settle_ms / 1000
        while (left := deadline - time.monotonic()) > 0:
            self._guarded(lambda left=left: self._chunk(left))  # type: ignore[misc]

    def now(self) -> float:
        """The time that this port goes by. [s]"""
        return self._clock() if self._player is None else self._player.now()

    @property
    def replays(self) -> bool:
        """Whether a wire log is played, so that recorded time counts."""
        return self._player is not None

    @property
    def finished(self) -> bool:
        """Whether a wire log has been played to its end."""
        return self._player is not None and self._player.finished

    def exhausted(self, request: bytes) -> bool:
        """Whether a wire log has no further answer to a request that it used to answer."""
        return self._player is not None and self._player.exhausted(request)

    def due(self, due: float, request: bytes) -> float:
        """When a request that is due at `due` may be sent: on a replay, when the recorded host sent it next. [s]"""
        return due if self._player is None else self._player.not_before(request)

    def read(self, wait: float) -> bytes:
        """The bytes that are there, else those that come first within `wait` seconds, else none.

        Returns as soon as anything came. Raises: PortLostError.
        """
        if self._player is not None:
            data = self._player.take(wait)
            if not data:
                return b""
            self.stamp = self._player.stamp
        else:
            data = self._guarded(lambda: self._chunk(wait))
            if not data:
                return b""
            self.stamp = self._clock()
        self.wire.append(WirePiece(self.stamp, "rx", data))
        return data

    def write(self, data: bytes) -> None:
        """Send all of `data`. Raises: PortLostError: the port is gone, or takes no bytes for two seconds."""
        self.stamp = self._clock()

        def send() -> bytes:
            if self._serial is not None:
                self._serial.write(data)
            return b""

        self._guarded(send)
        if self._player is not None:
            self.stamp = self._player.stamp
        self.wire.append(WirePiece(self.stamp, "tx", data))

    @property
    def whole_messages(self) -> bool:
        """Whether an answer comes all at once when it is complete (USBTMC, VISA)."""
        return hasattr(self._serial, "patience")

    def expect(self, seconds: float) -> None:
        """Say how long the answer to the next query may take, to a port that has to know beforehand."""
        if self.whole_messages:
            setattr(self._serial, "patience", seconds)  # noqa: B010  # only some port classes have it

    def close(self) -> None:
        """Close; needed after a loss too, or the system keeps the name busy for the device's return."""
        port, self._serial, self._fetch = self._serial, None, None
        if port is None:
            return
        # pyserial forgets a socket whose peer is gone without closing it.
        connection = getattr(port, "_socket", None)
        with suppress(*FAILURES):
            port.close()
        if connection is not None and hasattr(connection, "close"):
            with suppress(*FAILURES):
                connection.close()

    def drained(self) -> list[WirePiece]:
        """The pieces since the last call."""
        pieces, self.wire = self.wire, []
        return pieces

    def _guarded(self, action: Callable[[], bytes]) -> bytes:
        if self._serial is None:
            raise PortLostError(f"Port {self.name} is not open.")
        try:
            return action()
        except FAILURES as exc:
            raise PortLostError(f"Port {self.name} does not work any more: {tidy(str(exc))}.") from exc

    def _chunk(self, wait: float) -> bytes:
        port = self._serial
        if port is None:
            return b""
        if self._fetch is not None:
            return self._fetch(max(0.0, wait))
        if self._pieces:
            port.timeout = max(0.0, wait)
            return port.read(_CHUNK)
        return self._polled_chunk(port, wait)

    def _polled_chunk(self, port: serial.SerialBase, wait: float) -> bytes:
        """For ports without a descriptor: one byte within the fixed timeout, then all that came with it.

        The timeout stays as it was at opening: rfc2217:// negotiates the whole line again when it changes.
        """
        deadline = time.monotonic() + wait
        while True:
            waiting = int(port.in_waiting)  # type: ignore[attr-defined]  # every port class has it
            data = port.read(waiting or 1)
            if data and not waiting and (more := int(port.in_waiting)):  # type: ignore[attr-defined]
                data += port.read(more)
            if data or time.monotonic() >= deadline:
                return data


def _fetcher(port: serial.SerialBase) -> Callable[[float], bytes] | None:
    """A function that waits on the port's descriptor and reads what is there, or None where there is no descriptor.

    pyserial's own `read(n)` waits for all n bytes, and `in_waiting` of a socket is only 0 or 1.
    """
    try:
        descriptor = port.fileno()
    except (io.UnsupportedOperation, OSError, AttributeError):
        return None
    if sys.platform == "win32":  # a socket on Windows, whose number is no file descriptor
        port.timeout = 0
        return lambda wait: port.read(_CHUNK) if select.select([descriptor], [], [], wait)[0] else b""
    poller = select.poll()
    poller.register(descriptor, select.POLLIN)

    def fetch(wait: float) -> bytes:
        if not poller.poll(wait * 1000):
            return b""
        try:
            data = os.read(descriptor, _CHUNK)
        except (BlockingIOError, InterruptedError):
            return b""
        if not data:  # readiness without bytes is how a hang-up shows, or that somebody else took them
            raise OSError(errno.EIO, "it has hung up, or another program reads it too")
        return data

    return fetch
