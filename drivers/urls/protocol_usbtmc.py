"""`usbtmc:///dev/usbtmcN`: an instrument on the kernel's USB test-and-measurement driver (Linux)."""

from __future__ import annotations

import errno
import os
import struct
import sys
from contextlib import suppress

from drivers.urls.messages import Device, MessagePort

#: Source: Linux include/uapi/linux/usb/tmc.h, as encoded on x86 and ARM.
_CLEAR = 0x5B02
_SET_TIMEOUT = 0x40045B0A
_LEAST_MS = 100
_LARGEST = 65_536


class KernelDevice:
    """The device file itself, unbuffered: reading ahead would ask an instrument that has nothing to say.

    One write is one message. One read is one message too, or its first part where the buffer was too small.
    """

    def __init__(self) -> None:
        self._fd = -1

    def open(self, name: str) -> None:
        self._fd = os.open(name[len("usbtmc://") :], os.O_RDWR | getattr(os, "O_CLOEXEC", 0))

    def patience(self, seconds: float) -> None:
        self._control(_SET_TIMEOUT, struct.pack("I", max(_LEAST_MS, round(seconds * 1000))))

    def write(self, message: bytes) -> None:
        os.write(self._fd, message)

    def read(self) -> bytes:
        message = part = os.read(self._fd, _LARGEST)
        while len(part) == _LARGEST:
            part = os.read(self._fd, _LARGEST)
            message += part
        if not message:
            raise OSError(errno.ENODEV, os.strerror(errno.ENODEV))
        return message

    def clear(self) -> None:
        self._control(_CLEAR, b"")

    def close(self) -> None:
        fd, self._fd = self._fd, -1
        if fd >= 0:
            os.close(fd)

    def _control(self, request: int, argument: bytes) -> None:
        if sys.platform != "win32":
            import fcntl

            # An old kernel, or a file that stands in for the device, knows none of these.
            with suppress(OSError):
                fcntl.ioctl(self._fd, request, argument)


class Serial(MessagePort):
    """A port that is a USB test-and-measurement device."""

    def device(self) -> Device:
        """The kernel's."""
        return KernelDevice()
