"""Speed of recording, each figure beside a bare loop on the same bytes in the same run: `python -m tests.bench_recorder`.

The bytes come from a process of their own through pseudo-terminals, as from meters.
"""

from __future__ import annotations

import csv
import os
import select
import subprocess
import sys
import tempfile
import time
import tty
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path

from drivers.meter import Meter
from drivers.profile import load
from logger.recorder import Recorder, Tags, now_utc
from logger.session import SessionHeader, SessionWriter

LINES = 400_000
_FEED = (
    "import os,sys,time\n"
    "fd,path,pace=int(sys.argv[1]),sys.argv[2],float(sys.argv[3])\n"
    "data=open(path,'rb').read()\n"
    "piece=3000\n"
    "sys.stdin.readline()\n"
    "start=time.monotonic()\n"
    "for n,at in enumerate(range(0,len(data),piece)):\n"
    "    part=data[at:at+piece]\n"
    "    wait=start+n*piece/pace-time.monotonic() if pace else 0\n"
    "    if wait>0: time.sleep(wait)\n"
    "    while part: part=part[os.write(fd,part):]\n"
)


def lines(count: int) -> bytes:
    """A meter's lines: five digits, coupling and unit."""
    return b"".join(b"%.2f V ac\n" % (100 + n % 10_000 / 100) for n in range(count))


class Feed:
    """A process that sends a file through a pseudo-terminal, as fast as it is read or at a pace in bytes a second."""

    def __init__(self, path: Path, pace: float = 0.0) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.port = os.ttyname(self._slave)
        self._process = subprocess.Popen(
            [sys.executable, "-c", _FEED, str(self._master), str(path), str(pace)], stdin=subprocess.PIPE,
            pass_fds=(self._master,),
        )  # fmt: skip

    def go(self) -> None:
        """Begin."""
        assert self._process.stdin is not None
        self._process.stdin.write(b"\n")
        self._process.stdin.flush()

    def close(self) -> None:
        """End it."""
        self._process.kill()
        self._process.wait()
        assert self._process.stdin is not None
        self._process.stdin.close()
        os.close(self._master)
        os.close(self._slave)


def bare(folder: Path, data: Path, count: int) -> float:
    """Lines a second of the least that could be done: read, split, float, a stamp a line, rows, flush, sync."""
    feed = Feed(data)
    descriptor = os.open(feed.port, os.O_RDONLY | os.O_NOCTTY)
    done, rest = 0, b""
    with (folder / "bare.csv").open("w", newline="") as file:
        writer = csv.writer(file)
        feed.go()
        begin = time.monotonic()
        flushed = synced = begin
        while done < count:
            if select.select([descriptor], [], [], 0.1)[0]:
                parts = (rest + os.read(descriptor, 65536)).split(b"\n")
                rest = parts.pop()
                for part in parts:
                    value, unit, coupling = part.split()
                    now = time.time()
                    stamp = datetime.fromtimestamp(now, UTC).isoformat()
                    writer.writerow((stamp, now - begin, "v", "voltage", coupling, float(value), unit, "ok"))
                done += len(parts)
            now = time.monotonic()
            if now - flushed > 0.1:
                file.flush()
                flushed = now
            if now - synced > 1:
                os.fsync(file.fileno())
                synced = now
        file.flush()
        taken = time.monotonic() - begin
    os.close(descriptor)
    feed.close()
    return done / taken


class Recording:
    """Meters on ports into a session, without a command line."""

    def __init__(self, folder: Path, ports: Sequence[str], listener: object = None, profile: str = "text-line") -> None:
        zero = time.monotonic()
        self.clock: Callable[[], float] = lambda: time.monotonic() - zero
        self.tags = Tags()
        self.writer = SessionWriter(folder, SessionHeader(radio="bench", start=now_utc()))
        loaded = load(profile)
        meters = [Meter(f"m{n}", loaded, port, clock=self.clock) for n, port in enumerate(ports)]
        self.recorder = Recorder(self.writer, meters, self.tags, clock=self.clock, listener=listener)  # type: ignore[arg-type]  # a listener or none
        for meter in meters:
            self.recorder.accept(meter.role, meter.open())
        self.tags.set({"point": "chassis", "plug": "1", "switch": "on"}, 0.0)
        self.recorder.start()

    def until(self, rows: int, patience: float = 60.0) -> float:
        """Wait until so many rows are written; the moment."""
        deadline = time.monotonic() + patience
        while self.writer.rows < rows and time.monotonic() < deadline:
            time.sleep(0.005)
        return time.monotonic()

    def close(self) -> None:
        """End it properly."""
        self.recorder.finish()
        self.writer.close(now_utc())


def product(folder: Path, data: Path, count: int) -> float:
    """Readings a second of this program on the same bytes."""
    feed = Feed(data)
    recording = Recording(folder, [feed.port])
    begin = time.monotonic()
    feed.go()
    rows = count - 1  # the first line may have lost its head
    taken = recording.until(rows) - begin
    got = recording.writer.rows
    recording.close()
    feed.close()
    if got != rows:
        raise SystemExit(f"LOST: {got} of {rows} rows")
    return got / taken


def speed() -> float:
    """The product's speed as a fraction of the bare loop's."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        data = folder / "lines.txt"
        data.write_bytes(lines(LINES))
        base = max(bare(folder, data, LINES) for _ in range(2))
        mine = max(product(folder, data, LINES) for _ in range(2))
    print(f"bare loop {base:,.0f} lines/s, recorded {mine:,.0f} readings/s: {mine / base:.2f} of it (wanted: 0.33)")
    return mine / base


def main() -> None:
    """All figures."""
    speed()


if __name__ == "__main__":
    main()
