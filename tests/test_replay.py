"""Wire logs played through pyserial: recorded times, recorded pieces, polls answered in order."""

from __future__ import annotations

import csv
import time
from pathlib import Path

import pytest
import serial
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drivers.meter import Meter
from drivers.opening import register_handlers
from drivers.port import Port, PortError
from drivers.profile import Poll, PortSettings, Profile, Scpi
from drivers.urls.protocol_replay import Player, load, parse_url

Row = tuple[float, str, str, bytes]


def wire_log(path: Path, rows: list[Row]) -> Path:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["elapsed_s", "meter", "direction", "hex"])
        writer.writerows([f"{elapsed:.6f}", meter, direction, data.hex()] for elapsed, meter, direction, data in rows)
    return path


class Time:
    """A clock that only sleeping moves."""

    def __init__(self) -> None:
        self.now = 100.0
        self.slept = 0.0

    def clock(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.now += seconds
        self.slept += seconds


def player(path: Path, speed: float = 1.0) -> tuple[Player, Time]:
    held = Time()
    return Player(load(path), speed, held.clock, held.sleep), held


def test_pieces_come_at_their_recorded_times_and_never_joined(tmp_path: Path) -> None:
    play, held = player(
        wire_log(tmp_path / "w.csv", [(0.5, "v", "rx", b"ab"), (0.5, "v", "rx", b"c"), (2.0, "v", "rx", b"d")])
    )

    assert play.take(0.4) == b"" and held.slept == pytest.approx(0.4)
    assert play.take(1.0) == b"ab" and held.slept == pytest.approx(0.5)
    assert play.take(1.0) == b"c" and not play.finished
    assert play.take(1.0) == b"" and play.take(1.0) == b"d"
    assert held.slept == pytest.approx(2.0) and play.stamp == 2.0 and play.finished


def test_ten_times_faster_takes_a_tenth_of_the_time(tmp_path: Path) -> None:
    play, held = player(wire_log(tmp_path / "w.csv", [(5.0, "v", "rx", b"a")]), speed=10)

    assert play.take(60.0) == b"a"
    assert held.slept == pytest.approx(0.5) and play.now() == pytest.approx(5.0)


def test_at_speed_zero_nothing_is_waited_for_and_time_is_still_the_recorded_one(tmp_path: Path) -> None:
    play, held = player(wire_log(tmp_path / "w.csv", [(3600.0 * n + 1, "v", "rx", b"a") for n in range(8)]), speed=0)

    assert [play.take(0.1) for _ in range(8)] == [b"a"] * 8
    assert held.slept == 0 and play.now() == 7 * 3600 + 1 and play.finished


def test_a_poll_is_answered_only_once_it_is_written_and_each_in_its_order(tmp_path: Path) -> None:
    rows: list[Row] = [
        (0.1, "v", "tx", b"A\n"), (0.2, "v", "rx", b"1"), (0.3, "v", "rx", b"2"),
        (1.0, "v", "tx", b"B\n"), (1.1, "v", "rx", b"b"),
        (2.0, "v", "tx", b"A\n"), (2.1, "v", "rx", b"3"),
        (3.0, "v", "tx", b"A\n"),
        (4.0, "v", "tx", b"A\n"), (4.1, "v", "rx", b"4"),
    ]  # fmt: skip
    play, _ = player(wire_log(tmp_path / "w.csv", rows), speed=0)

    def ask(request: bytes) -> bytes:
        play.write(request)
        return b"".join(play.take(0.1) for _ in range(3))

    assert play.take(1.0) == b"", "nothing before a question"
    assert ask(b"NEVER\n") == b"", "a question that the log does not know"
    assert ask(b"A\n") == b"12" and play.stamp == 0.3
    assert ask(b"A\n") == b"3"
    assert ask(b"B\n") == b"b"
    assert ask(b"A\n") == b"", "this one was not answered then, either"
    assert not play.exhausted(b"A\n")
    assert ask(b"A\n") == b"4" and play.finished and play.exhausted(b"A\n")


def test_an_answer_takes_as_long_as_it_took(tmp_path: Path) -> None:
    rows: list[Row] = [(1.0, "v", "tx", b"A"), (1.25, "v", "rx", b"1"), (9.0, "v", "tx", b"A"), (9.5, "v", "rx", b"2")]
    play, held = player(wire_log(tmp_path / "w.csv", rows))
    play.write(b"A")

    assert play.take(1.0) == b"1" and held.slept == pytest.approx(0.25)
    assert play.not_before(b"A") == 9.0, "a host that keeps the recorded pace asks again at this time"


def test_a_request_repeated_before_its_answer_uses_up_no_other(tmp_path: Path) -> None:
    rows: list[Row] = [(1.0, "v", "tx", b"A"), (1.5, "v", "rx", b"1"), (2.0, "v", "tx", b"A"), (2.5, "v", "rx", b"2")]
    play, _ = player(wire_log(tmp_path / "w.csv", rows))
    play.write(b"A")
    play.write(b"A")

    assert [play.take(5.0), play.take(0.1)] == [b"1", b""]


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    pieces=st.lists(st.tuples(st.floats(0, 5), st.binary(min_size=1, max_size=20)), max_size=20),
    speed=st.sampled_from([0.0, 1.0, 8.0]),
    waits=st.lists(st.floats(0, 2), min_size=1, max_size=5),
)
def test_whatever_was_recorded_comes_back_piece_by_piece_with_its_time(
    tmp_path: Path, pieces: list[tuple[float, bytes]], speed: float, waits: list[float]
) -> None:
    elapsed = 0.0
    rows: list[Row] = []
    for pause, data in pieces:
        elapsed = round(elapsed + pause, 6)
        rows.append((elapsed, "v", "rx", data))
    if not rows:
        rows.append((0.0, "v", "tx", b"x"))
    play, _ = player(wire_log(tmp_path / "w.csv", rows), speed)
    got = []
    for n in range(100_000):
        if play.finished:
            break
        if data := play.take(waits[n % len(waits)] + 0.01):
            got.append((play.stamp, "v", "rx", data))

    assert got == [row for row in rows if row[2] == "rx"]


def test_a_plain_pyserial_user_gets_bytes_as_from_any_port(tmp_path: Path) -> None:
    """The folder's name has a space, a percent sign and a question mark."""
    folder = tmp_path / "set 5 100% ?"
    folder.mkdir()
    wire_log(folder / "wire.csv", [(0.0, "v", "rx", b"abc"), (0.1, "i", "rx", b"xyz"), (0.2, "v", "rx", b"def")])
    register_handlers()
    port = serial.serial_for_url(f"replay://{folder.as_posix()}/wire.csv?meter=v&speed=0", timeout=0.1)

    assert [port.read(2), port.read(9), port.read(9), port.read(9)] == [b"ab", b"c", b"def", b""]
    assert port.finished  # type: ignore[attr-defined]  # what this handler adds
    port.close()


@pytest.mark.parametrize(
    ("url", "path"),
    [
        ("replay:///C:/bench/wire.csv?meter=v", "C:/bench/wire.csv"),
        (r"replay://C:\bench\wire.csv?meter=v&speed=0", r"C:\bench\wire.csv"),
        ("replay:///home/bench%20one/wire.csv?meter=v", "/home/bench one/wire.csv"),
        ("replay://bench/wire.csv?meter=v", "bench/wire.csv"),
    ],
)
def test_paths_of_every_system(url: str, path: str) -> None:
    assert parse_url(url)[:2] == (Path(path), "v")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("elapsed_s,meter,hex\n", r"no column direction\. File .*w\.csv, row 1"),
        ("elapsed_s,meter,direction,hex\n0.1,v,rx,41\n0.2,v,rx,4\n", r"w\.csv, row 3"),
        ("elapsed_s,meter,direction,hex\nsoon,v,rx,41\n", r"w\.csv, row 2"),
        ("elapsed_s,meter,direction,hex\nnan,v,rx,41\n", r"w\.csv, row 2"),
        ("elapsed_s,meter,direction,hex\n0.1,v,up,41\n", r"neither rx nor tx.*w\.csv, row 2"),
        ("elapsed_s,meter,direction,hex\n0.1,v,rx\n", r"3 cells.*w\.csv, row 2"),
        ("elapsed_s,meter,direction,hex\n0.2,v,rx,41\n0.1,v,rx,41\n", r"backwards.*w\.csv"),
        ("elapsed_s,meter,direction,hex\n0.1,v,rx,41\n0.1,i,rx,41\n", r"several meters.*v, i"),
        ("", r"no column elapsed_s"),
        ("elapsed_s,meter,direction,hex\n0.1,\"v,rx,41\n", r"w\.csv"),
        ("\0\0", r"w\.csv"),
    ],
)  # fmt: skip
def test_a_malformed_log_is_one_line_with_file_and_row(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "w.csv"
    path.write_text(text, encoding="utf-8")

    with pytest.raises(PortError, match=said) as caught:
        Port(f"replay://{path}").open()
    assert "\n" not in str(caught.value)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(raw=st.binary(max_size=200), row=st.text(max_size=60))
def test_any_file_at_all_is_played_or_refused(tmp_path: Path, raw: bytes, row: str) -> None:
    path = tmp_path / "any.csv"
    path.write_bytes(b"elapsed_s,meter,direction,hex\n" + row.encode("utf-8", "replace") + b"\n" + raw)
    try:
        log = load(path)
    except PortError:
        return
    assert len(log.ends) == len(log.times) + 1


def test_cells_written_against_formulas_are_read_as_they_were_meant(tmp_path: Path) -> None:
    path = tmp_path / "w.csv"
    path.write_text("elapsed_s,meter,direction,hex\n0.1,'-v,rx,41\n0.2,''v,rx,42\n", encoding="utf-8")

    assert bytes(load(path, "-v").data) == b"A" and bytes(load(path, "'v").data) == b"B"


def test_a_replayed_scpi_session_gives_its_readings_at_their_recorded_times(tmp_path: Path) -> None:
    """The log knows less than the program asks: what it does not know stays unanswered, and no real time is spent."""
    rows: list[Row] = [(0.05, "v", "tx", b"*IDN?\n"), (0.06, "v", "rx", b"BENCH WORKS,5,0,1\n"),
                       (0.10, "v", "tx", b"CONF:VOLT:AC\n")]  # fmt: skip
    for n in range(50):
        rows += [
            (1.0 + n, "v", "tx", b"READ?\n"),
            (1.3 + n, "v", "rx", b"+1.0"),
            (1.4 + n, "v", "rx", b"%dE+00\r\n" % (n % 10)),
        ]
    rows += [(200.0, "v", "tx", b"READ?\n"), (200.4, "v", "rx", b"+9.9E+37\r\n")]
    url = f"replay://{wire_log(tmp_path / 'w.csv', rows)}?meter=v&speed=0"
    profile = Profile(schema=1, title="bench", decode=Scpi(), poll=Poll(interval="0.3 s"))
    meter = Meter("v", profile, url, clock=lambda: 0.0)
    started = time.monotonic()
    batches = [meter.open()]
    while not meter.finished:
        batches.append(meter.read())
    batches.append(meter.close())

    readings = [reading for batch in batches for reading in batch.readings]
    assert [each.elapsed for each in readings] == [*(1.4 + n for n in range(50)), 200.4]
    assert [each.value for each in readings] == [*(1.0 + (n % 10) / 100 for n in range(50)), None]
    assert meter.identity == "BENCH WORKS,5,0,1" and time.monotonic() - started < 2.0
    gaps = [event for batch in batches for event in batch.events if event.kind == "gap"]
    assert [(float(gap.detail["start"]), float(gap.detail["end"])) for gap in gaps] == [(50.4, 200.4)]


def test_the_wire_log_of_a_replay_is_the_log_that_was_replayed(tmp_path: Path) -> None:
    rows: list[Row] = [(0.5 * n, "v", "rx", b"+%d.0E+00\n" % n) for n in range(1, 9)]
    url = f"replay://{wire_log(tmp_path / 'w.csv', rows)}?speed=0"
    port = Port(url, PortSettings(settle_ms=800))
    port.open()
    while not port.finished:
        port.read(0.1)

    assert [(piece.elapsed, "v", piece.direction, piece.data) for piece in port.drained()] == rows
    port.close()


def test_a_log_cut_from_a_longer_one_starts_at_once(tmp_path: Path) -> None:
    play, held = player(wire_log(tmp_path / "w.csv", [(3600.0, "v", "rx", b"a"), (3600.5, "v", "rx", b"b")]))

    assert play.take(1.0) == b"a" and held.slept == 0.0
    assert play.take(1.0) == b"b" and held.slept == pytest.approx(0.5)


def test_a_log_whose_last_answers_nobody_asks_for_ends_too(tmp_path: Path) -> None:
    rows: list[Row] = [(1.0, "v", "tx", b"A"), (1.1, "v", "rx", b"1"), (2.0, "v", "tx", b"B"), (2.1, "v", "rx", b"2")]
    play, _ = player(wire_log(tmp_path / "w.csv", rows), speed=0)
    play.write(b"A")
    play.take(1.0)

    assert not play.finished
    for _ in range(100):
        play.take(1.0)
    assert play.finished
