"""The serial ports that are there, who holds them, and the same physical device found again.

Nothing here opens a port or sends a byte: a listing must not disturb instruments that nobody chose.
"""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from pathlib import Path

import msgspec

_SHARED = re.compile(r"/dev/(tty[A-Z]|rfcomm|usbtmc|cu\.)")


class PortInfo(msgspec.Struct, frozen=True, kw_only=True):
    """What the system tells of one port."""

    name: str
    description: str = ""
    vid: int | None = None  #: USB vendor
    pid: int | None = None  #: USB product
    serial_number: str | None = None
    location: str | None = None  #: place on the bus: the only stable key of twins without a serial number
    manufacturer: str | None = None
    product: str | None = None
    held_by: str = ""  #: the program that has it open, where the system lets us see
    trouble: str = ""  #: why it could not be opened, as far as can be told without opening it


def _comports() -> list[PortInfo]:
    from serial.tools.list_ports import comports

    return [
        PortInfo(
            name=str(port.device),
            description="" if port.description in (None, "n/a") else str(port.description),
            vid=port.vid, pid=port.pid, serial_number=port.serial_number, location=port.location,
            manufacturer=port.manufacturer, product=port.product,
        )
        for port in sorted(comports(), key=lambda port: str(port.device))
    ]  # fmt: skip


def _usbtmc(folder: Path = Path("/dev")) -> list[PortInfo]:
    """Instruments on the kernel's test-and-measurement driver, which pyserial does not list."""
    if not sys.platform.startswith("linux"):
        return []
    return [PortInfo(name=f"usbtmc://{path}", description="USB test and measurement instrument")
            for path in sorted(folder.glob("usbtmc[0-9]*"))]  # fmt: skip


def listed() -> list[PortInfo]:
    """Every port that the system lists, without looking who holds it; quick enough for each reconnect."""
    return _comports() + _usbtmc()


def ports(source: Callable[[], Sequence[PortInfo]] = listed) -> list[PortInfo]:
    """Every port that the system lists, with who holds it. Opens none of them."""
    found = list(source())
    held = _holders({device_path(port.name) for port in found})
    return [
        msgspec.structs.replace(port, held_by=", ".join(held.get(device_path(port.name), [])), trouble=_trouble(port))
        for port in found
    ]


def _trouble(port: PortInfo) -> str:
    path = Path(device_path(port.name))
    if os.name != "posix" or not path.exists() or os.access(path, os.R_OK | os.W_OK):
        return ""
    return "this user may not open it"


def device_path(name: str) -> str:
    """The device file behind a port's name, links followed; the name itself where there is none."""
    if name.lower().startswith("usbtmc://"):
        name = name[len("usbtmc://") :]
    if "://" in name or "\0" in name or not name.startswith("/"):
        return name
    return os.path.realpath(name)


def _holders(paths: Iterable[str]) -> dict[str, list[str]]:
    """Programs that have these files open, by path. Linux only; other users' programs only as far as rights go."""
    wanted = set(paths)
    found: dict[str, list[str]] = {}
    if not sys.platform.startswith("linux") or not wanted:
        return found
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            links = set(_targets(folder / "fd")) & wanted
            if links:
                title = (folder / "comm").read_text("utf-8", errors="replace").strip()
                who = "this program itself" if folder.name == str(os.getpid()) else f"{title} (process {folder.name})"
                for link in links:
                    found.setdefault(link, []).append(who)
        except OSError:  # it has ended meanwhile, or is another user's
            continue
    return found


def _targets(folder: Path) -> Iterator[str]:
    for entry in folder.iterdir():
        with suppress(OSError):  # closed meanwhile, as the descriptor by which we list our own is
            yield str(entry.readlink())


def holder(name: str, *, others_only: bool = False) -> str:
    """Who has the port open, or "".

    Args:
        others_only: leave this program out, and whatever is no serial device: the far end of a pseudo-terminal
            rightly keeps both ends open.
    """
    path = device_path(name)
    if not path.startswith("/dev/") or (others_only and not _SHARED.match(path)):
        return ""
    who = _holders({path}).get(path, [])
    return ", ".join(each for each in who if not (others_only and each == "this program itself"))


def identify(name: str, source: Callable[[], Sequence[PortInfo]] = listed) -> PortInfo | None:
    """What the system tells of the port that a user named, links followed; None if it lists no such port."""
    path = device_path(name)
    if "://" in path:  # a network address, or a file that is played: nothing of the system's
        return None
    return next((port for port in source() if device_path(port.name) == path), None)


def find_again(known: PortInfo | None, name: str, source: Callable[[], Sequence[PortInfo]] = listed) -> str | None:
    """The name under which the same physical device is there now; None while it is away.

    By USB serial number where it is the only one of its kind with it, else by its place on the bus, else by name. A
    different device that took over the name is not the same meter, and is never returned.
    """
    if known is None or known.vid is None:
        return name
    present = list(source())
    kind = [port for port in present if (port.vid, port.pid) == (known.vid, known.pid)]
    if known.serial_number:
        kind = [port for port in kind if port.serial_number == known.serial_number]
        if len(kind) == 1:
            return _name_of(kind[0], name)
    here = [port for port in kind if port.location == known.location and port.location]
    if here:
        return _name_of(here[0], name)
    if known.location is None and not known.serial_number:
        return next((_name_of(port, name) for port in kind if device_path(port.name) == device_path(name)), None)
    return None


def _name_of(port: PortInfo, name: str) -> str:
    """The user's own name for it where that still leads there."""
    return name if device_path(name) == device_path(port.name) else port.name
