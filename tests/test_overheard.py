"""A conversation that was recorded, decoded by listening: the same readings as whoever held it got."""

from __future__ import annotations

import struct
from pathlib import Path

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.decode.modbus_registers import spans
from drivers.meter import Meter
from drivers.modbus import crc, request
from drivers.overheard import overheard, pieces_of
from drivers.port import WirePiece
from drivers.profile import load, names
from drivers.reading import Coupling, Quantity, Reading

Pieces = list[tuple[float, str, bytes]]


def listened(profile: str, pieces: Pieces, **decode: object) -> list[Reading]:
    """What is heard of these pieces; `decode` changes keys of the profile's table."""
    loaded = load(profile)
    if decode:
        loaded = msgspec.structs.replace(loaded, decode=msgspec.structs.replace(loaded.decode, **decode))
    heard = overheard(loaded)
    found = [reading for piece in pieces for reading in pieces_of(WirePiece(*piece), heard)]
    return found + heard.cut()


def held(folder: Path, profile: str, pieces: Pieces) -> list[Reading]:
    """What a meter gets that holds the same conversation, with the log in the instrument's place."""
    path = folder / "wire.csv"
    rows = [f"{at:.6f},v,{way},{data.hex()}\r\n" for at, way, data in pieces]
    path.write_text("elapsed_s,meter,direction,hex\r\n" + "".join(rows), "utf-8", newline="")
    meter = Meter("v", load(profile), f"replay://{path}?speed=0", clock=lambda: 0.0)
    found = list(meter.open().readings)
    while not meter.finished:
        found += meter.read().readings
    return found + meter.close().readings


def modbus_log(count: int, *, echo: bool = False) -> Pieces:
    """Requests for every span of the shipped map, each with a reply whose check bytes fit; cut in the middle."""
    table = load("modbus-ac").decode
    pieces: Pieces = []
    for turn in range(count):
        for n, (start, size) in enumerate(spans(table)):  # type: ignore[arg-type]  # the profile's family is modbus
            asked = request(table.unit_id, start, size)  # type: ignore[union-attr]  # as above
            words = [2301 + turn, *range(size - 1)]
            body = bytes((table.unit_id, 4, 2 * size)) + struct.pack(f">{size}H", *words)  # type: ignore[union-attr]  # as above
            reply = (asked if echo else b"") + body + crc(body)
            at = turn + n / 10
            pieces += [(at, "tx", asked), (at + 0.02, "rx", reply[:6]), (at + 0.03, "rx", reply[6:])]
    return pieces


@pytest.mark.parametrize("echo", [False, True])
def test_a_module_that_is_polled_is_heard_as_it_was_read(tmp_path: Path, echo: bool) -> None:
    pieces = modbus_log(4, echo=echo)

    heard = listened("modbus-ac", pieces)

    assert heard == held(tmp_path, "modbus-ac", pieces) and len(heard) >= 4


def test_a_reply_that_nobody_asked_for_or_that_does_not_check_is_no_reading() -> None:
    asked, first, rest = modbus_log(1)[:3]
    spoilt = (rest[0], rest[1], rest[2][:-1] + bytes([rest[2][-1] ^ 1]))

    assert listened("modbus-ac", [first, rest]) == [] == listened("modbus-ac", [asked, first, spoilt])
    assert listened("modbus-ac", [asked, first, rest]) != []


def scpi_log(answers: list[bytes]) -> Pieces:
    """Set up, then so many readings asked for and answered, an error question after the second."""
    pieces: Pieces = [(0.0, "tx", b"*IDN?\n"), (0.1, "rx", b"EXAMPLE,METER,1,1.0\r\n"), (0.2, "tx", b"CONF:VOLT:AC\n"),
                      (0.3, "tx", b"SYST:ERR?\n"), (0.4, "rx", b'+0,"No error"\r\n')]  # fmt: skip
    for n, answer in enumerate(answers):
        pieces += [(1.0 + n, "tx", b"READ?\n"), (1.2 + n, "rx", answer[:3]), (1.3 + n, "rx", answer[3:])]
        if n == 1:
            pieces += [(1.5 + n, "tx", b"SYST:ERR?\n"), (1.6 + n, "rx", b"0\r\n")]
    return pieces


def test_only_answers_to_a_reading_query_are_readings() -> None:
    """The identity holds numbers, and the error queue's bare 0 looks like a reading of 0 V."""
    found = listened("scpi-bench", scpi_log([b"+1.174E+02\r\n", b"+1.175E+02\r\n", b"+9.9E+37\r\n"]))

    assert [reading.value for reading in found] == [117.4, 117.5, None]
    assert [str(reading.status) for reading in found] == ["ok", "ok", "overload"]
    assert [reading.elapsed for reading in found] == [1.3, 2.3, 3.3]


def test_a_function_that_was_set_in_between_says_what_the_next_answers_are() -> None:
    pieces = scpi_log([b"+1.174E+02\r\n"])
    pieces += [(5.0, "tx", b"CONF:RES\n"), (5.1, "tx", b"READ?\n"), (5.5, "rx", b"+4.7E+03\n"),
               (6.0, "tx", b"MEAS:CURR:AC?\n"), (6.5, "rx", b"+6.2E-02\n")]  # fmt: skip

    found = listened("scpi-bench", pieces)

    assert [(r.quantity, r.coupling, r.value) for r in found] == [
        (Quantity.VOLTAGE, Coupling.AC, 117.4), (Quantity.RESISTANCE, Coupling.NONE, 4700.0),
        (Quantity.CURRENT, Coupling.AC, 0.062),
    ]  # fmt: skip


def test_an_instrument_turned_to_dc_at_its_panel_gives_no_readings_of_ac() -> None:
    """Each reading waits for the answer to FUNC?; another one than after setting up, and it does not count."""
    ask = [(0.0, "tx", b"CONF:VOLT:AC\n"), (0.1, "tx", b"FUNC?\n"), (0.2, "rx", b'"VOLT:AC"\n')]
    one = [(1.0, "tx", b"READ?\n"), (1.1, "rx", b"+1.1E+02\n"), (1.2, "tx", b"FUNC?\n"), (1.3, "rx", b'"VOLT:AC"\n')]
    two = [(2.0, "tx", b"READ?\n"), (2.1, "rx", b"+0.0E+00\n"), (2.2, "tx", b"FUNC?\n"), (2.3, "rx", b'"VOLT:DC"\n')]

    found = listened("scpi-bench", [*ask, *one, *two], verify="FUNC?")

    assert [reading.value for reading in found] == [110.0]


def test_a_cr_at_the_end_of_what_came_ends_its_line_when_nothing_follows() -> None:
    pieces: Pieces = [(0.0, "rx", b"0 V\r"), (0.5, "rx", b"1 V\r"), (1.0, "rx", b"2 V\r"), (1.001, "rx", b"\n3 V\r")]

    assert [(r.value, r.elapsed) for r in listened("text-line", pieces)] == [(1.0, 0.5), (2.0, 1.001), (3.0, 1.001)]


@given(data=st.data(), name=st.sampled_from([name for name in names() if name != "typed"]))
def test_any_bytes_either_way_give_readings_or_nothing_and_never_an_exception(data: st.DataObject, name: str) -> None:
    pieces = data.draw(
        st.lists(st.tuples(st.floats(0, 99), st.sampled_from(["rx", "tx"]),
                           st.binary(max_size=30) | st.sampled_from([b"READ?\n", b"SYST:ERR?\n", b"1.5\n"])))
    )  # fmt: skip
    for reading in listened(name, sorted(pieces, key=lambda piece: piece[0])):
        assert isinstance(reading, Reading)
