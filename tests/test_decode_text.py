"""Text: SCPI numbers, lines of boards and loggers, typed values; and the words of a register map."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.accuracy import Accuracies
from drivers.decode import typed
from drivers.decode.families import build
from drivers.decode.modbus_registers import encode as words_of
from drivers.decode.modbus_registers import readings, spans
from drivers.decode.scpi_numbers import ScpiDecoder, parse_numbers
from drivers.decode.scpi_numbers import encode as reply
from drivers.decode.tables import Field, Modbus, Register, Scpi, TextLine
from drivers.decode.text_line import TextLineDecoder
from drivers.framing import Frame, Skipped
from drivers.profile import load, read_profile
from drivers.reading import Coupling, Quantity, Reading, Status

OVER, BAD = Status.OVERLOAD, Status.INVALID
AC, DC, NO = Coupling.AC, Coupling.DC, Coupling.NONE


# SCPI numbers


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("+1.23456000E+00\r\n", [1.23456]),
        ("+9.90000000E+37\r\n", [OVER]),
        ("-9.9E+37", [OVER]),
        ("9.91E+37", [BAD]),
        ("-1.00000000E-03,-1.01000000E-03\r\n", [-0.001, -0.00101]),
        ("+24", [24.0]),
        ("-113", [-113.0]),
        ("0", [0.0]),
        ("+13.234", [13.234]),
        ("-.00002", [-0.00002]),
        ("3.4567", [3.4567]),
        ("+1.2345E+0", [1.2345]),
        ("1., 2.", [1.0, 2.0]),
        ("+1.5VDC", [1.5]),
        ("+1.5E+00VDC,+12.3SECS,+00012RDNG#", [1.5]),
        ("+1.5VDC,+1.6VDC", [1.5, 1.6]),
        ("1.0,9.9E37,2.0", [1.0, OVER, 2.0]),
        ("", []),
        ("nan", []),
        ("inf", []),
        ("1_000", []),
        ("1.2.3", []),
        ("1,,2", []),
        ("1e9999", []),
        ("1.5E", []),
        ("1.5E+", []),
        ('0,"No error"', []),
        ("=>", []),
    ],
)
def test_numbers_of_instruments(text: str, expected: list[float | Status]) -> None:
    assert parse_numbers(text) == expected


def test_numbers_beyond_every_meter_are_no_values() -> None:
    assert parse_numbers("1E+308") == [BAD] and parse_numbers("1E+999") == [BAD] and parse_numbers("-1E+999") == [OVER]


def _scpi(text: bytes, table: Scpi | None = None) -> list[tuple[Status, float | None] | str]:
    found = ScpiDecoder(table or Scpi())(text, 2.0)
    return [f.reason if isinstance(f, Skipped) else (f.status, f.value) for f in found]


def test_a_reply_becomes_readings_of_what_was_asked_for() -> None:
    (found,) = ScpiDecoder(Scpi(quantity=Quantity.CURRENT, coupling=DC, range="3 A", resolution="1 uA"))(
        b"+0.112\r\n", 2.0
    )

    assert isinstance(found, Reading)
    assert (found.quantity, found.coupling, found.unit, found.value) == (Quantity.CURRENT, DC, "A", 0.112)
    assert (found.range, found.resolution, found.elapsed) == (3.0, 1e-6, 2.0)


def test_replies_that_are_no_numbers_are_skipped_with_their_bytes() -> None:
    assert _scpi(b'-113,"Undefined header"\n') == ["not a list of numbers"]
    assert _scpi(b"\r\n") == [] and _scpi(b"=>\r\n", Scpi(prompts=("=>",))) == []


def test_letters_that_contradict_the_question_make_the_value_invalid() -> None:
    """Volts DC where AC was asked for; and MV, which may be milli or mega."""
    assert _scpi(b"1.5VAC\n") == [(Status.OK, 1.5)] and _scpi(b"1.5V\n") == [(Status.OK, 1.5)]
    assert _scpi(b"1.5VDC\n") == _scpi(b"1.5A\n") == _scpi(b"1.5MV\n") == [(BAD, None)]


@settings(max_examples=100, deadline=None)
@given(values=st.lists(st.floats(-9e37, 9e37), min_size=1, max_size=20))
def test_every_value_that_an_instrument_can_send_decodes_to_itself(values: list[float]) -> None:
    assert parse_numbers(reply(*values).decode()) == [float(f"{v:.8E}") for v in values]
    assert parse_numbers(reply(OVER, BAD).decode()) == [OVER, BAD]


# Lines of text


def lines(table: TextLine, *texts: str) -> list[list[tuple[str, Quantity, Coupling, Status, float | None]] | str]:
    decode = TextLineDecoder(table)
    out: list[list[tuple[str, Quantity, Coupling, Status, float | None]] | str] = []
    for text in texts:
        found = decode(text.encode(), 0.0)
        told = [(f.channel, f.quantity, f.coupling, f.status, f.value) for f in found if isinstance(f, Reading)]
        out.append(found[0].reason if found and isinstance(found[0], Skipped) else told)
    return out


V, A = Quantity.VOLTAGE, Quantity.CURRENT
LABELLED = TextLine(
    pattern=r"(?P<channel>[A-Za-z]+)[=:](?P<value>[+-]?(?:\d+\.?\d*|\w+))\s*(?P<unit>[um]?[VA])?",
    channels={"V": Field(quantity=V, unit="V", coupling=AC), "I": Field(quantity=A, unit="mA", coupling=DC)},
)


def test_one_line_may_hold_several_channels() -> None:
    assert lines(LABELLED, "V:12.34,I:0.567", "V=12.34V;I=500uA", "t=5,V=-0.05 V") == [
        [("V", V, AC, Status.OK, 12.34), ("I", A, DC, Status.OK, 0.000567)],
        [("V", V, AC, Status.OK, 12.34), ("I", A, DC, Status.OK, 0.0005)],
        [("V", V, AC, Status.OK, -0.05)],
    ]


def test_texts_in_place_of_a_number_and_wrong_units_are_no_values() -> None:
    assert lines(LABELLED, "V:ovf", "V:inf", "V:nan", "I=5V", "boot ok", "t=5") == [
        [("V", V, AC, OVER, None)],
        [("V", V, AC, OVER, None)],
        [("V", V, AC, BAD, None)],
        "unit V where current was expected",
        "no value in the line",
        "channel t is not in the profile",
    ]


def test_columns_are_channels_by_their_place_and_a_time_stamp_is_left_out() -> None:
    table = TextLine(
        pattern=r"(?P<value>[+-]?\d+(?:\.\d+)?)", fields=3,
        channels={"2": Field(quantity=V, unit="V", coupling=AC), "3": Field(quantity=A, unit="A", coupling=AC)},
    )  # fmt: skip
    assert lines(table, "1234,12.34,0.567", "1234,12.34") == [
        [("2", V, AC, Status.OK, 12.34), ("3", A, AC, Status.OK, 0.567)],
        "2 values, expected 3",
    ]


def test_a_json_line_is_read_as_json() -> None:
    table = TextLine(pattern=r"(?P<value>\d+)", channels={"v": Field(quantity=V, coupling=DC), "i": Field(quantity=A)})

    assert lines(table, '{"v":12.3,"i":0.5,"ok":true}', '{"v":', '{"v":"12"}') == [
        [("v", V, DC, Status.OK, 12.3), ("i", A, NO, Status.OK, 0.5)],
        "no value in the line",
        "no value in the line",
    ]


def test_decimal_commas_where_the_profile_says_so() -> None:
    table = TextLine(pattern=r"(?P<value>[+-]?\d+,\d+)", decimal_comma=True, channels={"1": Field(quantity=V)})

    assert lines(table, "12,34") == [[("1", V, NO, Status.OK, 12.34)]]


def test_words_for_function_and_coupling_come_from_the_profile() -> None:
    """Lines of a meter that sends its function in front and a blank before the line end."""
    table = TextLine(
        pattern=r"^(?P<quantity>[A-Z]{3}) (?P<value>[+-]?[\d.]+|OL) (?P<unit>\w+) ?$", fields=1,
        words={"DCV": "voltage dc", "ACV": "voltage ac", "OHM": "resistance", "DIO": "diode"},
    )  # fmt: skip
    assert lines(table, "DCV -1.2345 mV \r\n", "ACV OL V", "OHM 4.7 Kohm", "DIO 0.56 V", "ACV 5 Kohm", "XYZ 5 V") == [
        [("", V, DC, Status.OK, -0.0012345)],
        [("", V, AC, OVER, None)],
        [("", Quantity.RESISTANCE, NO, Status.OK, 4700.0)],
        [("", Quantity.DIODE, NO, Status.OK, 0.56)],
        "unit Kohm where voltage was expected",
        "unknown word xyz",
    ]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("12.345", (V, NO, Status.OK, 12.345)),
        ("117.4 mV ac", (V, AC, Status.OK, 0.1174)),
        ("1.2 Vdc", (V, DC, Status.OK, 1.2)),
        ("Bus Voltage: 12.06 V", (V, NO, Status.OK, 12.06)),
        ("I=500uA", (A, NO, Status.OK, 0.0005)),
        ("23.1 °C", (Quantity.TEMPERATURE, NO, Status.OK, 23.1)),
        ("4.7 kΩ", (Quantity.RESISTANCE, NO, Status.OK, 4700.0)),
        ("5e-3 V", (V, NO, Status.OK, 0.005)),
        ("230 V ac+dc", (V, Coupling.ACDC, Status.OK, 230.0)),
        ("OL V ac", (V, AC, OVER, None)),
        ("nan", (V, NO, BAD, None)),
        ("I:0.567", None),  # labelled, without a unit: what it is cannot be known
        ("rst:0x1 (POWERON_RESET)", None),
        ("1234,12.34,0.567", None),
    ],
)
def test_the_shipped_line_profile_takes_one_value_a_line(
    text: str, expected: tuple[Quantity, Coupling, Status, float | None] | None
) -> None:
    (found,) = build(load("text-line"))[1](text.encode() + b"\r\n", 0.0)

    if expected is None:
        assert isinstance(found, Skipped)
    else:
        assert isinstance(found, Reading)
        assert (found.quantity, found.coupling, found.status, found.value) == expected


def test_the_resolution_of_a_line_is_what_its_digits_say() -> None:
    (found,) = build(load("text-line"))[1](b"117.4 mV ac", 0.0)
    (scientific,) = build(load("text-line"))[1](b"1.174e2 mV ac", 0.0)

    assert isinstance(found, Reading) and found.resolution == 0.0001
    assert isinstance(scientific, Reading) and scientific.resolution is None and scientific.value == 0.1174


@pytest.mark.parametrize(
    ("pattern", "poll", "kept"),
    [(r"(?P<value>\d+)", "", False), (r"^V=(?P<value>\d+)", "", True), (r"(?P<value>\d+)", "?", True)],
)
def test_a_first_line_is_kept_only_where_it_must_be_whole(pattern: str, poll: str, kept: bool) -> None:
    text = f"schema = 1\ntitle = ''\npoll.request = '{poll}'\n[decode]\nfamily = 'text-line'\npattern = '{pattern}'\n"
    framer, _ = build(read_profile(text, "own", "own.toml"))

    assert [isinstance(item, Frame) for item in framer.feed(b"V=30\nV=230\n")] == [kept, True]


# Register maps


def _map() -> Modbus:
    table = load("modbus-ac").decode
    assert isinstance(table, Modbus)
    return table


def test_the_integer_modules_of_the_makers_manual() -> None:
    """Data of the frames 01 04 14 ..: 230.1 V, 1.234 A, 283.9 W, 50.0 Hz, 0.99; and 70 A with the high word in use."""
    first = [0x08FD, 0x04D2, 0, 0x0B17, 0, 0x3AC2, 0, 0x01F4, 0x0063, 0]
    second = [0x08F7, 0x1170, 1, 0x738A, 2, 0, 0, 0x01F4, 0x0064, 0xFFFF]

    assert [r.value for r in readings(_map(), first, 0.0)] == [230.1, 1.234, 283.9, 50.0, 99.0]
    assert [r.value for r in readings(_map(), second, 0.0)] == [229.5, 70.0, 16065.0, 50.0, 100.0]
    assert [r.quantity for r in readings(_map(), first, 0.0)] == [V, A, "power", "frequency", "ratio"]


def test_float_meters_have_the_words_either_way_round() -> None:
    """230.1 is 43 66 19 9A high word first; 10.28 is 7A E1 41 24 low word first."""
    high = Modbus(registers=(Register(address=0, quantity=V, coupling=AC, kind="f32-high-first"),))
    low = Modbus(registers=(Register(address=0, quantity=V, coupling=AC, kind="f32-low-first"),))

    assert [r.value for r in readings(high, [0x4366, 0x199A], 0.0)] == [pytest.approx(230.1, rel=1e-7)]
    assert [r.value for r in readings(low, [0x7AE1, 0x4124], 0.0)] == [pytest.approx(10.28, rel=1e-7)]
    assert [r.status for r in readings(high, [0x7FC0, 0], 0.0)] == [BAD]


def test_registers_that_did_not_come_give_no_readings() -> None:
    assert [r.quantity for r in readings(_map(), [0x08FD, 0x04D2], 0.0)] == [V]
    assert [r.value for r in readings(_map(), [500], 0.0, start=7)] == [50.0]


def test_one_request_fetches_a_dense_map() -> None:
    assert spans(_map()) == [(0, 9)]
    far = Modbus(registers=(Register(address=0, quantity=V), Register(address=200, quantity=A)))
    assert spans(far) == [(0, 1), (200, 1)]


@settings(max_examples=100, deadline=None)
@given(count=st.integers(0, 0xFFFFFFFF), kind=st.sampled_from(["u16", "u32-low-first", "u32-high-first"]))
def test_every_value_of_a_register_decodes_to_itself(count: int, kind: str) -> None:
    count = count & 0xFFFF if kind == "u16" else count
    register = Register(address=0, quantity=V, kind=kind, scale=0.1)  # type: ignore[arg-type]  # one of the literals
    value = float(f"{count}e-1")

    assert [r.value for r in readings(Modbus(registers=(register,)), words_of(register, value), 0.0)] == [value]


def test_typed_and_register_readings_carry_their_uncertainty() -> None:
    """±(1.2 % + 5 digits) of 117.4 V on 0.1 V counts, and ±(1 % + 5 digits) of 230.1 V, over the root of 3."""
    found = typed.read("117.4 V ac", 0.0, fit=Accuracies.of(load("typed")).fit)
    assert isinstance(found, Reading) and found.u == pytest.approx((0.012 * 117.4 + 0.5) / 3**0.5)
    (volts,) = readings(_map(), [0x08FD], 0.0, fit=Accuracies.of(load("modbus-ac")).fit)
    assert volts.u == pytest.approx((0.01 * 230.1 + 0.5) / 3**0.5)
