"""Which meter is on this port, and why does nothing come: tried as a new user would."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator

import msgspec
import pytest
import serial

from drivers.finding_out import Diagnosis, guess, try_meter
from drivers.linejudge import Line, judge_line
from drivers.profile import Numbered, Poll, PortSettings, Profile, Scpi, load, shipped
from tests.instruments import PtyEnd, ScpiInstrument, behind
from tests.test_meter import FRAME, HANDHELD, OVERLOAD
from tests.urls import protocol_lead

needs_pty = pytest.mark.skipif(not hasattr(os, "openpty"), reason="this system has no pseudo-terminals")
HELD = FRAME[:11] + b"\xc1" + FRAME[12:]


@pytest.fixture(autouse=True)
def lead() -> Iterator[list[bytes]]:
    serial.protocol_handler_packages.append("tests.urls")
    protocol_lead.written.clear()
    yield protocol_lead.written
    serial.protocol_handler_packages.remove("tests.urls")


class Hurry:
    """A clock on which each look takes a twentieth of a second, so that silence is soon over."""

    def __init__(self, since_boot: float = 0.0) -> None:
        self.now = since_boot

    def __call__(self) -> float:
        self.now += 0.05
        return self.now


def test_a_meter_that_works_shows_its_readings_and_their_rate(lead: list[bytes]) -> None:
    trial = try_meter(HANDHELD, f"lead://{FRAME.hex()}", clock=Hurry())

    assert trial.diagnosis is Diagnosis.WORKS and [each.value for each in trial.readings] == [1.234] * 10
    assert trial.skipped_bytes == 0 and trial.rate > 0 and lead == []


@pytest.mark.parametrize("port", [f"lead://{FRAME.hex()}", f"lead://{FRAME.hex()}?dtr=0&rts=0", "lead://"])
def test_times_count_from_the_begin_of_the_trial(port: str) -> None:
    """A computer that has been up for a day tries as one that was just switched on, with other handshake lines too."""
    trials = [try_meter(HANDHELD, port, clock=Hurry(since_boot)) for since_boot in (0.0, 86400.0)]
    times = [[round(each.elapsed, 6) for kind in (trial.readings, trial.events) for each in kind] for trial in trials]

    assert times[0] == times[1] and all(0 <= time < 60 for time in times[0])


@pytest.mark.parametrize(("dtr", "rts"), [(1, 0), (0, 1), (0, 0)])
def test_a_lead_that_wants_other_handshake_lines_is_found_out(dtr: int, rts: int) -> None:
    """The profile says both on."""
    trial = try_meter(HANDHELD, f"lead://{FRAME.hex()}?dtr={dtr}&rts={rts}", clock=Hurry())

    assert trial.diagnosis is Diagnosis.OTHER_LINES and trial.lines == (bool(dtr), bool(rts))
    assert f"DTR {'on' if dtr else 'off'}, RTS {'on' if rts else 'off'}" in trial.text


def test_no_byte_at_all_is_said_so_and_nothing_was_sent(lead: list[bytes]) -> None:
    trial = try_meter(HANDHELD, "lead://", clock=Hurry())

    assert trial.diagnosis is Diagnosis.NO_BYTES and "No byte came" in trial.text and "Nothing was sent" in trial.text
    assert trial.lines is None and lead == []


def test_a_polled_meter_that_does_not_answer_is_said_to_have_been_asked(lead: list[bytes]) -> None:
    polled = Profile(schema=1, title="polled", decode=Numbered(), poll=Poll(request="D"))
    trial = try_meter(polled, "lead://", clock=Hurry())

    assert trial.diagnosis is Diagnosis.NO_BYTES and trial.sent == ["D"] and "asked with D" in trial.text
    assert set(lead) == {b"D"}


@pytest.mark.parametrize(("frame", "said"), [(OVERLOAD, "over range"), (HELD, "on hold")])
def test_right_frames_without_a_value_are_told_apart(frame: bytes, said: str) -> None:
    trial = try_meter(HANDHELD, f"lead://{frame.hex()}", clock=Hurry())

    assert trial.diagnosis is Diagnosis.NO_VALUE and said in trial.text


def test_text_in_place_of_frames_is_another_format() -> None:
    trial = try_meter(HANDHELD, f"lead://{b'DCV -1.2345 mV'.hex()}0d0a", clock=Hurry())

    assert trial.diagnosis is Diagnosis.OTHER_FORMAT and "readable text" in trial.text


# -- the line, judged against a simulated receiver: bits of a sender at one speed, seen at another


def received(data: bytes, sent_at: float, seen_at: float, *, seven: str = "") -> bytes:
    """What an 8N1 receiver makes of a line: it finds a start bit, then looks at the middle of each of its own bits."""
    bits: list[int] = []
    for byte in data:
        if seven:
            ones = (byte & 0x7F).bit_count() % 2
            top = {"O": 1 - ones, "E": ones, "N": 1}[seven]
            byte = byte & 0x7F | top << 7
        bits += [0, *(byte >> n & 1 for n in range(8)), 1]

    def level(moment: float) -> int:
        place = int(moment * sent_at)
        return bits[place] if place < len(bits) else 1

    out, moment, end = bytearray(), 0.0, len(bits) / sent_at
    step = 1 / seen_at
    while moment < end:
        if level(moment):
            moment += step / 16
            continue
        out.append(sum(level(moment + step * (n + 1.5)) << n for n in range(8)))
        moment += step * 9.5
    return bytes(out)


TEXT = b"".join(b"DC  %05.1f  mV\r\n" % (n * 7.3) for n in range(20))


def test_the_simulated_receiver_at_the_right_speed_sees_what_was_sent() -> None:
    assert received(TEXT, 2400, 2400) == TEXT and judge_line(TEXT) is Line.TEXT


@pytest.mark.parametrize(("seven", "verdict"), [("O", Line.ODD), ("E", Line.EVEN), ("N", Line.HIGH)])
def test_a_seven_bit_line_seen_as_eight_bits_is_known_by_its_top_bit(seven: str, verdict: Line) -> None:
    assert judge_line(received(TEXT, 2400, 2400, seven=seven)) is verdict


@pytest.mark.parametrize("seen_at", [4800, 9600, 19200, 115200])
def test_a_port_set_too_fast_is_said_to_be(seen_at: int) -> None:
    assert judge_line(received(TEXT, 2400, seen_at)) is Line.TOO_FAST


@pytest.mark.parametrize("seen_at", [300, 600, 1200])
def test_a_port_set_too_slow_is_no_text(seen_at: int) -> None:
    assert judge_line(received(TEXT * 8, 2400, seen_at)) is Line.OTHER


def test_a_wrong_speed_is_the_diagnosis() -> None:
    trial = try_meter(HANDHELD, f"lead://{received(TEXT, 2400, 9600).hex()}", clock=Hurry())

    assert trial.diagnosis is Diagnosis.WRONG_LINE and "lower speed" in trial.text


# -- guessing

OTHER = Profile(schema=1, title="another", name="another", decode=Numbered(), port=PortSettings(baud=2400, rts=False))
LCD = Profile(schema=1, title="lcd", name="lcd", decode=Numbered(), port=PortSettings(baud=2400))
BENCH = Profile(schema=1, title="bench", name="bench", decode=Scpi())


def test_a_listener_is_guessed_without_sending_a_byte(lead: list[bytes]) -> None:
    found = guess(f"lead://{FRAME.hex()}?rts=0", [BENCH, LCD, OTHER], clock=Hurry())

    assert [each.profile for each in found.ranked] == ["another"] and found.sent == [] and lead == []


def test_something_that_talks_but_fits_no_profile_is_never_asked(lead: list[bytes]) -> None:
    found = guess("lead://00ff13", [BENCH, LCD, OTHER], clock=Hurry())

    assert found.ranked == [] and found.sent == [] and lead == [] and "Nothing was sent" in found.text


def test_a_silent_port_is_asked_for_its_identity_only_after_every_listener(lead: list[bytes]) -> None:
    found = guess("lead://", [BENCH, LCD, OTHER], clock=Hurry())

    assert lead == [b"*IDN?\n"] and found.sent == ["*IDN? at 9600 baud"] and "*IDN?" in found.text


#: One frame of each family that sends by itself, constructed from its table.
FRAMES = {
    "numbered-lcd": FRAME,
    "ascii-status": bytes.fromhex("2B313233342031310000800D0D0A"),
    "packed-4": bytes.fromhex("31313233343B34303A0D0A"),
    "stream-16": bytes.fromhex("0234313334303330303030313233340D"),
    "text-line": b"12.345 V\r\n",
}


@pytest.mark.parametrize("name", FRAMES)
def test_each_family_is_guessed_among_all_the_shipped_profiles(name: str, lead: list[bytes]) -> None:
    at_once = [msgspec.structs.replace(profile, port=msgspec.structs.replace(profile.port, settle_ms=0))
               for profile in map(load, shipped())]  # fmt: skip
    found = guess(f"lead://{(FRAMES[name] * 3).hex()}", at_once, clock=Hurry())

    assert found.ranked[0].profile == name and lead == [], found


@needs_pty
def test_a_bench_meter_is_known_by_its_answer() -> None:
    with behind(PtyEnd, ScpiInstrument()) as name:
        found = guess(name, [LCD, BENCH], listen=0.1, clock=time.monotonic)

    assert [each.profile for each in found.ranked] == ["bench"]
    assert found.identity == "BENCH WORKS,METER 5,0,1.0"


@needs_pty
def test_trying_a_shipped_bench_profile_tells_who_answered() -> None:
    instrument = ScpiInstrument(["+2.301E+02"])
    with behind(PtyEnd, instrument) as name:
        trial = try_meter(load("scpi-bench"), name, count=2)

    assert trial.diagnosis is Diagnosis.WORKS and trial.identity.startswith("BENCH WORKS")
    assert [each.value for each in trial.readings] == [230.1, 230.1]
