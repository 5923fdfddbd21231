"""Simulated instruments for tests: they fail as real ones do, and answer in awkward pieces.

An instrument is only text in, text out; `PtyEnd` and `TcpEnd` put it behind a real pseudo-terminal or socket, in a
thread of its own.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from typing import Protocol

UNKNOWN = '-113,"Undefined header"'
INTERRUPTED = '-410,"Query INTERRUPTED"'


class Instrument(Protocol):
    """Bytes in, pieces of bytes out."""

    def take(self, data: bytes) -> list[bytes]:
        """What it sends upon these bytes, in the pieces in which it sends them."""


class ScpiInstrument:
    """A minimal bench meter: `*IDN?`, `CONF`, `READ?`, `MEAS`, `SYST:ERR?`; silent on anything else, with -113 queued.

    Args:
        values: what READ? gives, one after the other, as sent; the last one for ever.
        interrupted: the numbers of those READ? (from 0) whose answer is lost, with -410 queued.
        unknown: headers that this one does not know although others do.
        piece: answers leave in pieces of this many bytes.
    """

    def __init__(
        self,
        values: Sequence[str] = ("+1.00000000E+00",),
        *,
        interrupted: Sequence[int] = (),
        unknown: Sequence[str] = (),
        piece: int = 3,
        end: str = "\r\n",
        quiet_errors: bool = False,
    ) -> None:
        self.values, self.interrupted, self.unknown = list(values), set(interrupted), tuple(unknown)
        self.piece, self.end, self.quiet_errors = piece, end, quiet_errors
        self.heard: list[str] = []
        self.errors: deque[str] = deque()
        self.function = "VOLT:DC"
        self.samples = 1
        self.reads = 0
        self._pending = b""

    def take(self, data: bytes) -> list[bytes]:
        self._pending += data
        out: list[bytes] = []
        while b"\n" in self._pending:
            line, _, self._pending = self._pending.partition(b"\n")
            answer = self.answer(line.decode("latin-1").strip())
            if answer:
                raw = (answer + self.end).encode()
                out += [raw[at : at + self.piece] for at in range(0, len(raw), self.piece)]
        return out

    def answer(self, message: str) -> str:
        """The answer to one message, or "" for none."""
        self.heard.append(message)
        head, _, rest = message.upper().partition(" ")
        if any(head.startswith(word) for word in self.unknown):
            head = "?"
        match head:
            case "*IDN?":
                return "BENCH WORKS,METER 5,0,1.0"
            case "*CLS":
                self.errors.clear()
            case "SYST:ERR?":
                return "" if self.quiet_errors else (self.errors.popleft() if self.errors else '+0,"No error"')
            case "SAMP:COUN":
                self.samples = int(rest)
            case "READ?":
                return self._read()
            case _ if head.startswith("CONF:"):
                self.function, self.samples = head.removeprefix("CONF:"), 1
            case _ if head.startswith("MEAS:"):
                self.function, self.samples = head.removeprefix("MEAS:").rstrip("?"), 1
                return self._read()
            case _:
                self.errors.append(UNKNOWN)
        return ""

    def _read(self) -> str:
        number, self.reads = self.reads, self.reads + 1
        if number in self.interrupted:
            self.errors.append(INTERRUPTED)
            return ""
        return ",".join(self._value() for _ in range(self.samples))

    def _value(self) -> str:
        return self.values.pop(0) if len(self.values) > 1 else self.values[0]


class _End:
    """A thread that moves bytes between a descriptor and an instrument."""

    def __init__(self, instrument: Instrument) -> None:
        self.instrument = instrument
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def _run(self) -> None:
        raise NotImplementedError

    def _serve(self, descriptor: int) -> None:
        while not self._stop.is_set():
            if not select.select([descriptor], [], [], 0.02)[0]:
                continue
            try:
                data = os.read(descriptor, 4096)
            except OSError:
                return
            if not data:
                return
            for piece in self.instrument.take(data):
                with contextlib.suppress(OSError):
                    os.write(descriptor, piece)

    def close(self) -> None:
        """End the thread."""
        self._stop.set()
        self._thread.join(5)


class PtyEnd(_End):
    """An instrument behind a pseudo-terminal; `name` is the port to open."""

    def __init__(self, instrument: Instrument) -> None:
        super().__init__(instrument)
        self.master, slave = os.openpty()
        self.name = os.ttyname(slave)
        self._slave = slave  # kept, so that the far end's closing and opening are not a hang-up
        self._thread.start()

    def _run(self) -> None:
        self._serve(self.master)

    def close(self) -> None:
        super().close()
        os.close(self.master)
        os.close(self._slave)


class TcpEnd(_End):
    """An instrument behind a TCP port; `name` is the URL to open."""

    def __init__(self, instrument: Instrument, port: int = 0) -> None:
        super().__init__(instrument)
        self._listener = socket.create_server(("127.0.0.1", port))
        self.port: int = self._listener.getsockname()[1]
        self.name = f"socket://127.0.0.1:{self.port}"
        self._thread.start()

    def _run(self) -> None:
        self._listener.settimeout(0.02)
        while not self._stop.is_set():
            try:
                connection, _ = self._listener.accept()
            except OSError:
                continue
            with connection:
                connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self._serve(connection.fileno())

    def close(self) -> None:
        super().close()
        self._listener.close()


@contextlib.contextmanager
def behind(kind: Callable[[Instrument], _End], instrument: Instrument) -> Iterator[str]:
    """The port name of an instrument behind a pty or a socket."""
    end = kind(instrument)
    try:
        yield end.name  # type: ignore[attr-defined]  # both kinds have one
    finally:
        end.close()


class Rfc2217End(_End):
    """A free-running line behind a telnet COM port server (RFC 2217); `name` is the URL to open."""

    def __init__(self, instrument: Instrument) -> None:
        super().__init__(instrument)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.name = f"rfc2217://127.0.0.1:{self._listener.getsockname()[1]}"
        self._thread.start()

    def _run(self) -> None:
        import serial
        from serial.rfc2217 import PortManager

        self._listener.settimeout(5)
        connection, _ = self._listener.accept()

        class Outward:
            def write(self, data: bytes) -> None:
                connection.sendall(data)

        line = serial.serial_for_url("loop://", timeout=0)
        manager = PortManager(line, Outward())  # type: ignore[arg-type]  # the stubs name too narrow a class for both
        with connection:
            connection.settimeout(0.02)
            while not self._stop.is_set():
                try:
                    data = connection.recv(1024)
                except TimeoutError:
                    continue
                except OSError:
                    return
                if not data:
                    return
                plain = b"".join(manager.filter(data))
                for piece in self.instrument.take(plain):
                    connection.sendall(b"".join(manager.escape(piece)))

    def close(self) -> None:
        super().close()
        self._listener.close()
