"""One meter as a stream: partial frames, garbage, silence, unplugging, and the same device found again.

Longer than other files, since all of it is told of one stand-in port.
"""

from __future__ import annotations

import os
import socket
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drivers.faults import MeterEvent
from drivers.meter import Batch, Meter
from drivers.modbus import crc, request
from drivers.portlist import PortInfo, find_again
from drivers.profile import Accuracy, Field, Modbus, Numbered, Poll, PortSettings, Profile, Register, Scpi, TextLine
from drivers.reading import Coupling, Quantity, Reading
from tests.instruments import ScpiInstrument, TcpEnd, behind
from tests.test_replay import Row, wire_log

needs_pty = pytest.mark.skipif(not hasattr(os, "openpty"), reason="this system has no pseudo-terminals")

#: 1.234 V DC autorange and an overload of V AC autorange, constructed from the segment table.
FRAME = bytes.fromhex("1720354D5B617F8297A0B0C0D4E0")
OVERLOAD = bytes.fromhex("1B2030475D6E788090A0B0C0D4E0")
LOW_BATTERY = FRAME[:12] + b"\xd5" + FRAME[13:]
HANDHELD = Profile(schema=1, title="handheld", decode=Numbered(), port=PortSettings(silence="5 s"))


def replayed(tmp_path: Path, rows: list[Row], profile: Profile = HANDHELD) -> tuple[Meter, Batch]:
    """Everything that a meter makes of a wire log."""
    meter = Meter("v", profile, f"replay://{wire_log(tmp_path / 'w.csv', rows)}?meter=v&speed=0", clock=lambda: 0.0)
    total = meter.open()
    while not meter.finished:
        add(total, meter.read())
    add(total, meter.close())
    return meter, total


def add(total: Batch, more: Batch) -> None:
    total.readings += more.readings
    total.events += more.events
    total.wire += more.wire


def kinds(events: list[MeterEvent]) -> list[str]:
    return [event.kind for event in events]


def test_opening_in_mid_frame_is_no_fault(tmp_path: Path) -> None:
    meter, got = replayed(tmp_path, [(0.1, "v", "rx", FRAME[5:] + FRAME[:3]), (0.2, "v", "rx", FRAME[3:])])

    assert [(each.value, each.elapsed) for each in got.readings] == [(1.234, 0.2)]
    assert got.events == [] and meter.counters.skipped_bytes == 9 and meter.counters.frames == 1


def test_a_run_of_garbage_is_one_event_with_its_length(tmp_path: Path) -> None:
    rows: list[Row] = [(0.1, "v", "rx", FRAME), *((0.2 + n / 100, "v", "rx", b"\x00\xff") for n in range(10)),
                       (0.4, "v", "rx", FRAME)]  # fmt: skip
    meter, got = replayed(tmp_path, rows)

    assert len(got.readings) == 2 and kinds(got.events) == ["resync"]
    assert got.events[0].detail["bytes"] == "20" and meter.counters.skipped_bytes == 20 and meter.counters.resyncs == 1


def test_garbage_without_end_is_told_once_a_second(tmp_path: Path) -> None:
    rows: list[Row] = [(0.1, "v", "rx", FRAME), *((0.2 + n / 10, "v", "rx", b"\x00" * 7) for n in range(100))]
    _, got = replayed(tmp_path, rows)

    assert 8 <= kinds(got.events).count("resync") <= 11
    assert sum(int(event.detail["bytes"]) for event in got.events) == 700


def test_a_silence_is_one_gap_with_its_two_ends(tmp_path: Path) -> None:
    rows: list[Row] = [
        (1.0, "v", "rx", FRAME),
        (5.9, "v", "rx", FRAME),
        (30.0, "v", "rx", FRAME),
        (31.0, "v", "rx", FRAME),
    ]
    meter, got = replayed(tmp_path, rows)

    assert [(event.kind, event.elapsed) for event in got.events] == [("gap", 30.0)]
    assert got.events[0].detail == {"start": "5.900000", "end": "30.000000"} and meter.counters.gaps == 1
    assert [each.elapsed for each in got.readings] == [1.0, 5.9, 30.0, 31.0]


def test_a_low_battery_is_told_when_it_changes(tmp_path: Path) -> None:
    rows: list[Row] = [(n * 0.5, "v", "rx", frame) for n, frame in
                       enumerate([FRAME, LOW_BATTERY, LOW_BATTERY, FRAME, LOW_BATTERY])]  # fmt: skip
    _, got = replayed(tmp_path, rows)

    assert [(event.elapsed, event.detail["state"]) for event in got.events] == [(0.5, "low"), (1.5, "ok"), (2.0, "low")]


def test_a_polled_meter_is_never_asked_twice_before_its_answer_or_the_timeout(tmp_path: Path) -> None:
    """It answers the first request, stays silent on the second, and answers when asked again after the timeout."""
    profile = Profile(
        schema=1, title="polled", decode=Numbered(), poll=Poll(request="D", interval="1 s", timeout="2 s")
    )
    rows: list[Row] = [(0.0, "v", "tx", b"D"), (0.3, "v", "rx", FRAME[:9]), (0.4, "v", "rx", FRAME[9:]),
                       (1.0, "v", "tx", b"D"), (3.0, "v", "tx", b"D"), (3.4, "v", "rx", OVERLOAD)]  # fmt: skip
    _, got = replayed(tmp_path, rows, profile)

    assert [(each.elapsed, each.value) for each in got.readings] == [(0.4, 1.234), (3.4, None)]
    assert [piece.elapsed for piece in got.wire if piece.direction == "tx"] == [0.0, 1.0, 3.0]


def test_a_log_at_its_end_is_asked_nothing_more_and_its_time_is_the_recorded_one(tmp_path: Path) -> None:
    profile = Profile(schema=1, title="polled", decode=Numbered(), poll=Poll(request="D"))
    rows: list[Row] = [(7.0, "v", "tx", b"D"), (7.3, "v", "rx", FRAME)]
    meter = Meter("v", profile, f"replay://{wire_log(tmp_path / 'w.csv', rows)}?speed=0", clock=lambda: 99.0)
    meter.open()
    batches = [meter.read() for _ in range(20)]

    assert meter.finished and meter.replays and meter.now() == 7.3
    assert [reading.elapsed for batch in batches for reading in batch.readings] == [7.3]
    assert len([piece for batch in batches for piece in batch.wire]) == 2
    meter.close()
    assert meter.finished and meter.read() == Batch([], [], [])


def test_a_replay_keeps_the_recorded_pace_whatever_the_profile_asks_now(tmp_path: Path) -> None:
    """Recorded at four a second, played with a profile that asks once in ten seconds."""
    profile = Profile(schema=1, title="polled", decode=Numbered(), poll=Poll(request="D", interval="10 s"))
    rows: list[Row] = []
    for n in range(8):
        rows += [(n / 4, "v", "tx", b"D"), (n / 4 + 0.1, "v", "rx", FRAME)]
    meter = Meter("v", profile, f"replay://{wire_log(tmp_path / 'w.csv', rows)}?speed=20", clock=lambda: 99.0)
    started = time.monotonic()
    got = meter.open()
    while not meter.finished:
        add(got, meter.read())
    meter.close()

    assert [each.elapsed for each in got.readings] == [n / 4 + 0.1 for n in range(8)]
    assert 0.08 < time.monotonic() - started < 2.0


def test_a_last_line_ended_by_cr_alone_is_not_lost(tmp_path: Path) -> None:
    table = TextLine(pattern=r"^V(?P<value>[\d.]+)$", channels={"*": Field(quantity=Quantity.VOLTAGE)})
    profile = Profile(schema=1, title="lines", decode=table)
    _, got = replayed(tmp_path, [(0.0, "v", "rx", b"V1.0\r"), (1.0, "v", "rx", b"V2.0\r")], profile)

    assert [(each.value, each.elapsed) for each in got.readings] == [(1.0, 0.0), (2.0, 1.0)]


# -- Modbus

#: Frames from the register table of a 100 A module, checked with the protocol's CRC: 230.1 V 1.234 A 283.9 W 50.0 Hz.
REQUEST = bytes.fromhex("01040000000A700D")
REPLY = bytes.fromhex("01041408FD04D200000B1700003AC2000001F4006300008264")
MODULE = Profile(
    schema=1,
    title="module",
    decode=Modbus(
        registers=(
            Register(address=0, quantity=Quantity.VOLTAGE, coupling=Coupling.AC, scale=0.1),
            Register(address=1, quantity=Quantity.CURRENT, coupling=Coupling.AC, kind="u32-low-first", scale=0.001),
            Register(address=3, quantity=Quantity.POWER, kind="u32-low-first", scale=0.1),
            Register(address=7, quantity=Quantity.FREQUENCY, scale=0.1),
            Register(address=9, quantity=Quantity.RATIO, scale=1.0),
        )
    ),
    poll=Poll(timeout="1 s"),
)


def test_a_modbus_module_gives_its_values_past_echo_refusal_and_noise(tmp_path: Path) -> None:
    spoiled = REPLY[:5] + b"\x00" + REPLY[6:]
    rows: list[Row] = [
        (0.0, "v", "tx", REQUEST), (0.1, "v", "rx", REQUEST + REPLY[:7]), (0.2, "v", "rx", REPLY[7:]),
        (1.0, "v", "tx", REQUEST), (1.1, "v", "rx", spoiled),
        (2.0, "v", "tx", REQUEST), (2.1, "v", "rx", bytes.fromhex("018402C2C1")),
        (3.0, "v", "tx", REQUEST), (3.1, "v", "rx", REPLY),
    ]  # fmt: skip
    meter, got = replayed(tmp_path, rows, MODULE)

    assert [each.value for each in got.readings] == [230.1, 1.234, 283.9, 50.0, 0.0] * 2
    assert [each.elapsed for each in got.readings] == [0.2] * 5 + [3.1] * 5
    assert [(event.kind, event.detail.get("code")) for event in got.events] == [
        ("instrument-error", "2"),
        ("resync", None),
    ]
    assert meter.counters.skipped_bytes == len(REPLY)


def test_modbus_frames_agree_with_the_well_known_library() -> None:
    framer = pytest.importorskip("pymodbus.framer", reason="pymodbus is not installed")
    assert request(1, 0, 10) == REQUEST and crc(b"123456789") == bytes.fromhex("374B")
    for data in (b"", b"\x00", bytes(range(256)), REPLY[:-2]):
        assert int.from_bytes(crc(data), "big") == framer.FramerRTU.compute_CRC(data)


def test_a_map_with_a_hole_is_read_in_several_requests_one_after_the_other(tmp_path: Path) -> None:
    """Float registers 0 and 1, and 200 and 201: 230.1 high word first, then 10.28 low word first."""
    near = Register(address=0, quantity=Quantity.VOLTAGE, kind="f32-high-first")
    far = Register(address=200, quantity=Quantity.VOLTAGE, kind="f32-low-first", channel="2")
    asked = [bytes.fromhex("01040000000271CB"), request(1, 200, 2)]
    second = bytes.fromhex("0104047AE14124")
    rows: list[Row] = [(0.0, "v", "tx", asked[0]), (0.1, "v", "rx", bytes.fromhex("0104044366199A85E4")),
                       (0.2, "v", "tx", asked[1]), (0.3, "v", "rx", second + crc(second))]  # fmt: skip
    _, got = replayed(tmp_path, rows, msgspec.structs.replace(MODULE, decode=Modbus(registers=(near, far))))

    assert values(got.readings) == [pytest.approx(230.1, rel=1e-6), pytest.approx(10.28, rel=1e-6)]
    assert [piece.data for piece in got.wire if piece.direction == "tx"] == asked


def test_a_modbus_value_carries_the_uncertainty_of_its_accuracy_line(tmp_path: Path) -> None:
    """±(0.5 % of 230.1 V + 1 count of 0.1 V), rectangular: (1.1505 + 0.1)/√3."""
    line = Accuracy(quantity=Quantity.VOLTAGE, of_reading=0.005, digits=1)
    profile = msgspec.structs.replace(MODULE, accuracy=(line,))
    _, got = replayed(tmp_path, [(0.0, "v", "tx", REQUEST), (0.1, "v", "rx", REPLY)], profile)

    assert got.readings[0].u == pytest.approx(1.2505 / 3**0.5) and got.readings[1].u is None


# -- any bytes at all


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    answers=st.lists(st.binary(max_size=30) | st.sampled_from([b"+1.0E+00\n", b"+2.0E+00,", b'-1,"x"\n', REPLY]),
                     max_size=8),
    profile=st.sampled_from(["scpi", "list", "modbus", "polled", "free"]),
)  # fmt: skip
def test_any_bytes_at_all_give_readings_or_faults_never_an_exception(
    tmp_path: Path, answers: list[bytes], profile: str
) -> None:
    profiles = {
        "scpi": Profile(schema=1, title="bench", decode=Scpi()),
        "list": Profile(schema=1, title="bench", decode=Scpi(samples=3, prompts=("=>",))),
        "modbus": MODULE,
        "polled": Profile(schema=1, title="polled", decode=Numbered(), poll=Poll(request="D")),
        "free": HANDHELD,
    }
    request = {"scpi": b"READ?\n", "list": b"READ?\n", "modbus": REQUEST, "polled": b"D", "free": b""}[profile]
    rows: list[Row] = []
    for n, answer in enumerate(answers):
        rows += [(float(n), "v", "tx", request)] if request else []
        rows += [(n + 0.1, "v", "rx", answer[:5]), (n + 0.2, "v", "rx", answer[5:])]
    meter, got = replayed(tmp_path, [row for row in rows if row[3]] or [(0.0, "v", "rx", b"x")], profiles[profile])

    counted = meter.counters
    assert counted.readings == len(got.readings)
    received = sum(len(piece.data) for piece in got.wire if piece.direction == "rx")
    assert counted.skipped_bytes <= received


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(noise=st.lists(st.binary(max_size=12).filter(lambda raw: not any(c in raw for c in b"0123456789")), max_size=6))
def test_noise_without_a_digit_invents_no_reading_of_a_bench_meter(tmp_path: Path, noise: list[bytes]) -> None:
    rows: list[Row] = []
    for n, raw in enumerate(noise):
        rows += [(3.0 * n, "v", "tx", b"READ?\n"), (3.0 * n + 0.1, "v", "rx", raw + b"\n" if n % 2 else raw + b"\x00")]
        rows += [(3.0 * n + 1, "v", "tx", b"READ?\n"), (3.0 * n + 1.1, "v", "rx", b"+%d.5E+00\r\n" % n)]
    rows.append((900.0, "v", "rx", b"\n"))
    _, got = replayed(tmp_path, rows, Profile(schema=1, title="bench", decode=Scpi()))

    assert set(values(got.readings)) <= {n + 0.5 for n in range(len(noise))}


# -- unplugging


class Handheld:
    """A free-running meter behind a link to a pseudo-terminal, so that it can come back as another one."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self.master = -1
        self.plug()

    def plug(self) -> None:
        self.master, slave = os.openpty()
        tty.setraw(slave)
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(slave))
        self._slave = slave

    def send(self, data: bytes) -> None:
        os.write(self.master, data)

    def unplug(self) -> None:
        self.link.unlink()
        os.close(self._slave)
        os.close(self.master)


def frames(first: int, count: int) -> bytes:
    """Frames whose last two digits count, so that a lost or invented one shows."""
    code = {0: 0x7D, 1: 0x05, 2: 0x5B, 3: 0x1F, 4: 0x27, 5: 0x3E, 6: 0x7E, 7: 0x15, 8: 0x7F, 9: 0x3F}

    def digit(at: int, value: int, point: int) -> bytes:
        bits = code[value] | point << 7
        return bytes((at << 4 | bits >> 4, (at + 1) << 4 | bits & 15))

    out = b""
    for n in range(first, first + count):
        digits = [n // 1000 % 10, n // 100 % 10, n // 10 % 10, n % 10]
        body = b"".join(digit(2 * place + 2, value, int(place == 1)) for place, value in enumerate(digits))
        out += b"\x17" + body + FRAME[9:]
    return out


def values(readings: list[Reading]) -> list[float | None]:
    return [reading.value for reading in readings]


@needs_pty
def test_pulling_one_of_three_meters_loses_nothing_of_the_other_two(tmp_path: Path) -> None:
    """One behind a pty that comes back as another pty, one behind a socket that comes back, one that stays."""
    pulled, staying = Handheld(tmp_path / "pulled"), Handheld(tmp_path / "staying")
    tcp = TcpEnd(ScpiInstrument(["+5.0E+00"]))
    bench = Profile(
        schema=1, title="bench", decode=Scpi(coupling=Coupling.DC), poll=Poll(interval="0.02 s", timeout="1 s")
    )
    meters = [
        Meter("a", HANDHELD, str(pulled.link), clock=time.monotonic),
        Meter("b", HANDHELD, str(staying.link), clock=time.monotonic),
        Meter("c", bench, tcp.name, clock=time.monotonic),
    ]
    got = [meter.open() for meter in meters]
    stop = threading.Event()

    def read(meter: Meter, total: Batch) -> None:
        while not stop.is_set():
            add(total, meter.read())

    threads = [threading.Thread(target=read, args=pair) for pair in zip(meters, got, strict=True)]
    for thread in threads:
        thread.start()
    pulled.send(frames(1000, 10))
    staying.send(frames(2000, 10))
    until(lambda: len(got[0].readings) == 10 and len(got[1].readings) == 10 and len(got[2].readings) > 3)
    pulled.send(frames(1010, 1)[:9])
    until(lambda: sum(len(piece.data) for piece in got[0].wire) == 149)
    pulled.unplug()
    tcp.close()
    until(lambda: "port-lost" in kinds(got[0].events) and "port-lost" in kinds(got[2].events))
    before = len(got[2].readings)
    staying.send(frames(2010, 10))
    pulled.plug()
    back = TcpEnd(ScpiInstrument(["+6.0E+00"]), tcp.port)
    until(lambda: "port-back" in kinds(got[0].events) and len(got[2].readings) > before + 3)
    pulled.send(frames(1010, 1)[9:] + frames(1020, 5))
    staying.send(frames(2020, 10))
    until(lambda: len(got[0].readings) >= 15 and len(got[1].readings) >= 30)
    stop.set()
    for thread in threads:
        thread.join()
    for meter, total in zip(meters, got, strict=True):
        add(total, meter.close())
    back.close()

    assert values(got[0].readings) == [n / 1000 for n in [*range(1000, 1010), *range(1020, 1025)]], "no invented frame"
    assert values(got[1].readings) == [n / 1000 for n in range(2000, 2030)] and got[1].events == []
    assert values(got[2].readings) == [5.0] * before + [6.0] * (len(got[2].readings) - before)
    for total in (got[0], got[2]):
        assert [kind for kind in kinds(total.events) if kind.startswith("port")] == ["port-lost", "port-back"]


def until(condition: Callable[[], bool], limit: float = 10.0) -> None:
    end = time.monotonic() + limit
    while not condition():
        assert time.monotonic() < end, "it never happened"
        time.sleep(0.005)


@needs_pty
def test_the_pauses_between_tries_grow_to_five_seconds(tmp_path: Path) -> None:
    handheld = Handheld(tmp_path / "port")
    now = [0.0]
    tries: list[float] = []

    def pause(seconds: float) -> None:
        now[0] += seconds

    def listing() -> list[PortInfo]:
        tries.append(now[0])
        return []

    usb = PortInfo(name=os.path.realpath(handheld.link), vid=1, pid=2, serial_number="S5")
    meter = Meter("v", HANDHELD, str(handheld.link), clock=lambda: now[0], sleep=pause, listing=lambda: [usb])
    meter.open()
    meter._listing = listing
    handheld.unplug()
    events = [event for _ in range(2000) if now[0] < 30 for event in meter.read().events]
    meter.close()

    assert kinds(events) == ["port-lost"]
    assert [round(b - a, 1) for a, b in zip([0.0, *tries], tries, strict=False)][:8] == [
        0.2,
        0.4,
        0.8,
        1.6,
        3.2,
        5,
        5,
        5,
    ]


def usb(name: str, location: str, serial_number: str | None = None) -> PortInfo:
    return PortInfo(name=name, location=location, serial_number=serial_number, vid=0x1111, pid=0x2222)


@pytest.mark.parametrize(
    ("known", "present", "found"),
    [
        # the same serial number under another name
        (usb("/dev/ttyUSB0", "1-1", "A"),
         [usb("/dev/ttyUSB0", "1-1", "B"),
          usb("/dev/ttyUSB3", "1-4", "A")], "/dev/ttyUSB3"),
        # another device has taken the name: not the same meter
        (usb("/dev/ttyUSB0", "1-1", "A"),
         [usb("/dev/ttyUSB0", "1-1", "B")], None),
        # twins that share a serial number: by place
        (usb("/dev/ttyUSB0", "1-1", "0"),
         [usb("/dev/ttyUSB1", "1-2", "0"),
          usb("/dev/ttyUSB2", "1-1", "0")], "/dev/ttyUSB2"),
        # no serial number: by place, whatever the name is now
        (usb("/dev/ttyUSB0", "1-1"),
         [usb("/dev/ttyUSB0", "1-2"), usb("/dev/ttyUSB1", "1-1")],
         "/dev/ttyUSB1"),
        # another kind of device in that place
        (usb("/dev/ttyUSB0", "1-1"),
         [PortInfo(name="/dev/ttyUSB0", location="1-1", vid=7, pid=8)], None),
        # away
        (usb("/dev/ttyUSB0", "1-1"), [], None),
        # nothing but the name is known
        (None, [], "/dev/ttyUSB0"),
        (PortInfo(name="/dev/ttyUSB0"), [], "/dev/ttyUSB0"),
    ],
)  # fmt: skip
def test_the_same_physical_device_is_found_again(
    known: PortInfo | None, present: list[PortInfo], found: str | None
) -> None:
    assert find_again(known, "/dev/ttyUSB0", lambda: present) == found


def test_a_socket_whose_far_end_is_gone_leaves_nothing_open() -> None:
    """pyserial forgets such a socket unclosed; the warning about it would fail this test."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        meter = Meter("v", HANDHELD, f"socket://127.0.0.1:{server.getsockname()[1]}", clock=time.monotonic)
        meter.open()
        far, _ = server.accept()
        far.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\x01\x00\x00\x00\x00\x00\x00\x00")
        far.close()
        events = [event for _ in range(3) for event in meter.read().events]
        meter.close()

    assert kinds(events)[:1] == ["port-lost"]


@needs_pty
def test_the_readings_of_a_clean_session_come_without_any_event() -> None:
    from tests.instruments import PtyEnd

    with behind(PtyEnd, ScpiInstrument(["+1.0E+00"])) as name:
        meter = Meter("v", Profile(schema=1, title="bench", decode=Scpi()), name, clock=time.monotonic)
        events = meter.open().events
        readings: list[Reading] = []
        while len(readings) < 20:
            batch = meter.read()
            readings += batch.readings
            events += batch.events
        events += meter.close().events

    assert events == [] and {each.coupling for each in readings} == {Coupling.AC}
