"""Frames with codes: polled text, packed digits and the 16-character stream, by the makers' tables."""

from __future__ import annotations

import pytest

from drivers.decode.packed import PackedDecoder
from drivers.decode.packed import encode as block
from drivers.decode.polled_text import PolledTextDecoder
from drivers.decode.polled_text import encode as answer
from drivers.decode.stream16 import Stream16Decoder
from drivers.decode.stream16 import encode as frame16
from drivers.decode.tables import Packed, PackedFunction, Stream16
from drivers.framing import Skipped
from drivers.profile import load
from drivers.reading import Coupling, Quantity, Reading, Status
from tests.wires import PACKED, point

_STREAM = load("stream-16").decode
assert isinstance(_STREAM, Stream16)
STREAM: Stream16 = _STREAM
Told = tuple[Quantity, Coupling, Status, float | None]


def told(found: list[Reading | Skipped]) -> list[Told | str]:
    return [f.reason if isinstance(f, Skipped) else (f.quantity, f.coupling, f.status, f.value) for f in found]


def packed(raw: bytes) -> list[Told | str]:
    return told(PackedDecoder(PACKED)(raw, 0.0))


V, A, OHM = Quantity.VOLTAGE, Quantity.CURRENT, Quantity.RESISTANCE
AC, DC, NO = Coupling.AC, Coupling.DC, Coupling.NONE


# Polled text


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (b"DC -399.9  mV\r", (V, DC, Status.OK, -0.3999)),
        (b"OH  39.99Mohm\r", (OHM, NO, Status.OK, 39.99e6)),
        (b"AC  230.1   V\n", (V, AC, Status.OK, 230.1)),
        (b"DC    O.L   V\r", (V, DC, Status.OVERLOAD, None)),
        (b"OH   .OL kOhm\r", (OHM, NO, Status.OVERLOAD, None)),
        (b"OH  -O.L  Ohm\r", (OHM, NO, Status.OVERLOAD, None)),
        (b"DC     0L   V\r", (V, DC, Status.OVERLOAD, None)),
        (b"OH  4.700kOhm\r", (OHM, NO, Status.OK, 4700.0)),
        (b"OH  4.700KOHM\r", (OHM, NO, Status.OK, 4700.0)),
        (b"OH  0470. Ohm\r", (OHM, NO, Status.OK, 470.0)),
        (b"DC  12.34  mA\r", (A, DC, Status.OK, 0.01234)),
        (b"AC  1.234   A\r", (A, AC, Status.OK, 1.234)),
        (b"DC  123.4  uA\r", (A, DC, Status.OK, 0.0001234)),
        (b"DI  0.560   V\r", (Quantity.DIODE, NO, Status.OK, 0.56)),
        (b"FR  50.00  Hz\r", (Quantity.FREQUENCY, NO, Status.OK, 50.0)),
        (b"FR  50.00 kHz\r", (Quantity.FREQUENCY, NO, Status.OK, 50e3)),
        (b"CA  10.20  nF\r", (Quantity.CAPACITANCE, NO, Status.OK, 1.02e-08)),
        (b"TE  23.10   C\r", (Quantity.TEMPERATURE, NO, Status.OK, 23.1)),
        (b"DC  12 34   V\r", (V, DC, Status.INVALID, None)),
        (b"DC  1.2.3   V\r", (V, DC, Status.INVALID, None)),
        (b"HF  123.4   V\r", "unknown mode HF"),
        (b"DC  12.34 ohm\r", "mode DC with unit ohm"),
        (b"OH  12.34   V\r", "mode OH with unit V"),
        (b"DC  12.34 xyz\r", "unknown unit xyz"),
        (b"DC  12.34    \r", "unknown unit (blank)"),
    ],
)
def test_polled_text_mode_by_mode(text: bytes, expected: Told | str) -> None:
    assert told(PolledTextDecoder()(text, 0.0)) == [expected]


def test_the_second_stop_bit_may_be_in_the_top_bit_of_every_byte_or_of_none() -> None:
    """The maker's first example as a port at 8N1 gives it."""
    raw = bytes.fromhex("C4 C3 A0 AD B3 B9 B9 AE B9 A0 A0 ED D6 8D")

    assert raw == answer("-399.9", "mV dc", stop_bit=True)
    assert told(PolledTextDecoder()(raw, 0.0)) == [(V, DC, Status.OK, -0.3999)]
    assert told(PolledTextDecoder()(raw[:3] + b"\x2d" + raw[4:], 0.0)) == ["the top bit differs between bytes"]


def test_every_value_of_a_polled_answer_decodes_to_itself() -> None:
    decode = PolledTextDecoder()
    for count in range(0, 10000, 11):
        for places in (1, 2, 3):
            text = ("-" if count % 2 else "") + point(count, places, 4)
            (found,) = decode(answer(text, "mV dc"), 0.0)
            assert isinstance(found, Reading) and found.value == float(text + "e-3")


# Packed digits

#: The makers' table: full scale of each range code.
RANGES = {
    (0x3B, V, DC): ["0.4", "4", "40", "400", "4000"],
    (0x39, A, DC): ["0.04", "0.4"],
    (0x33, OHM, NO): ["400", "4e3", "40e3", "400e3", "4e6", "40e6"],
    (0x32, Quantity.FREQUENCY, NO): ["4e3", "40e3", "400e3", "4e6", "40e6", "400e6"],
    (0x36, Quantity.CAPACITANCE, NO): ["4e-9", "40e-9", "400e-9", "4e-6", "40e-6", "400e-6", "4e-3", "40e-3"],
    (0x3F, A, DC): ["40"],
    (0x35, Quantity.CONTINUITY, NO): ["400"],
    (0x31, Quantity.DIODE, NO): ["4"],
}


@pytest.mark.parametrize(("function", "quantity", "coupling"), RANGES)
def test_every_range_code_of_every_function(function: int, quantity: Quantity, coupling: Coupling) -> None:
    """4000 counts are the full scale, so 2000 counts are half of it."""
    full_scales = RANGES[function, quantity, coupling]
    for code in range(0x30, 0x40):
        raw = block("2000", code, function, "dc auto judge", PACKED)
        if code - 0x30 < len(full_scales):
            full = float(full_scales[code - 0x30])
            (found,) = PackedDecoder(PACKED)(raw, 0.0)
            assert isinstance(found, Reading)
            assert (found.quantity, found.coupling, found.status) == (quantity, coupling, Status.OK)
            assert found.value == pytest.approx(full / 2, rel=1e-15) and found.range == pytest.approx(full, rel=1e-15)
            assert found.resolution == pytest.approx(full / 4000, rel=1e-15)
        else:
            assert packed(raw) == [f"unknown range code {code:02X} of function {function:02X}"]


def test_unknown_functions_and_revolutions_are_no_readings() -> None:
    known = {code for code, _, _ in RANGES}
    for function in set(range(0x30, 0x40)) - known - {0x3D}:
        assert packed(block("1234", 0x30, function, "dc", PACKED)) == [f"unknown function code {function:02X}"]
    assert packed(block("1234", 0x30, 0x32, "", PACKED)) == ["unknown function code 32"]
    assert packed(block("1234", 0x30, 0x3D, "dc", PACKED)) == ["unknown range code 30 of function 3D"]


@pytest.mark.parametrize(
    ("raw", "expected"),
    [
        ("31 31 32 33 34 3B 34 30 3A 0D 0A", (V, DC, Status.OK, -1.234)),
        ("30 31 32 33 34 39 30 30 3A 0D 0A", (A, DC, Status.OK, 0.01234)),
        ("32 34 30 30 30 3B 31 30 36 0D 0A", (V, AC, Status.OVERLOAD, None)),
        ("31 31 32 B3 34 3B 34 B0 BA 0D 8A", (V, DC, Status.OK, -1.234)),
        ("31 31 32 33 34 3B 34 B0 BA 0D 8A", "wrong parity"),
        ("31 31 32 B3 34 3B 34 B0 BA 0D 0A", "wrong parity"),
        ("31 31 3A 33 34 3B 34 30 3A 0D 0A", (V, DC, Status.INVALID, None)),
        ("31 31 32 33 34 3B 30 30 3E 0D 0A", (V, Coupling.ACDC, Status.OK, 1.234)),
        ("31 31 32 33 34 3B 30 30 30 0D 0A", (V, NO, Status.OK, 1.234)),
    ],
)
def test_blocks_of_the_makers_tables(raw: str, expected: Told | str) -> None:
    assert packed(bytes.fromhex(raw)) == [expected]


def test_status_and_option_bits_become_flags() -> None:
    (found,) = PackedDecoder(PACKED)(block("1234", 0x31, 0x3B, "ac auto low-battery power-off vahz", PACKED), 0.0)
    assert isinstance(found, Reading) and found.flags == ("auto", "low-battery") and found.status is Status.OK


def test_other_meters_of_the_family_are_another_table() -> None:
    """One bit for DC or AC, and two for overload, as another chip of the family has them."""
    table = Packed(
        functions={"3B": [PackedFunction(quantity=V, ranges={"30": "400.0 mV"})]},
        status=("sign", "low-battery", "overload-ac", "overload"),
        option_2=("dc-else-ac", "auto", "", "power-off"),
    )
    assert told(PackedDecoder(table)(block("1234", 0x30, 0x3B, "dc-else-ac sign", table), 0.0)) == [
        (V, DC, Status.OK, -0.1234)
    ]
    assert told(PackedDecoder(table)(block("1234", 0x30, 0x3B, "overload-ac", table), 0.0)) == [
        (V, AC, Status.OVERLOAD, None)
    ]


def test_the_second_sending_of_a_block_is_dropped_and_the_next_conversion_kept() -> None:
    raw, other = (block(digits, 0x31, 0x3B, "ac", PACKED) for digits in ("1234", "1235"))
    decode = PackedDecoder(PACKED)
    times = [(raw, 0.0), (raw, 0.05), (raw, 0.40), (raw, 0.45), (other, 0.80), (other, 0.85), (raw, 0.86)]

    assert [len(decode(block_, at)) for block_, at in times] == [1, 0, 1, 0, 1, 0, 1]


def test_two_conversions_that_the_port_gives_at_once_stay_two() -> None:
    raw = block("1234", 0x31, 0x3B, "ac", PACKED)
    decode = PackedDecoder(PACKED)

    assert [len(decode(raw, 7.0)) for _ in range(4)] == [1, 0, 1, 0]


def test_an_equal_block_after_the_window_is_a_reading_of_its_own() -> None:
    raw = block("1234", 0x31, 0x3B, "ac", PACKED)
    decode = PackedDecoder(PACKED)

    assert [len(decode(raw, at)) for at in (0.0, 0.151, 0.302)] == [1, 1, 1]


def test_every_value_of_a_block_decodes_to_itself() -> None:
    decode = PackedDecoder(PACKED)
    for count in range(0, 10000, 3):
        lit = "ac sign" if count % 2 else "ac"
        (found,) = decode(block(f"{count:04d}", 0x30, 0x3B, lit, PACKED, parity=bool(count % 4)), float(count))
        assert isinstance(found, Reading)
        assert found.value == float(f"{'-' if count % 2 else ''}{point(count, 1, 4)}e-3")


# 16 characters


@pytest.mark.parametrize(
    ("raw", "expected"),
    [
        ("02 34 31 33 34 30 33 30 30 30 30 31 32 33 34 0D", (V, DC, Status.OK, 1.234)),
        ("02 34 31 33 37 31 32 30 30 30 30 30 35 36 37 0D", (A, DC, Status.OK, -0.00567)),
        ("02 34 31 35 30 30 31 30 30 30 30 32 33 30 31 0D", (V, AC, Status.OK, 230.1)),
        ("02 34 31 35 30 30 31 20 20 20 20 20 20 4F 4C 0D", (V, AC, Status.OVERLOAD, None)),
        ("02 34 31 35 30 30 31 2D 2D 2D 2D 2D 2D 2D 2D 0D", (V, AC, Status.INVALID, None)),
        ("02 34 31 35 30 30 37 30 30 30 30 32 33 30 31 0D", (V, AC, Status.INVALID, None)),
        ("02 34 31 39 39 30 31 30 30 30 30 32 33 30 31 0D", "unknown unit code 99"),
        ("02 34 31 31 35 30 31 30 30 30 30 32 33 30 31 0D", "unit code 15 (lux) is not recorded"),
    ],
)
def test_stream_frames_of_the_makers_tables(raw: str, expected: Told | str) -> None:
    assert told(Stream16Decoder(STREAM)(bytes.fromhex(raw), 0.0)) == [expected]


@pytest.mark.parametrize(
    ("code", "quantity", "coupling", "value"),
    [
        ("18", V, DC, 0.01234), ("34", V, DC, 12.34), ("49", V, AC, 0.01234), ("50", V, AC, 12.34),
        ("35", A, DC, 1.234e-05), ("37", A, DC, 0.01234), ("36", A, DC, 12.34), ("51", A, AC, 1.234e-05),
        ("53", A, AC, 0.01234), ("52", A, AC, 12.34), ("38", OHM, NO, 12.34), ("39", OHM, NO, 12340.0),
        ("40", OHM, NO, 12.34e6), ("31", Quantity.FREQUENCY, NO, 12.34), ("33", Quantity.FREQUENCY, NO, 12340.0),
        ("67", Quantity.FREQUENCY, NO, 12.34e6), ("46", Quantity.DIODE, NO, 12.34),
        ("01", Quantity.TEMPERATURE, NO, 12.34), ("02", Quantity.TEMPERATURE, NO, (12.34 - 32) / 1.8),
        ("A4", Quantity.CAPACITANCE, NO, 12.34e-12), ("43", Quantity.CAPACITANCE, NO, 12.34e-9),
        ("44", Quantity.CAPACITANCE, NO, 12.34e-6),
    ],
)  # fmt: skip
def test_every_unit_code_that_is_recorded(code: str, quantity: Quantity, coupling: Coupling, value: float) -> None:
    assert told(Stream16Decoder(STREAM)(frame16("12.34", code), 0.0)) == [(quantity, coupling, Status.OK, value)]


@pytest.mark.parametrize("code", ["68", "41", "42", "04", "B5", "E3", "15"])
def test_unit_codes_of_what_is_not_recorded_are_said_to_be_so(code: str) -> None:
    (found,) = Stream16Decoder(STREAM)(frame16("12.34", code), 0.0)
    assert isinstance(found, Skipped) and "is not recorded" in found.reason


def test_the_lower_display_is_a_channel_where_the_profile_wants_it() -> None:
    upper, lower = frame16("230.1", "50", 1), frame16("50.0", "31", 2)
    assert STREAM.displays == ("1",) and Stream16Decoder(STREAM)(lower, 0.0) == []

    both = Stream16Decoder(Stream16(units=STREAM.units, displays=("1", "2")))
    found = [reading for raw in (upper, lower) for reading in both(raw, 0.0)]
    assert [(f.channel, f.value) for f in found if isinstance(f, Reading)] == [("1", 230.1), ("2", 50.0)]


def test_every_value_of_a_stream_frame_decodes_to_itself() -> None:
    decode = Stream16Decoder(STREAM)
    for count in range(0, 10**8, 98765):
        for places in range(4):
            text = ("-" if count % 2 else "") + point(count, places, 8)
            (found,) = decode(frame16(text, "53"), 0.0)
            assert isinstance(found, Reading) and found.value == float(text + "e-3")
