"""pyserial ports that are no serial line: nothing to set, and bytes that come in pieces."""

from __future__ import annotations

from typing import TYPE_CHECKING

import serial

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer as Buffer


class LinelessPort(serial.SerialBase):
    """A port without speed and handshake lines; one read never joins two pieces."""

    reads_pieces = True

    def reset_output_buffer(self) -> None:
        """Nothing waits to be sent."""

    def _reconfigure_port(self) -> None: ...

    def _update_dtr_state(self) -> None: ...

    def _update_rts_state(self) -> None: ...


class PiecePort(LinelessPort):
    """A port to a meter in this process; a subclass opens it, and says where pieces come from and bytes go."""

    _rest = b""  #: of the piece that was begun

    def _piece(self) -> bytes:
        """The next piece, after as long a wait as the timeout says; none if nothing came."""
        raise NotImplementedError

    def _send(self, data: bytes) -> None:
        raise NotImplementedError

    def close(self) -> None:
        """Nothing is held open."""
        self.is_open = False

    def read(self, size: int = 1, /) -> bytes:
        """Up to `size` bytes of one piece, waiting for it as long as the timeout says."""
        if not self.is_open:
            raise serial.PortNotOpenError
        if not self._rest:
            self._rest = self._piece()
        data, self._rest = self._rest[:size], self._rest[size:]
        return data

    def write(self, data: Buffer, /) -> int:
        """Hand bytes to the meter."""
        if not self.is_open:
            raise serial.PortNotOpenError
        sent = bytes(data)
        self._send(sent)
        return len(sent)

    def reset_input_buffer(self) -> None:
        """Drop the rest of the piece that was begun; what is not due yet stays."""
        self._rest = b""
