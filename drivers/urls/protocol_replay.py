"""`replay://PATH?meter=ROLE&speed=N`: a wire log, played through pyserial as the meter sent it.

The `rx` bytes come at their recorded times (N times faster; `speed=0` as fast as read) and in the recorded pieces.
What followed a `tx` in the log comes only once the same bytes have been written: for each distinct request the answers
in their order, silence for a request that the log does not know. A log without `tx` rows runs free.

Whatever depends on time goes by recorded time: `Player.now()` and `Player.stamp`. At speed 0 waiting costs nothing: a
wait that nothing can end only moves the recorded clock.
"""

from __future__ import annotations

import csv
import re
import time
from array import array
from collections import deque
from collections.abc import Callable, Iterator
from pathlib import Path
from urllib.parse import parse_qsl, unquote

from drivers.opening import PortCallError
from drivers.port import PortError
from drivers.reading import reason_of
from drivers.urls.pieces import PiecePort

_COLUMNS = ("elapsed_s", "meter", "direction", "hex")
_CUT_LOG = 10.0  #: a log whose first row is later than this was cut from a longer one: its silence is not played [s]
_IDLE = 60.0  #: a log whose remaining answers nobody asked for in so long is at its end [s]


class WireLog:
    """One meter's part of a wire log, packed: hours of it stay a few megabytes."""

    def __init__(self) -> None:
        self.times = array("d")  #: of each rx piece
        self.ends = array("q", [0])  #: piece i is data[ends[i]:ends[i + 1]]
        self.data = bytearray()
        self.tx_times = array("d")
        self.tx_first = array("q")  #: the first piece after each tx row
        self.requests: dict[bytes, array[int]] = {}  #: distinct request -> its tx rows
        self.first_time = 0.0  #: of any meter's first row

    def add(self, elapsed: float, direction: str, data: bytes) -> None:
        """Take in one row."""
        if direction == "rx":
            if data:
                self.times.append(elapsed)
                self.data += data
                self.ends.append(len(self.data))
        else:
            self.requests.setdefault(data, array("q")).append(len(self.tx_times))
            self.tx_times.append(elapsed)
            self.tx_first.append(len(self.times))

    @property
    def last_time(self) -> float:
        """Recorded time of the last row."""
        return max(self.times[-1] if self.times else 0.0, self.tx_times[-1] if self.tx_times else 0.0)

    def piece(self, index: int) -> bytes:
        """The bytes of one rx row."""
        return bytes(self.data[self.ends[index] : self.ends[index + 1]])

    def answer(self, tx: int) -> tuple[int, int]:
        """The pieces between a tx row and the next one, as a range."""
        return self.tx_first[tx], self.tx_first[tx + 1] if tx + 1 < len(self.tx_first) else len(self.times)


def _cell(text: str) -> str:
    """A text cell without the sign that keeps a spreadsheet from reading it as a formula."""
    return text[1:] if text.startswith("'") else text


def _rows(path: Path) -> Iterator[tuple[float, str, str, bytes]]:
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.reader(file, strict=True)
            header = next(reader, [])
            missing = [column for column in _COLUMNS if column not in header]
            if missing:
                raise PortError(f"The wire log has no column {missing[0]}.", f"File {path}, row 1.",
                                f"Its columns are {', '.join(_COLUMNS)}.")  # fmt: skip
            places = [header.index(column) for column in _COLUMNS]
            for row in reader:
                if row:
                    yield _row(row, places, len(header), path, reader.line_num)
    except FileNotFoundError as exc:
        raise PortError(f"There is no wire log {path}.") from exc
    except (OSError, UnicodeDecodeError, csv.Error, ValueError) as exc:
        raise PortError(f"The wire log cannot be read: {reason_of(exc)}.", f"File {path}.") from exc


def _row(row: list[str], places: list[int], columns: int, path: Path, line: int) -> tuple[float, str, str, bytes]:
    def bad(what: str) -> PortError:
        return PortError(what, f"File {path}, row {line}.")

    if len(row) != columns:
        raise bad(f"A row of the wire log has {len(row)} cells instead of {columns}.")
    elapsed, meter, direction, text = (row[place] for place in places)
    direction = _cell(direction)
    try:
        seconds = float(elapsed)
        data = bytes.fromhex(_cell(text))
    except ValueError as exc:
        raise bad(f"A row of the wire log cannot be read: {reason_of(exc)}.") from exc
    if not 0 <= seconds < 1e9:
        raise bad(f"The time {elapsed!r} is not seconds since a start.")
    if direction not in ("rx", "tx"):
        raise bad(f"The direction {direction!r} is neither rx nor tx.")
    return seconds, _cell(meter), direction, data


def load(path: Path, meter: str = "") -> WireLog:
    """One meter's rows of a wire log. Raises: PortError: with file and row."""
    log = WireLog()
    roles: dict[str, None] = {}
    first: float | None = None
    wanted = meter
    for elapsed, role, direction, data in _rows(path):
        roles[role] = None
        wanted = wanted or role
        first = elapsed if first is None else min(first, elapsed)
        if role == wanted:
            if elapsed < log.last_time:
                raise PortError("The times of the wire log run backwards.", f"File {path}, at {elapsed} s.")
            log.add(elapsed, direction, data)
    listed = ", ".join(roles) or "none"
    if meter and meter not in roles:
        raise PortCallError(f"The wire log has no meter {meter!r}.", f"File {path}.", f"It has: {listed}.")
    if not meter and len(roles) > 1:
        raise PortCallError("The wire log has several meters.", f"File {path}.", f"Add ?meter= and one of: {listed}.")
    log.first_time = first or 0.0
    return log


class Player:
    """Plays a wire log: pieces out, requests in, recorded time throughout."""

    def __init__(
        self,
        log: WireLog,
        speed: float = 1.0,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._log, self._speed, self._clock, self._sleep = log, speed, clock, sleep
        self._origin = clock()
        self._start = log.first_time if log.first_time > _CUT_LOG else 0.0
        self._time = self._start  # recorded clock at speed 0
        self._next = dict.fromkeys(log.requests, 0)
        # Ranges of pieces that may come, each with what to add to their recorded times.
        self._ready: deque[tuple[int, int, float]] = deque()
        self._release(0, log.tx_first[0] if len(log.tx_first) else len(log.times), 0.0)
        self._given = 0
        self._written = b""
        self._asked = b""  # whose answer stands last in _ready
        self.stamp = self._start  #: recorded time of the piece given or the request known last
        self._active = self._start

    def _release(self, first: int, end: int, shift: float) -> None:
        if first < end:
            self._ready.append((first, end, shift))

    def now(self) -> float:
        """Recorded time now. [s]"""
        if self._speed == 0:
            return self._time
        return self._start + (self._clock() - self._origin) * self._speed

    @property
    def finished(self) -> bool:
        """Whether every piece was given, or nobody asks any more for those that are left."""
        if self._given >= len(self._log.times):
            return True
        return not self._ready and self.now() > max(self._log.last_time, self._active + _IDLE)

    def exhausted(self, request: bytes) -> bool:
        """Whether the log used to answer this request and has no answer left, nor one on its way."""
        rows = self._log.requests.get(request)
        if rows is None or self._next[request] < len(rows) or self._ready:
            return False
        return any(first < end for first, end in map(self._log.answer, reversed(rows)))

    def not_before(self, request: bytes) -> float:
        """When the recorded host sent this request next; a faster one waits, and so keeps the recorded pace. [s]"""
        rows = self._log.requests.get(request)
        if self._speed == 0 or rows is None or self._next[request] >= len(rows):
            return 0.0
        return self._log.tx_times[rows[self._next[request]]]

    def take(self, wait: float) -> bytes:
        """The next piece if it is due within `wait` recorded seconds, never two joined; else none.

        One real wait is at most as long as that in real time; at speed 0 there is none.
        """
        now = self.now()
        if not self._ready:
            self._pass(wait)
            return b""
        first, end, shift = self._ready[0]
        due = self._log.times[first] + shift
        if self._speed and due > now:
            self._pass(min(wait, due - now))
            if due - now > wait:
                return b""
        self._ready[0] = (first + 1, end, shift)
        if first + 1 == end:
            self._ready.popleft()
        self._given += 1
        self.stamp = self._log.times[first]
        self._time = max(self._time, self.stamp)
        self._active = max(self.now(), self.stamp)
        return self._log.piece(first)

    def _pass(self, wait: float) -> None:
        if self._speed:
            self._sleep(max(0.0, wait) / self._speed)
        else:
            self._time += max(0.0, wait)

    def write(self, data: bytes) -> None:
        """Take in a request; a known one releases its next answer.

        A request repeated before its answer came does not use up another answer.
        """
        self._written += data
        if self._written not in self._next:
            if not any(request.startswith(self._written) for request in self._next):
                self._written = data if any(request.startswith(data) for request in self._next) else b""
            if self._written not in self._next:
                return
        request, self._written = self._written, b""
        rows = self._log.requests[request]
        if (self._ready and request == self._asked) or self._next[request] >= len(rows):
            return
        self._asked = request
        tx = rows[self._next[request]]
        self._next[request] += 1
        self.stamp = self._log.tx_times[tx]
        self._time = max(self._time, self.stamp)
        self._active = max(self.now(), self.stamp)
        # The answer takes as long as it took then, counted from now.
        self._release(*self._log.answer(tx), self.now() - self.stamp if self._speed else 0.0)

    @property
    def waiting(self) -> int:
        """Bytes of the piece that is due now."""
        if not self._ready:
            return 0
        first, _, shift = self._ready[0]
        if self._speed and self._log.times[first] + shift > self.now():
            return 0
        return self._log.ends[first + 1] - self._log.ends[first]


def parse_url(url: str) -> tuple[Path, str, float]:
    """Path, meter and speed. Raises: PortError: an option that is not known, or a speed that is no number."""
    rest = url[len("replay://") :]
    text, mark, query = rest.partition("?") if "?" not in unquote(rest.rpartition("?")[0]) else rest.rpartition("?")
    options = dict(parse_qsl(query, keep_blank_values=True)) if mark else {}
    if unknown := sorted(options.keys() - {"meter", "speed"}):
        raise PortCallError(f"A replayed port has no option {unknown[0]!r}.", f"Port {url}.", "It has meter and speed.")
    try:
        speed = float(options.get("speed") or 1.0)
    except ValueError:
        speed = -1.0
    if not 0 <= speed < 1e6:
        raise PortCallError(f"The speed {options['speed']!r} is not a number from 0 up.", f"Port {url}.")
    if re.match(r"/[A-Za-z]:[/\\]", text):  # a Windows path as a URL writes it
        text = text[1:]
    if not text or "\0" in unquote(text):
        raise PortCallError("A replayed port needs the path of a wire log.", f"Port {url}.")
    path = Path(text) if Path(text).exists() else Path(unquote(text))
    return (path / "wire.csv" if path.is_dir() else path), options.get("meter", ""), speed


class Serial(PiecePort):
    """A port that plays a wire log."""

    def open(self) -> None:
        """Load the log and start its clock. Raises: PortError."""
        path, meter, speed = parse_url(self.portstr or "")
        self.player = Player(load(path, meter), speed)
        self._rest = b""
        self.is_open = True

    @property
    def in_waiting(self) -> int:
        """Bytes left of the current piece, or of the one that is due."""
        return len(self._rest) or self.player.waiting

    @property
    def recorded(self) -> float:
        """Recorded time of the last piece. [s]"""
        return self.player.stamp

    @property
    def finished(self) -> bool:
        """Whether the log was played to its end and read."""
        return not self._rest and self.player.finished

    def _piece(self) -> bytes:
        player = self.player
        if self.timeout is not None:
            return player.take(self.timeout * (player._speed or 1.0))
        while not (data := player.take(1.0)) and not player.finished:
            continue
        return data

    def _send(self, data: bytes) -> None:
        self.player.write(data)
