"""Speed of recording, beside a bare loop on the same bytes in the same run: `python -m tests.bench_recorder`.

The bytes come from a process of their own through pseudo-terminals, as from meters.
"""

from __future__ import annotations

import csv
import os
import select
import subprocess
import sys
import tempfile
import threading
import time
import tty
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path

from drivers.meter import Meter
from drivers.profile import load
from drivers.reading import Reading
from logger.recorder import Recorder, Tags, now_utc
from logger.session import SessionHeader, SessionWriter

LINES = 400_000
_FEED = (
    "import os,sys,time\n"
    "fd,path,pace=int(sys.argv[1]),sys.argv[2],float(sys.argv[3])\n"
    "data=open(path,'rb').read()\n"
    "piece=int(sys.argv[4])\n"
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

    def __init__(self, path: Path, pace: float = 0.0, piece: int = 3000) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.port = os.ttyname(self._slave)
        self._process = subprocess.Popen(
            [sys.executable, "-c", _FEED, str(self._master), str(path), str(pace), str(piece)], stdin=subprocess.PIPE,
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


#: 3 Mbaud, ten bits a byte. [bytes/s]
FAST_PORT = 300_000


def four_fast_ports() -> bool:
    """Four ports at 3 Mbaud's pace: whether every line came."""
    count = 60_000
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        data = folder / "lines.txt"
        data.write_bytes(lines(count))
        feeds = [Feed(data, FAST_PORT) for _ in range(4)]
        recording = Recording(folder, [feed.port for feed in feeds])
        begin = time.monotonic()
        for feed in feeds:
            feed.go()
        rows = 4 * (count - 1)
        taken = recording.until(rows, 30) - begin
        got = recording.writer.rows
        recording.close()
        for feed in feeds:
            feed.close()
    least = data_seconds(count)
    print(f"four ports at {FAST_PORT:,} bytes/s: {got:,} of {rows:,} rows in {taken:.2f} s ({least:.2f} s to send)")
    return got == rows


def data_seconds(count: int) -> float:
    """How long so many lines take at the fast pace. [s]"""
    return len(lines(count)) / FAST_PORT


_HANDHELD = """
import sys, time
from pathlib import Path
import psutil
from tests.bench_recorder import Recording
recording = Recording(Path(sys.argv[1]), [sys.argv[2]])
process = psutil.Process()
time.sleep(1.0)
before, begin = process.cpu_times(), time.monotonic()
time.sleep(float(sys.argv[3]))
after, end = process.cpu_times(), time.monotonic()
recording.close()
used = after.user + after.system - before.user - before.system
print(used / (end - begin), process.memory_info().rss, recording.recorder.counters.rows)
"""


def handheld() -> tuple[float, float]:
    """A meter of four readings a second: share of one core, and memory in MB."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        data = folder / "lines.txt"
        data.write_bytes(lines(10_000))
        feed = Feed(data, 44.0, piece=11)
        feed.go()
        done = subprocess.run([sys.executable, "-c", _HANDHELD, name, feed.port, "10"], check=True,
                              capture_output=True, text=True)  # fmt: skip
        feed.close()
    share, size, rows = (float(text) for text in done.stdout.split())
    print(f"four readings a second: {100 * share:.2f} % of a core (wanted: 1), {size / 1e6:.1f} MB (wanted: 60), "
          f"{rows:.0f} rows")  # fmt: skip
    return share, size / 1e6


class _Ear:
    """Notes when each reading is heard."""

    def __init__(self) -> None:
        self.heard: dict[float, float] = {}

    def readings(self, role: str, readings: Sequence[Reading], tags: Mapping[str, str]) -> None:
        now = time.monotonic()
        if role == "m0":
            for reading in readings:
                self.heard[reading.value or 0.0] = now

    def event(self, role: str, kind: str, elapsed: float, detail: Mapping[str, str]) -> None:
        """Events are not measured."""


def _percentile(values: list[float], share: float) -> float:
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


def _ping(master: int, count: int, heard: Callable[[int], float | None]) -> list[float]:
    """Send numbered lines, some 300 a second; from the last byte's writing to when each was heard. [s]"""
    sent = {}
    for n in range(count):
        line = b"%d V ac\n" % (n + 1)
        sent[n + 1] = time.monotonic()
        os.write(master, line)
        time.sleep(0.003)
    time.sleep(0.2)
    return [at - moment for n, moment in sent.items() if (at := heard(n)) is not None]


def latency(count: int = 1500) -> float:
    """p99 from a frame's last byte to the listener, with two more meters running, beside a bare blocking read. [s]"""
    master, slave = os.openpty()
    tty.setraw(slave)
    heard: dict[int, float] = {}

    def bare_reader() -> None:
        while data := os.read(slave, 4096):
            now = time.monotonic()
            for part in data.split(b"\n"):
                if part and part != b"0 end":
                    heard[int(part.split()[0])] = now
            if b"0 end" in data:
                return

    reader = threading.Thread(target=bare_reader)
    reader.start()
    base = _ping(master, count, heard.get)
    os.write(master, b"0 end\n")
    reader.join()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        data = folder / "lines.txt"
        data.write_bytes(lines(100_000))
        others = [Feed(data, 20_000.0, piece=110) for _ in range(2)]
        ear = _Ear()
        recording = Recording(folder, [os.ttyname(slave), *(feed.port for feed in others)], listener=ear)
        for feed in others:
            feed.go()
        mine = _ping(master, count, lambda n: ear.heard.get(float(n)))
        recording.close()
        for feed in others:
            feed.close()
    os.close(master)
    os.close(slave)
    for label, values in (("to a bare read", base), ("to the listener", mine)):
        p50, p99 = (1e3 * _percentile(values, share) for share in (0.5, 0.99))
        print(f"last byte {label:18} p50 {p50:.3f} ms, p99 {p99:.3f} ms ({len(values)} lines)")
    return _percentile(mine, 0.99)


def main() -> None:
    """All figures; the exit status says whether each is what is wanted."""
    ratio = speed()
    whole = four_fast_ports()
    p99 = latency()
    share, size = handheld()
    if ratio < 1 / 3 or not whole or p99 > 0.010 or share > 0.01 or size > 60:
        sys.exit(1)


if __name__ == "__main__":
    main()
