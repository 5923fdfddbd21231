"""Open any serial port or pyserial URL, exclusively, and move chunks of bytes through it.

Everything goes through `serial.serial_for_url`, so a device path, `COM3`, `socket://`, `rfc2217://`, `loop://` and the
handlers in `drivers.urls` are all alike. What pyserial and the system raise becomes `PortError` (could not be opened)
or `PortLostError` (was open, is gone) here. A port keeps the bytes that went through it in `wire`, with their times.
"""

from __future__ import annotations

import errno
import importlib
import importlib.util
import io
import logging
import os
import re
import select
import socket
import time
from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

import msgspec
import serial

from drivers.portlist import holder
from drivers.profile import PortSettings
from drivers.reading import BenchError

if TYPE_CHECKING:
    from drivers.urls.protocol_replay import Player

try:
    import termios
except ImportError:  # Windows
    _FAILURES: tuple[type[Exception], ...] = (OSError, TypeError)
else:
    # tcflush on a port that is gone raises termios.error, which is no OSError; TypeError: closed by another thread.
    _FAILURES = (OSError, TypeError, termios.error)

# Some URL handlers raise the last four on a malformed address.
_OPENING: tuple[type[Exception], ...] = (*_FAILURES, ValueError, AttributeError, LookupError, re.error)

log = logging.getLogger(__name__)

HANDLERS = "drivers.urls"
KINDS = ("socket", "rfc2217", "loop", "replay", "usbtmc", "visa", "practice")
_STEP = 0.05  #: a port without a descriptor to wait on is asked again after so long [s]
_CHUNK = 16384


class PortError(BenchError):
    """A port that cannot be opened."""


class PortLostError(PortError):
    """A port that was open and does not work any more."""


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


def register_handlers() -> None:
    """Let pyserial find the URL handlers of this package; its list is process-wide, so once."""
    if HANDLERS not in serial.protocol_handler_packages:
        serial.protocol_handler_packages.append(HANDLERS)


def _check_address(scheme: str, name: str) -> None:
    """Refuse an address without host or port; what pyserial says of one is not for people."""
    if scheme not in ("socket", "rfc2217"):
        return
    try:
        parts = urlsplit(name)
        complete = bool(parts.hostname) and parts.port is not None
    except ValueError:
        complete = False
    if not complete:
        raise PortError(f"The address {name} is not complete.",
                        remedy=f"It has a host and a port number, such as {scheme}://10.0.0.7:5025.")  # fmt: skip


def _instance(name: str, settings: PortSettings) -> serial.SerialBase:
    """pyserial's object for `name`, closed. Raises: PortError: no such kind of port, or settings it refuses."""
    register_handlers()
    scheme = name.partition("://")[0].lower() if "://" in name else ""
    try:
        if scheme and not re.fullmatch(r"[a-z][a-z0-9+_]*", scheme):
            raise ValueError("not known")
        _check_address(scheme, name)
        return serial.serial_for_url(
            name, baudrate=settings.baud, bytesize=settings.bytesize, parity=settings.parity,
            stopbits=settings.stopbits, xonxoff=settings.xonxoff, rtscts=settings.rtscts,
            timeout=_STEP, write_timeout=2.0, exclusive=True, do_not_open=True,
        )  # fmt: skip
    except _OPENING as exc:
        if "not known" not in str(exc):
            raise _opening_failed(name, exc) from exc
        _explain_missing_handler(scheme, name)
        raise PortError(
            f"There is no kind of port called {scheme}://.",
            f"Port {name}.",
            f"Known are a device name and {', '.join(kind + '://' for kind in KINDS)}.",
        ) from exc


def _explain_missing_handler(scheme: str, name: str) -> None:
    """Raise what pyserial hides: an ImportError inside a handler looks to it like an unknown scheme."""
    module = f"{HANDLERS}.protocol_{scheme}"
    if not re.fullmatch(r"[a-z][a-z0-9+_]*", scheme) or importlib.util.find_spec(module) is None:
        return
    try:
        importlib.import_module(module)
    except ImportError as exc:
        raise PortError(f"Ports of the kind {scheme}:// need something that is not installed: {exc}.",
                        f"Port {name}.") from exc  # fmt: skip


def _opening_failed(name: str, exc: Exception) -> PortError:
    """What the system said at opening, as one line for a person."""
    seen: list[BaseException] = [exc]
    while (deeper := seen[-1].__cause__ or seen[-1].__context__) is not None and deeper not in seen:
        seen.append(deeper)
    codes = {e.errno for e in seen if isinstance(e, OSError) and e.errno is not None}
    text = str(exc)
    if codes & {errno.EAGAIN, errno.EBUSY, errno.EWOULDBLOCK} or "PermissionError(13" in text:
        return _busy(name, holder(name))
    if codes & {errno.EACCES, errno.EPERM}:
        return PortError(f"Port {name} may not be opened by this user.", remedy=_rights_remedy())
    if codes & {errno.ENOENT, errno.ENXIO, errno.ENODEV} or "FileNotFoundError" in text:
        return PortError(f"Port {name} was not found.", remedy="'chassislog ports' lists those that are there.")
    if codes & {errno.ECONNREFUSED}:
        return PortError(f"Nothing answers at {name}.", remedy="Check the address, and that the instrument is on.")
    if any(isinstance(e, socket.gaierror) for e in seen):
        return PortError(f"The host name in {name} is not known on this network.")
    if any(isinstance(e, TimeoutError) for e in seen) or codes & {errno.EHOSTUNREACH, errno.ENETUNREACH}:
        return PortError(f"{name} cannot be reached.", remedy="Check the network lead and the address.")
    if codes & {errno.ENOTTY, errno.EISDIR, errno.EINVAL} or any(type(e).__name__ == "error" for e in seen):
        return PortError(f"{name} is not a serial port, or refuses these settings.",
                         remedy="'chassislog ports' lists those that are there.")  # fmt: skip
    if isinstance(exc, (ValueError, LookupError, AttributeError, re.error)):
        return PortError(f"Port {name} is not written as its kind of port is.")
    return PortError(f"Port {name} cannot be opened: {_tidy(text)}.")


def _tidy(text: str) -> str:
    return " ".join(text.split()).rstrip(".")[:200]


def _busy(name: str, who: str) -> PortError:
    return PortError(
        f"Port {name} is in use by {who or 'another program'}.", remedy="Close that program, then try again."
    )


def _rights_remedy() -> str:
    if os.name == "nt":
        return "Close the program that uses it."
    return "Add yourself to the group that owns it (often 'dialout' or 'uucp') and log in again."


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
        self._wait: Callable[[float], bool] | None = None
        self._pieces = False

    @property
    def is_open(self) -> bool:
        """Whether bytes can be asked for."""
        return self._serial is not None

    def open(self) -> None:
        """Open with the handshake lines as they shall be, and drop what arrives while they settle.

        Raises: PortError: with one line that says why.
        """
        port = _instance(self.name, self.settings)
        try:
            # Before opening, since a lead without supply sends nothing. Linux still raises both for some milliseconds.
            port.dtr, port.rts = self.dtr, self.rts
            if who := holder(self.name, others_only=True):
                raise _busy(self.name, who)
            port.open()  # type: ignore[attr-defined]  # every port class has it, the base class does not declare it
        except _OPENING as exc:
            raise _opening_failed(self.name, exc) from exc
        self._serial = port
        self._player = getattr(port, "player", None)
        self._pieces = bool(getattr(port, "reads_pieces", False))
        self._wait = None if self._player or self._pieces else _waiter(port)
        if self._wait is not None:
            port.timeout = 0
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

    def not_before(self, request: bytes) -> float:
        """The recorded time at which `request` was sent next; never in the future on a real port. [s]"""
        return 0.0 if self._player is None else self._player.not_before(request)

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

    def clear(self) -> None:
        """Abort what the device is doing, where the port has a way of its own to say so (USBTMC, VISA)."""
        device_clear = getattr(self._serial, "device_clear", None)
        if device_clear is not None:
            self._guarded(lambda: device_clear() or b"")

    def close(self) -> None:
        """Close; needed after a loss too, or the system keeps the name busy for the device's return."""
        port, self._serial, self._wait = self._serial, None, None
        if port is None:
            return
        # pyserial forgets a socket whose peer is gone without closing it.
        connection = getattr(port, "_socket", None)
        with suppress(*_FAILURES):
            port.close()
        if connection is not None and hasattr(connection, "close"):
            with suppress(*_FAILURES):
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
        except _FAILURES as exc:
            raise PortLostError(f"Port {self.name} does not work any more: {_tidy(str(exc))}.") from exc

    def _chunk(self, wait: float) -> bytes:
        port = self._serial
        if port is None:
            return b""
        if self._wait is not None:
            return port.read(_CHUNK) if self._wait(max(0.0, wait)) else b""
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


def _waiter(port: serial.SerialBase) -> Callable[[float], bool] | None:
    """A function that waits for bytes on the port's descriptor, or None where there is none to wait on."""
    try:
        descriptor = port.fileno()
    except (io.UnsupportedOperation, OSError, AttributeError):
        return None
    if hasattr(select, "poll"):
        poller = select.poll()
        poller.register(descriptor, select.POLLIN)
        return lambda wait: bool(poller.poll(wait * 1000))
    return lambda wait: bool(select.select([descriptor], [], [], wait)[0])
