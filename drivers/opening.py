"""Make pyserial's object for a port, and say in one line why one cannot be opened."""

from __future__ import annotations

import errno
import importlib
import importlib.util
import os
import re
import socket
import sys
from urllib.parse import urlsplit

import serial

from drivers.portlist import holder
from drivers.profile import PortSettings
from drivers.reading import BenchError

if sys.platform == "win32":
    FAILURES: tuple[type[Exception], ...] = (OSError, TypeError)
else:
    import termios

    # tcflush on a port that is gone raises termios.error, which is no OSError; TypeError: closed by another thread.
    FAILURES = (OSError, TypeError, termios.error)

# Some URL handlers raise the last five on a malformed address.
OPENING: tuple[type[Exception], ...] = (
    *FAILURES,
    ValueError,
    AttributeError,
    LookupError,
    NotImplementedError,
    re.error,
)

HANDLERS = "drivers.urls"
KINDS = ("socket", "rfc2217", "loop", "replay", "usbtmc", "visa", "practice")
STEP = 0.05  #: a port without a descriptor to wait on is asked again after so long [s]


class PortError(BenchError):
    """A port that cannot be opened."""


class PortCallError(PortError):
    """A port that was named as none can be: the call was wrong, and nothing failed."""


class PortLostError(PortError):
    """A port that was open and does not work any more."""


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
        raise PortCallError(f"The address {name} is not complete.",
                            remedy=f"It has a host and a port number, such as {scheme}://10.0.0.7:5025.")  # fmt: skip


def instance(name: str, settings: PortSettings) -> serial.SerialBase:
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
            timeout=STEP, write_timeout=None if scheme == "rfc2217" else 2.0,  # which rfc2217:// refuses
            exclusive=True, do_not_open=True,
        )  # fmt: skip
    except OPENING as exc:
        if "not known" not in str(exc):
            raise opening_failed(name, exc) from exc
        _explain_missing_handler(scheme, name)
        raise PortCallError(
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


def opening_failed(name: str, exc: Exception) -> PortError:
    """What the system said at opening, as one line for a person."""
    seen: list[BaseException] = [exc]
    while (deeper := seen[-1].__cause__ or seen[-1].__context__) is not None and deeper not in seen:
        seen.append(deeper)
    codes = {e.errno for e in seen if isinstance(e, OSError) and e.errno is not None}
    text = str(exc)
    if codes & {errno.EAGAIN, errno.EBUSY, errno.EWOULDBLOCK} or "PermissionError(13" in text:
        return busy(name, holder(name))
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
    if codes & {errno.ENOTTY, errno.EISDIR, errno.EINVAL} or any(type(e).__module__ == "termios" for e in seen):
        return PortError(f"{name} is not a serial port, or refuses these settings.",
                         remedy="'chassislog ports' lists those that are there.")  # fmt: skip
    if isinstance(exc, (ValueError, LookupError, AttributeError, re.error)):
        return PortCallError(f"Port {name} is not written as its kind of port is.")
    return PortError(f"Port {name} cannot be opened: {tidy(text)}.")


def tidy(text: str) -> str:
    """The system's words without its numbers, in one line."""
    return " ".join(re.sub(r"\[(Errno|WinError) -?\d+\]", "", text).split()).rstrip(".")[:200]


def busy(name: str, who: str) -> PortError:
    return PortError(
        f"Port {name} is in use by {who or 'another program'}.", remedy="Close that program, then try again."
    )


def _rights_remedy() -> str:
    if os.name == "nt":
        return "Close the program that uses it."
    return "Add yourself to the group that owns it (often 'dialout' or 'uucp') and log in again."
