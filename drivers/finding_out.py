"""Finding out: whether a profile fits a port, and which one does.

Nothing here runs by itself, nor on a port that nobody chose.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Sequence
from enum import StrEnum

import msgspec

from drivers.decode.families import build
from drivers.decode.tables import Modbus, Scpi, TextLine, Typed
from drivers.faults import MeterEvent
from drivers.framing import Frame
from drivers.linejudge import Line, judge_line, say
from drivers.meter import Meter, WirePiece
from drivers.opening import PortCallError
from drivers.port import Port, PortError, wire_bytes
from drivers.profile import PortSettings, Profile, load, shipped
from drivers.reading import Reading, Status
from drivers.units import counted

SILENT = 3.0  #: nothing for so long: the other states of the handshake lines are tried [s]
LONGEST = 10.0  #: a trial ends after so long at the latest [s]
LISTEN = 2.0  #: one setting is listened to for so long [s]
PAIRS = ((True, False), (False, True), (True, True), (False, False))


class Diagnosis(StrEnum):
    """How a trial went."""

    WORKS = "works"
    NO_BYTES = "no-bytes"
    OTHER_LINES = "other-lines"  #: it sends with another state of DTR and RTS
    WRONG_LINE = "wrong-line"  #: bytes, but of another speed or parity
    OTHER_FORMAT = "other-format"  #: bytes, but no frames of this profile
    NO_VALUE = "no-value"  #: right frames, but held or over range
    LOST = "lost"


class Trial(msgspec.Struct):
    """What one profile made of one port."""

    profile: str
    port: str
    diagnosis: Diagnosis
    text: str  #: for a person
    readings: list[Reading] = []
    rate: float = 0.0  #: readings a second
    bytes: int = 0
    skipped_bytes: int = 0
    frames: int = 0
    identity: str = ""
    lines: tuple[bool, bool] | None = None  #: DTR and RTS under which bytes came
    sent: list[str] = []
    events: list[MeterEvent] = []


class _Heard(msgspec.Struct):
    readings: list[Reading]
    events: list[MeterEvent]
    wire: list[WirePiece]
    skipped: int
    frames: int
    identity: str

    @property
    def raw(self) -> bytes:
        return b"".join(piece.data for piece in self.wire if piece.direction == "rx")


def _hear(profile: Profile, port: str, lines: tuple[bool, bool], count: int, silent: float, longest: float,
          clock: Callable[[], float]) -> _Heard:  # fmt: skip
    meter = Meter("try", profile, port, clock=clock, lines=lines)
    start = clock()
    heard = _Heard([], [], [], 0, 0, "")
    batch = meter.open()
    while True:
        heard.readings += batch.readings
        heard.events += batch.events
        heard.wire += batch.wire
        spent = clock() - start
        came = any(piece.direction == "rx" for piece in heard.wire)
        if len(heard.readings) >= count or meter.finished or not meter.connected:
            break
        if spent > longest or (spent > silent and not came):
            break
        batch = meter.read()
    heard.skipped, heard.frames, heard.identity = meter.counters.skipped_bytes, meter.counters.frames, meter.identity
    heard.events += meter.close().events
    return heard


def try_meter(
    profile: Profile,
    port: str,
    *,
    count: int = 10,
    silent: float = SILENT,
    longest: float = LONGEST,
    clock: Callable[[], float] = time.monotonic,
) -> Trial:
    """Some readings from a real port, and a plain diagnosis when nothing decodes. Raises: PortError: cannot be opened.

    Sends what the profile says a reading takes, and nothing else. Times count from the begin of the trial; those of a
    replayed wire log are the recorded ones.
    """
    if isinstance(profile.decode, Typed):
        raise PortCallError("A typed meter has no port that could be tried.", remedy="Log it with --meter v=typed.")
    began = clock()

    def since() -> float:
        return clock() - began

    lines = (profile.port.dtr, profile.port.rts)
    heard = _hear(profile, port, lines, count, silent, longest, since)
    sent = _sent(heard.wire)
    if not heard.raw and not any(event.kind == "port-lost" for event in heard.events) and _has_lines(port):
        for pair in PAIRS:
            if pair == lines:
                continue
            other = _hear(profile, port, pair, count, silent, longest, since)
            sent = list(dict.fromkeys([*sent, *_sent(other.wire)]))
            if other.raw:
                heard, lines = other, pair
                break
    diagnosis, text = _diagnose(profile, heard, lines, sent)
    times = [reading.elapsed for reading in heard.readings]
    span = times[-1] - times[0] if times else 0.0
    return Trial(
        profile=profile.name, port=port, diagnosis=diagnosis, text=text, readings=heard.readings[:count],
        rate=(len(set(times)) - 1) / span if span > 0 else 0.0, bytes=len(heard.raw), skipped_bytes=heard.skipped,
        frames=heard.frames, identity=heard.identity, lines=lines if heard.raw else None, sent=sent,
        events=heard.events,
    )  # fmt: skip


def _has_lines(port: str) -> bool:
    """Whether the port may have handshake lines; a network socket has none."""
    return port.partition("://")[0].lower() not in ("socket", "replay", "usbtmc", "visa", "practice", "loop")


def _state(lines: tuple[bool, bool]) -> str:
    return f"DTR {'on' if lines[0] else 'off'}, RTS {'on' if lines[1] else 'off'}"


def _diagnose(profile: Profile, heard: _Heard, lines: tuple[bool, bool], sent: list[str]) -> tuple[Diagnosis, str]:
    if any(event.kind == "port-lost" for event in heard.events) and not heard.readings:
        return Diagnosis.LOST, "The port was lost while it was tried."
    if not heard.raw:
        asked = f" It was asked with {', '.join(sent)}." if sent else " Nothing was sent."
        return (
            Diagnosis.NO_BYTES,
            f"No byte came at all, whatever the handshake lines were.{asked} {_silence_advice(sent)}",
        )
    other = lines != (profile.port.dtr, profile.port.rts)
    note = f" It sends only with {_state(lines)}: write that into the profile's [port]." if other else ""
    if not heard.readings:
        line = judge_line(heard.raw)
        wrong = line not in (Line.TEXT, Line.UNKNOWN) and not heard.frames
        return (Diagnosis.WRONG_LINE if wrong else Diagnosis.OTHER_FORMAT), (
            f"{counted(len(heard.raw), 'byte')} came, and nothing in it makes a reading. {say(line)}{note}"
        )
    if not any(reading.status is Status.OK for reading in heard.readings):
        return Diagnosis.NO_VALUE, f"The frames are right, but {_without_value(heard.readings)}.{note}"
    return (Diagnosis.OTHER_LINES if other else Diagnosis.WORKS), f"It works.{note}"


def _silence_advice(sent: list[str]) -> str:
    if sent:
        return "Check the speed, the lead, and that the instrument's interface is switched on."
    return "Check the lead, and that the meter's data output is switched on."


def _without_value(readings: Sequence[Reading]) -> str:
    statuses = {reading.status for reading in readings}
    said = {Status.OVERLOAD: "the meter shows over range", Status.HELD: "the meter is on hold, minimum or maximum",
            Status.INVALID: "the meter shows no value (relative mode, a menu)"}  # fmt: skip
    return " or ".join(said[status] for status in said if status in statuses)


def _sent(wire: Iterable[WirePiece]) -> list[str]:
    """Each distinct request that went out, as text."""
    pieces = (piece.data for piece in wire if piece.direction == "tx")
    return list(dict.fromkeys(repr(data.decode("latin-1"))[1:-1] for data in pieces))


class Guess(msgspec.Struct):
    """How well one profile reads what came."""

    profile: str
    frames: int  #: whole frames that decoded to a reading
    bytes: int
    skipped_bytes: int


class Guesses(msgspec.Struct):
    """Which profiles read what a port gave, best first."""

    port: str
    ranked: list[Guess]
    text: str  #: for a person
    sent: list[str]  #: all that was sent, in order
    identity: str = ""
    unasked: list[str] = []  #: profiles that only a request of their own would have shown


def _key(settings: PortSettings) -> tuple[object, ...]:
    return (settings.baud, settings.bytesize, settings.parity, settings.stopbits, settings.dtr, settings.rts,
            settings.rtscts, settings.xonxoff)  # fmt: skip


def _groups(profiles: Iterable[Profile]) -> list[list[Profile]]:
    """Profiles by line settings: each setting is opened once."""
    groups: dict[tuple[object, ...], list[Profile]] = {}
    for profile in profiles:
        groups.setdefault(_key(profile.port), []).append(profile)
    return list(groups.values())


def _listens(profile: Profile) -> bool:
    return not isinstance(profile.decode, Scpi | Modbus | Typed) and not profile.poll.request


def guess(
    port: str,
    profiles: Sequence[Profile] | None = None,
    *,
    listen: float = LISTEN,
    clock: Callable[[], float] = time.monotonic,
) -> Guesses:
    """Listen with every profile's settings; only where nothing at all was heard, ask `*IDN?`.

    A port that sends anything by itself is never sent anything: it may be a listener's meter at a speed that no
    profile has. Raises: PortError: cannot be opened.
    """
    tried = [load(name) for name in shipped()] if profiles is None else list(profiles)
    ranked: list[Guess] = []
    heard = 0
    for group in _groups(profile for profile in tried if _listens(profile)):
        pieces = _listen(port, group[0].port, listen, clock)
        heard += sum(len(piece.data) for piece in pieces)
        ranked += [_score(profile, pieces) for profile in group]
    loose = {profile.name for profile in tried if isinstance(profile.decode, TextLine)}
    ranked = sorted((each for each in ranked if each.frames), key=lambda each: _rank(each, loose=each.profile in loose))
    unasked = [each.name for each in tried if isinstance(each.decode, Modbus) or each.poll.request]
    if ranked:
        best = ranked[0]
        whole = counted(best.frames, "whole frame")
        return Guesses(port, ranked, f"{best.profile} reads it: {whole}. Nothing was sent.", [])
    if heard:
        told = f"{counted(heard, 'byte')} came unasked, but no profile reads that. Nothing was sent."
        return Guesses(port, [], told, [], unasked=unasked)
    return _ask(port, tried, unasked, clock)


def _rank(found: Guess, *, loose: bool) -> tuple[float, int]:
    """Most whole frames first. A pattern for any text reads numbers in many a stricter format too: half weight."""
    return (-found.frames * (0.5 if loose else 1.0), found.skipped_bytes)


def _listen(port: str, settings: PortSettings, seconds: float, clock: Callable[[], float]) -> list[WirePiece]:
    line = Port(port, settings, clock=clock)
    line.open()
    try:
        end = line.now() + seconds
        while line.now() < end and not line.finished:
            line.read(min(0.1, seconds))
    finally:
        line.close()
    return line.drained()


def _score(profile: Profile, pieces: Sequence[WirePiece]) -> Guess:
    framer, decode = build(profile)
    frames = skipped = 0
    for piece in pieces:
        for item in framer.feed(piece.data):
            got = decode(item.raw, piece.elapsed) if isinstance(item, Frame) else []
            whole = any(isinstance(found, Reading) and found.status is not Status.INVALID for found in got)
            frames += whole
            skipped += 0 if whole else len(item.raw)
    return Guess(profile.name, frames, sum(len(piece.data) for piece in pieces), skipped)


def _ask(port: str, profiles: Sequence[Profile], unasked: list[str], clock: Callable[[], float]) -> Guesses:
    sent: list[str] = []
    for group in _groups(profile for profile in profiles if isinstance(profile.decode, Scpi)):
        table = group[0].decode
        end = wire_bytes(table.write_end) if isinstance(table, Scpi) else b"\n"
        sent.append(f"*IDN? at {group[0].port.baud} baud")
        answer = _identify(port, group[0].port, b"*IDN?" + end, clock)
        if len(answer.split(",")) >= 3:  # maker, model, serial number, firmware
            ranked = [Guess(profile.name, 1, len(answer), 0) for profile in group]
            text = f"It answered *IDN? with {answer!r}: {' or '.join(each.profile for each in ranked)}."
            return Guesses(port, ranked, f"{text} Sent: {', '.join(sent)}.", sent, answer)
    later = f" Not tried, since they take a request of their own: {', '.join(unasked)}." if unasked else ""
    said = f"Sent: {', '.join(sent)}." if sent else "Nothing was sent."
    return Guesses(port, [], f"Nothing came and nothing answered. {said}{later}", sent, unasked=unasked)


def _identify(port: str, settings: PortSettings, request: bytes, clock: Callable[[], float]) -> str:
    line = Port(port, settings, clock=clock)
    line.open()
    answer = b""
    try:
        line.expect(1.0)
        line.write(request)
        end = line.now() + 1.0
        while line.now() < end and b"\n" not in answer:
            answer += line.read(0.1)
    except PortError:
        return ""
    finally:
        line.close()
    text = answer.replace(request.strip(), b"").strip().decode("ascii", "replace")
    return "".join(character if character.isprintable() else " " for character in text).strip()[:200]
