"""`lead://HEX?dtr=0&rts=1`: a meter behind an optical lead that takes its supply from the handshake lines.

It repeats the bytes of HEX while the lines are as the URL says, and is silent otherwise. What is written to it is kept.
"""

from __future__ import annotations

from urllib.parse import parse_qsl

import serial

written: list[bytes] = []


class Serial(serial.SerialBase):
    """The port."""

    reads_pieces = True

    def open(self) -> None:
        text, _, query = (self.portstr or "")[len("lead://") :].partition("?")
        wanted = dict(parse_qsl(query))
        self.data = bytes.fromhex(text)
        self.powered = all(
            bool(int(wanted[name])) == state for name, state in (("dtr", self.dtr), ("rts", self.rts)) if name in wanted
        )
        self.is_open = True

    def close(self) -> None:
        self.is_open = False

    @property
    def in_waiting(self) -> int:
        return len(self.data) if self.powered else 0

    def read(self, size: int = 1, /) -> bytes:
        return self.data[:size] if self.powered else b""

    def write(self, data: object, /) -> int:
        written.append(bytes(data))  # type: ignore[call-overload]  # bytes in every test
        return len(written[-1])

    def _reconfigure_port(self) -> None: ...

    def _update_dtr_state(self) -> None: ...

    def _update_rts_state(self) -> None: ...
