"""The recorder with meters that do as they are told, a clock that is handed in, and a disk that refuses.

Longer than other files, since its meters, clock and disk are the same stand-ins throughout.
"""

from __future__ import annotations

import csv
import errno
import io
import json
import os
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from itertools import chain, repeat
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.readings import unescape
from analysis.table import load_session, parse_detail
from drivers.faults import MeterEvent
from drivers.meter import Batch
from drivers.port import WirePiece
from drivers.reading import Coupling, Quantity, Reading, Status
from logger.backlog import Backlog
from logger.cells import cell, stamp
from logger.recorder import Recorder, Tags
from logger.recording import Listener
from logger.rows import Rows
from logger.session import SessionError, SessionHeader, SessionWriter, event_line, reading_line

START = datetime(2026, 3, 2, 14, 25, 1, tzinfo=UTC)


def volts(elapsed: float, value: float | None = 117.4, flags: tuple[str, ...] = ()) -> Reading:
    """A reading; without a value, an overload."""
    status = Status.OVERLOAD if value is None else Status.OK
    return Reading(
        elapsed=elapsed,
        quantity=Quantity.VOLTAGE,
        coupling=Coupling.AC,
        status=status,
        unit="V",
        value=value,
        u=0.6,
        range=600.0,
        resolution=0.1,
        flags=flags,
    )


class ToldMeter:
    """Gives the batches it was told to give, one a call."""

    def __init__(self, role: str, batches: Sequence[Batch]) -> None:
        self.role = role
        self._batches = list(batches)

    @property
    def finished(self) -> bool:
        return not self._batches

    def read(self) -> Batch:
        return self._batches.pop(0)

    def close(self) -> Batch:
        return Batch(readings=[], events=[], wire=[])


def batch(*readings: Reading) -> Batch:
    return Batch(readings=list(readings), events=[], wire=[])


class Heard:
    """A listener that keeps what it hears."""

    def __init__(self) -> None:
        self.rows: list[tuple[str, Reading, Mapping[str, str]]] = []
        self.events: list[tuple[str, Mapping[str, str]]] = []

    def readings(self, role: str, readings: Sequence[Reading], tags: Mapping[str, str]) -> None:
        self.rows += [(role, reading, tags) for reading in readings]

    def event(self, role: str, kind: str, elapsed: float, detail: Mapping[str, str]) -> None:
        self.events.append((kind, detail))


def record(
    folder: Path, *meters: ToldMeter, tags: Tags | None = None, listener: Listener | None = None,
    write: Callable[[int, memoryview], int] = os.write, clock: Callable[[], float] = lambda: 0.0,
    wall: Callable[[], float] | None = None, in_order: bool = False, count: int | None = None,
    until: float | None = None,
) -> tuple[Recorder, SessionWriter]:  # fmt: skip
    """Record until the meters are done; the session is not closed yet."""
    folder.mkdir(exist_ok=True)
    tags = tags or Tags()
    writer = SessionWriter(folder, SessionHeader(radio="set-5", start=START), write=write)
    recorder = Recorder(
        writer, meters, tags, clock=clock, wall=wall, listener=listener, in_order=in_order, count=count, until=until
    )
    recorder.start()
    while recorder.running:
        time.sleep(0.001)
    recorder.finish()
    return recorder, writer


def table(writer: SessionWriter, name: str = "readings") -> list[dict[str, str]]:
    with (writer.folder / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_each_reading_becomes_a_row_with_the_tags_that_were_in_force_when_it_arrived(tmp_path: Path) -> None:
    tags = Tags()
    tags.set({"point": "chassis", "plug": "1"}, 0.0)
    tags.set({"point": "chassis", "plug": "2"}, 1.5)
    heard = Heard()
    meter = ToldMeter("v", [batch(volts(1.0), volts(1.4), volts(1.5), volts(2.0, None))])

    _, writer = record(tmp_path, meter, tags=tags, listener=heard)
    writer.close(START)

    rows = table(writer)
    assert [row["plug"] for row in rows] == ["1", "1", "2", "2"]
    assert [tags["plug"] for _, _, tags in heard.rows] == ["1", "1", "2", "2"]
    assert rows[0]["time"] == "2026-03-02T14:25:02.000000Z" and rows[0]["elapsed_s"] == "1.000000"
    assert [row["value"] for row in rows] == ["117.4", "117.4", "117.4", ""]
    assert rows[3]["status"] == "overload" and {row["unit"] for row in rows} == {"V"}


def test_wire_logs_that_are_played_without_waiting_are_written_in_order_of_time(tmp_path: Path) -> None:
    v = ToldMeter("v", [batch(volts(n * 1.0)) for n in range(1, 6)])
    i = ToldMeter("i", [batch(volts(n * 1.0 + 0.5)) for n in range(1, 6)])

    _, writer = record(tmp_path, v, i, in_order=True)
    writer.close(START)

    times = [float(row["elapsed_s"]) for row in table(writer)]
    assert times == [1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 4.5, 5.0, 5.5]


def test_a_number_of_readings_or_a_time_ends_the_recording_exactly(tmp_path: Path) -> None:
    twelve = [batch(volts(n / 2), volts(n / 2 + 0.25)) for n in range(6)]
    _, writer = record(tmp_path / "count", ToldMeter("v", twelve), count=3)
    writer.close(START)
    assert [row["elapsed_s"] for row in table(writer)] == ["0.000000", "0.250000", "0.500000"]

    twelve = [batch(volts(n / 2), volts(n / 2 + 0.25)) for n in range(6)]
    _, writer = record(tmp_path / "until", ToldMeter("v", twelve), until=1.0)
    writer.close(START)
    assert float(table(writer)[-1]["elapsed_s"]) == 1.0


class Wall:
    """A wall clock and a monotonic one that the test moves."""

    def __init__(self) -> None:
        self.elapsed, self.ahead = 0.0, 0.0

    def clock(self) -> float:
        return self.elapsed

    def wall(self) -> float:
        return START.timestamp() + self.elapsed + self.ahead


def test_a_step_of_the_wall_clock_is_an_event_and_no_jump_in_elapsed_time(tmp_path: Path) -> None:
    tmp_path.mkdir(exist_ok=True)
    time_of_day = Wall()
    writer = SessionWriter(tmp_path, SessionHeader(radio="set-5", start=START))
    recorder = Recorder(writer, [], Tags(), clock=time_of_day.clock, wall=time_of_day.wall)
    recorder._take("v", batch(volts(1.0)))
    time_of_day.elapsed, time_of_day.ahead = 1.1, 3600.0
    recorder._check_wall()
    recorder._take("v", batch(volts(1.2)))
    recorder._flush()
    writer.close(START)

    rows = table(writer)
    assert [row["elapsed_s"] for row in rows] == ["1.000000", "1.200000"]
    assert rows[1]["time"] == "2026-03-02T15:25:02.200000Z"
    assert [(e["kind"], e["detail"]) for e in table(writer, "events")] == [("clock-step", "step_s=3600.000")]


def test_a_slow_drift_of_the_wall_clock_is_followed_without_an_event_and_never_backwards(tmp_path: Path) -> None:
    """A clock that is slewed by 100 ppm is 2.9 s off after eight hours; that is no step."""
    time_of_day = Wall()
    writer = SessionWriter(tmp_path, SessionHeader(radio="set-5", start=START))
    recorder = Recorder(writer, [], Tags(), clock=time_of_day.clock, wall=time_of_day.wall)
    for second in range(0, 8 * 3600, 10):
        time_of_day.elapsed, time_of_day.ahead = float(second), -1e-4 * second
        recorder._check_wall()
        recorder._take("v", batch(volts(second), volts(second + 0.001)))
    recorder._flush()
    writer.close(START)

    times = [row["time"] for row in table(writer)]
    assert times == sorted(times) and not table(writer, "events")
    assert times[-2] == stamp(START.timestamp() + 28790 * (1 - 1e-4))


def test_a_pause_between_reading_the_two_clocks_is_no_step(tmp_path: Path) -> None:
    """The lid closes between them: a minute goes by on one and not on the other."""
    writer = SessionWriter(tmp_path, SessionHeader(radio="set-5", start=START))
    moments = chain([1.0], repeat(61.0))
    recorder = Recorder(writer, [], Tags(), clock=lambda: next(moments), wall=lambda: START.timestamp() + 61.0)
    recorder._check_wall()
    recorder._flush()
    writer.close(START)

    assert not table(writer, "events")


def test_a_full_backlog_makes_the_reader_wait_and_nothing_is_lost() -> None:
    backlog: Backlog[int] = Backlog(10)
    waits: list[bool] = []

    def put() -> None:
        waits.extend(backlog.put(n, 4) for n in range(8))

    reader = threading.Thread(target=put)
    reader.start()
    got: list[int] = []
    while len(got) < 8:
        item = backlog.get(5.0)
        assert item is not None
        got.append(item)
    reader.join()

    assert got == list(range(8)) and backlog.get(0.0) is None and len(waits) == 8


def test_a_disk_slower_than_the_meters_costs_no_row(tmp_path: Path) -> None:
    """Each write takes 20 ms; the reader is held up, is counted, and every row is there."""

    def slow(descriptor: int, data: memoryview) -> int:
        time.sleep(0.02)
        return os.write(descriptor, data)

    many = [batch(*[volts(n + k / 1000) for k in range(500)]) for n in range(60)]
    recorder, writer = record(tmp_path, ToldMeter("v", many), write=slow)
    writer.close(START)

    assert recorder.counters.rows == writer.rows == len(table(writer)) == 30_000
    assert recorder.counters.waits > 0


class FullDisk:
    """A disk that takes half of a write and then refuses, until there is room again."""

    def __init__(self, room: int) -> None:
        self.room = room

    def __call__(self, descriptor: int, data: memoryview) -> int:
        if self.room <= 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        taken = os.write(descriptor, data[: self.room])
        self.room -= taken
        return taken


def test_a_full_disk_is_told_once_and_what_was_written_stays_whole(tmp_path: Path) -> None:
    heard = Heard()
    many = [batch(*[volts(n + k / 100) for k in range(10)]) for n in range(50)]
    recorder, writer = record(tmp_path, ToldMeter("v", many), write=FullDisk(2500), listener=heard)

    assert [kind for kind, _ in heard.events] == ["disk"]
    assert "space" in heard.events[0][1]["reason"] and "space" in recorder.counters.disk
    assert recorder.unwritten == 500 and len(heard.rows) == 500  # the alarm's ear went on hearing
    raw = (writer.folder / "readings.csv").read_bytes()
    assert raw.endswith(b"\r\n") and len(list(csv.reader(io.StringIO(raw.decode())))) == writer.rows + 1
    writer.close(START, unwritten=recorder.unwritten)
    told = json.loads((writer.folder / "datapackage.json").read_text())
    assert "close" not in told and told["unwritten"] == 500


def test_a_disk_that_takes_rows_again_gets_all_of_them_and_the_refusal_is_in_the_events(tmp_path: Path) -> None:
    disk = FullDisk(2500)
    writer = SessionWriter(tmp_path, SessionHeader(radio="set-5", start=START), write=disk)
    recorder = Recorder(writer, [], Tags(), clock=lambda: 7.0, wall=None)
    for n in range(50):
        recorder._take("v", batch(*[volts(n + k / 100) for k in range(10)]))
        recorder._flush()
    assert recorder.unwritten > 0
    disk.room = 10**9
    recorder._flush()
    recorder._flush()
    writer.close(START)

    assert [row["elapsed_s"] for row in table(writer)] == [f"{n + k / 100:.6f}" for n in range(50) for k in range(10)]
    (event,) = table(writer, "events")
    assert event["kind"] == "disk" and "reason=" in event["detail"] and "until=" in event["detail"]


def test_a_screen_that_fails_does_not_end_the_recording(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    class Broken(Heard):
        def readings(self, role: str, readings: Sequence[Reading], tags: Mapping[str, str]) -> None:
            raise OSError(errno.EIO, "the terminal is gone")

    _, writer = record(tmp_path, ToldMeter("v", [batch(volts(n * 1.0)) for n in range(9)]), listener=Broken())
    writer.close(START)

    assert len(table(writer)) == 9 and len(caplog.records) == 1


def test_a_meter_whose_code_fails_is_told_and_the_others_go_on(tmp_path: Path) -> None:
    class Failing(ToldMeter):
        def read(self) -> Batch:
            raise RuntimeError("a fault of ours")

    recorder, writer = record(tmp_path, Failing("v", [batch(volts(1.0))]), ToldMeter("i", [batch(volts(1.0))] * 5))
    writer.close(START)

    assert recorder.lost == {"v"} and {row["meter"] for row in table(writer)} == {"i"}
    assert [(e["kind"], e["meter"]) for e in table(writer, "events")] == [("port-lost", "v")]


def test_a_fast_line_is_the_plain_line() -> None:
    """The row writer keeps what rows share; its lines are those that are formatted one by one."""
    readings = [
        volts(0.5), volts(0.5, 117.5), volts(1.0, None), volts(1.1, 0.1, flags=("auto", "low-battery")),
        Reading(elapsed=1.2, quantity=Quantity.RESISTANCE, status=Status.HELD, unit="Ohm", value=1e-5),
        Reading(elapsed=1.3, quantity=Quantity.RESISTANCE, status=Status.INVALID, unit="Ohm"), volts(2.25, -0.0),
    ]  # fmt: skip
    wall = START.timestamp()

    fast = Rows("v").lines(readings, wall, ",chassis,1")

    assert fast == [reading_line(each, stamp(wall + each.elapsed), "v", ",chassis,1") for each in readings]


class SlowToClose(ToldMeter):
    """Has one more reading in hand when it is closed, and takes its time to let go of its port."""

    def __init__(self, noted: threading.Event) -> None:
        super().__init__("v", [])
        self._noted = noted

    @property
    def finished(self) -> bool:
        return False

    def read(self) -> Batch:
        return batch(volts(1.0))

    def close(self) -> Batch:
        self._noted.wait(0.2)  # where the end is noted meanwhile, this reading comes behind it
        return batch(volts(2.0, 231.0))


def test_nothing_follows_the_end(tmp_path: Path) -> None:
    """A last reading, brought while a meter is closed, sets off an alarm: that stands before the end of the session."""
    noted = threading.Event()
    writer = SessionWriter(tmp_path, SessionHeader(radio="set-5", start=START))

    class Alarmed(Heard):
        def readings(self, role: str, readings: Sequence[Reading], tags: Mapping[str, str]) -> None:
            if any((reading.value or 0) > 200 for reading in readings):
                recorder.note("alarm", {"on": "yes"}, elapsed=2.0)

    recorder = Recorder(writer, [SlowToClose(noted)], Tags(), clock=lambda: 2.5, wall=None, listener=Alarmed())
    recorder.start()
    recorder.stop()
    recorder.note("end", {"reason": "done"})
    noted.set()
    recorder.finish()
    writer.close(recorder.last_time)

    assert [row["kind"] for row in table(writer, "events")] == ["alarm", "end"]
    assert load_session(writer.folder).close == "2026-03-02T14:25:03.500000Z"


texts = st.text(st.characters(codec="utf-8"), max_size=40) | st.sampled_from(
    ["=1+1", "'quoted", "@x", "+1", "-1", "\ttab", "\rcr", "a,b", 'say "x"', "two\nlines", "NUL\0", "a;b%c=d", " edge "]
)


@given(point=texts, note=texts, role=st.text(st.characters(codec="utf-8", exclude_characters="\0"), min_size=1))
def test_any_text_survives_writing_and_reading_back(point: str, note: str, role: str) -> None:
    """Formula guard, quotes, newlines; NUL, which no CSV reader takes, becomes U+FFFD."""
    (row,) = csv.reader(io.StringIO(f"{cell(point)},{cell(role)},x\r\n", newline=""))
    assert [unescape(text) for text in row[:2]] == [point.replace("\0", "�"), role]
    assert not row[0].startswith(("=", "+", "-", "@", "\t", "\r"))

    (event,) = csv.reader(io.StringIO(event_line(1.0, "t", "note", role, {"text": note, "id": "7"}), newline=""))
    assert unescape(event[3]) == role
    assert parse_detail(unescape(event[4])) == {"text": note.replace("\0", "�"), "id": "7"}


def test_hostile_text_comes_back_from_a_session_on_disk_as_it_was(tmp_path: Path) -> None:
    point, identity = '=cmd|"/c calc"!A1', "<script>alert(1)</script> \u202e ../../x 🔌"
    tags = Tags(("by",))
    tags.set({"point": point, "by": "-O'Hara\nsecond line"}, 0.0)
    header = SessionHeader(radio="set-5", start=START, extra_tags=("by",), meters=[{"role": "v", "identity": identity}])
    writer = SessionWriter(tmp_path, header)
    recorder = Recorder(writer, [], tags, clock=lambda: 0.0, wall=None)
    recorder._take("v", batch(volts(1.0)))
    recorder._take_event("v", MeterEvent(2.0, "note", {"text": "50%; done"}))
    recorder._take("v", Batch(readings=[], events=[], wire=[WirePiece(1.0, "rx", b"117.4\n")]))
    recorder._flush()
    writer.close(START)

    session = load_session(writer.folder)
    frame = session.readings.frame
    assert list(frame["point"]) == [point] and list(frame["by"]) == ["-O'Hara\nsecond line"]
    assert session.meters["v"].identity == identity and session.events[0].detail == {"text": "50%; done"}


def test_a_folder_that_cannot_be_written_leaves_nothing_and_says_one_line(tmp_path: Path) -> None:
    def refuses(_descriptor: int, _data: memoryview) -> int:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    with pytest.raises(SessionError, match=r"cannot be written: Read-only"):
        SessionWriter(tmp_path, SessionHeader(radio="set-5", start=START), write=refuses)
    assert not list(tmp_path.iterdir())
    with pytest.raises(SessionError, match="cannot be written"):
        SessionWriter(tmp_path / "gone", SessionHeader(radio="set-5", start=START))
