"""A pyserial port over a device that moves whole messages instead of bytes: USBTMC, VISA.

The device is read only after a query, since reading one that has nothing to say is an error to it. Such a read blocks
in the driver and loses what came if it is cut short, so a thread does it, once for each query, and whoever reads the
port waits on that. The next message is written only when it is back: drivers serve one call at a time.
"""

from __future__ import annotations

import errno
import queue
import threading
from contextlib import suppress
from typing import TYPE_CHECKING, Protocol

import serial

from drivers.urls.pieces import LinelessPort

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer as Buffer


class Device(Protocol):
    """What is done with a device of messages. All raise OSError; ETIMEDOUT is silence, anything else a loss."""

    def open(self, name: str) -> None:
        """Open what the port's URL names."""

    def patience(self, seconds: float) -> None:
        """How long the next read waits."""

    def write(self, message: bytes) -> None:
        """Send one message."""

    def read(self) -> bytes:
        """One whole message; blocks."""

    def clear(self) -> None:
        """Abort what is under way, so that no late answer comes to the next question. Where it can't: nothing."""

    def close(self) -> None:
        """Let go of it."""


class MessagePort(LinelessPort):
    """The port; a subclass says which device."""

    patience = 2.0  #: how long the answer to the next query may take [s]

    def device(self) -> Device:
        """A device, not open yet."""
        raise NotImplementedError

    def open(self) -> None:
        """Open the device. Raises: SerialException with the system's error number, or PortError."""
        device = self.device()
        try:
            device.open(self.portstr or "")
        except OSError as exc:
            raise serial.SerialException(exc.errno, f"could not open {self.portstr}: {exc.strerror}") from exc
        self._device = device
        self._messages: queue.SimpleQueue[bytes | OSError] = queue.SimpleQueue()
        self._reader: threading.Thread | None = None
        self._rest = b""
        self.is_open = True

    @property
    def _reading(self) -> bool:
        return self._reader is not None and self._reader.is_alive()

    def close(self) -> None:
        """Close; a read still in the driver closes the device when it comes back, and never a stranger's."""
        if not self.is_open:
            return
        self.is_open = False
        if not self._reading:
            self._device.close()

    @property
    def in_waiting(self) -> int:
        """Bytes left of the message that was begun; 1 if another one is there."""
        return len(self._rest) or int(not self._messages.empty())

    def write(self, data: Buffer, /) -> int:
        """Send one message; after a query, its answer is read in the background."""
        message = bytes(data)
        if not self.is_open:
            raise serial.PortNotOpenError
        if self._reader is not None:
            self._reader.join(self.patience + 20.0)
        try:
            self._device.patience(self.patience)
            self._device.write(message)
        except OSError as exc:
            raise serial.SerialException(exc.errno, f"write failed: {exc}") from exc
        if b"?" in message:
            self._reader = threading.Thread(target=self._fetch, daemon=True)
            self._reader.start()
        return len(message)

    def _fetch(self) -> None:
        try:
            message = self._device.read()
            # The end of a message is told apart from its bytes; whoever reads lines must see one.
            self._messages.put(message if message.endswith(b"\n") else message + b"\n")
        except OSError as exc:
            if exc.errno == errno.ETIMEDOUT:
                with suppress(OSError):
                    self._device.clear()
            else:
                self._messages.put(exc)
        finally:
            if not self.is_open:
                self._device.close()

    def read(self, size: int = 1, /) -> bytes:
        """Up to `size` bytes of one message, waiting for it as long as the timeout says."""
        if not self.is_open:
            raise serial.PortNotOpenError
        if not self._rest:
            try:
                found = self._messages.get(timeout=self.timeout)
            except queue.Empty:
                return b""
            if isinstance(found, OSError):
                raise serial.SerialException(found.errno, f"read failed: {found}") from found
            self._rest = found
        data, self._rest = self._rest[:size], self._rest[size:]
        return data

    def reset_input_buffer(self) -> None:
        """Drop what was read."""
        self._rest = b""
        with suppress(queue.Empty):
            while not isinstance(self._messages.get_nowait(), OSError):
                continue
