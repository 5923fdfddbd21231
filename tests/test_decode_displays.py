"""Handheld frames: every sign, digit and range code of the makers' tables, and the frames constructed from them."""

from __future__ import annotations

import pytest

from drivers.decode.ascii_status import AsciiStatusDecoder
from drivers.decode.ascii_status import encode as ascii_frame
from drivers.decode.numbered import SEGMENTS, NumberedDecoder
from drivers.decode.numbered import encode as numbered_frame
from drivers.decode.showing import scaled, words
from drivers.decode.tables import Numbered
from drivers.framing import Skipped
from drivers.reading import Coupling, Quantity, Reading, Status
from tests.wires import point


def numbered(raw: bytes) -> Reading:
    (found,) = NumberedDecoder()(raw, 1.5)
    assert isinstance(found, Reading)
    return found


def status(raw: bytes) -> Reading:
    (found,) = AsciiStatusDecoder()(raw, 1.5)
    assert isinstance(found, Reading)
    return found


def test_the_numbered_frames_of_the_interface_sheet() -> None:
    dc = numbered(bytes.fromhex("17 20 35 4D 5B 61 7F 82 97 A0 B0 C0 D4 E0"))
    assert (dc.value, dc.unit, dc.coupling, dc.flags) == (1.234, "V", Coupling.DC, ("auto",))
    assert (dc.elapsed, dc.resolution, dc.range) == (1.5, 0.001, 4.0)

    milliamps = numbered(bytes.fromhex("15 2F 3D 45 5B 61 7F 8A 97 A0 B8 C0 D8 E0"))
    assert (milliamps.value, milliamps.unit, milliamps.coupling, milliamps.flags) == (-0.0234, "A", Coupling.DC, ())

    over = numbered(bytes.fromhex("1B 20 30 47 5D 6E 78 80 90 A0 B0 C0 D4 E0"))
    assert (over.status, over.value, over.coupling, over.range) == (Status.OVERLOAD, None, Coupling.AC, 40.0)


def test_the_status_frames_of_the_protocol_sheet() -> None:
    dc = status(bytes.fromhex("2B 31 32 33 34 20 31 31 00 00 80 0D 0D 0A"))
    assert (dc.value, dc.unit, dc.coupling, dc.flags, dc.range) == (1.234, "V", Coupling.DC, ("auto",), 6.0)

    milliamps = status(bytes.fromhex("2D 30 34 35 36 20 34 11 00 40 40 84 0D 0A"))
    assert (milliamps.value, milliamps.unit, milliamps.coupling) == (-0.0456, "A", Coupling.DC)

    over = status(bytes.fromhex("2B 3F 30 3A 3F 20 31 28 00 00 80 00 0D 0A"))
    assert (over.status, over.value, over.coupling, over.range) == (Status.OVERLOAD, None, Coupling.AC, 6.0)


#: Annunciators and what the reading then is: quantity, coupling, status, value of a display of 12.34.
SHOWN = [
    ("V ac", Quantity.VOLTAGE, Coupling.AC, Status.OK, 12.34),
    ("V dc", Quantity.VOLTAGE, Coupling.DC, Status.OK, 12.34),
    ("V ac dc", Quantity.VOLTAGE, Coupling.ACDC, Status.OK, 12.34),
    ("V", Quantity.VOLTAGE, Coupling.NONE, Status.OK, 12.34),
    ("mV dc", Quantity.VOLTAGE, Coupling.DC, Status.OK, 0.01234),
    ("A ac", Quantity.CURRENT, Coupling.AC, Status.OK, 12.34),
    ("mA ac", Quantity.CURRENT, Coupling.AC, Status.OK, 0.01234),
    ("uA dc", Quantity.CURRENT, Coupling.DC, Status.OK, 1.234e-05),
    ("ohm", Quantity.RESISTANCE, Coupling.NONE, Status.OK, 12.34),
    ("kohm auto", Quantity.RESISTANCE, Coupling.NONE, Status.OK, 12340.0),
    ("Mohm", Quantity.RESISTANCE, Coupling.NONE, Status.OK, 12340000.0),
    ("ohm continuity", Quantity.CONTINUITY, Coupling.NONE, Status.OK, 12.34),
    ("V diode", Quantity.DIODE, Coupling.NONE, Status.OK, 12.34),
    ("Hz", Quantity.FREQUENCY, Coupling.NONE, Status.OK, 12.34),
    ("kHz", Quantity.FREQUENCY, Coupling.NONE, Status.OK, 12340.0),
    ("%", Quantity.RATIO, Coupling.NONE, Status.OK, 12.34),
    ("nF", Quantity.CAPACITANCE, Coupling.NONE, Status.OK, 1.234e-08),
    ("uF", Quantity.CAPACITANCE, Coupling.NONE, Status.OK, 1.234e-05),
    ("V ac hold", Quantity.VOLTAGE, Coupling.AC, Status.HELD, 12.34),
    ("V ac relative", Quantity.VOLTAGE, Coupling.AC, Status.INVALID, None),
    ("V ac hold relative", Quantity.VOLTAGE, Coupling.AC, Status.INVALID, None),
    ("V ac low-battery", Quantity.VOLTAGE, Coupling.AC, Status.OK, 12.34),
    ("V ac ohm", Quantity.VOLTAGE, Coupling.AC, Status.INVALID, None),
    ("mV dc kilo", Quantity.VOLTAGE, Coupling.DC, Status.INVALID, None),
]


@pytest.mark.parametrize(("shows", "quantity", "coupling", "state", "value"), SHOWN)
def test_every_sign_of_both_displays(
    shows: str, quantity: Quantity, coupling: Coupling, state: Status, value: float | None
) -> None:
    for found in (numbered(numbered_frame("12.34", shows)), status(ascii_frame("12.34", shows))):
        assert (found.quantity, found.coupling, found.status, found.value) == (quantity, coupling, state, value)
        expected = {word for word in ("auto", "hold", "relative", "low-battery") if word in shows}
        assert set(found.flags) - {"no-coupling", "unit-conflict"} == expected
        assert ("no-coupling" in found.flags) == (quantity is Quantity.VOLTAGE and coupling is Coupling.NONE)
        assert ("unit-conflict" in found.flags) == (shows in ("V ac ohm", "mV dc kilo"))


@pytest.mark.parametrize(
    ("shows", "quantity", "state", "value"),
    [
        ("V ac min", Quantity.VOLTAGE, Status.HELD, 12.34),
        ("V ac max", Quantity.VOLTAGE, Status.HELD, 12.34),
        ("V ac min max", Quantity.VOLTAGE, Status.HELD, 12.34),
        ("degC", Quantity.TEMPERATURE, Status.OK, 12.34),
        ("degF", Quantity.TEMPERATURE, Status.OK, (12.34 - 32) / 1.8),
        ("hFE", Quantity.RATIO, Status.INVALID, None),
        ("V ac power-off bar", Quantity.VOLTAGE, Status.OK, 12.34),
    ],
)
def test_the_signs_that_only_the_status_bytes_have(
    shows: str, quantity: Quantity, state: Status, value: float | None
) -> None:
    found = status(ascii_frame("12.34", shows))

    assert (found.quantity, found.status, found.value) == (quantity, state, value)
    assert found.unit == {"degC": "Cel", "degF": "Cel", "hFE": "%"}.get(shows, "V")
    assert {word for word in ("min", "max") if word in shows.split()} <= set(found.flags)


def test_the_makers_own_byte_can_be_named_in_the_profile_and_is_shown_until_then() -> None:
    named = Numbered(byte_13=("", "", "", "celsius"))
    raw = numbered_frame("23.1", "degC", named)

    (found,) = NumberedDecoder(named)(raw, 0.0)
    assert isinstance(found, Reading)
    assert (found.quantity, found.value, found.unit) == (Quantity.TEMPERATURE, 23.1, "Cel")
    assert NumberedDecoder()(raw, 0.0) == [Skipped(raw, "no unit is lit")]
    assert numbered(numbered_frame("12.34", "V ac maker-2")).flags == ("maker-2",)


def test_the_four_signs_of_byte_0_can_be_turned_round() -> None:
    """On DC with automatic range the first byte is 17 in one order and 1E in the other."""
    turned = Numbered(flags=("rs232", "auto", "dc", "ac"))

    assert numbered_frame("1.234", "V dc auto")[0] == 0x17
    assert numbered_frame("1.234", "V dc auto", turned)[0] == 0x1E


@pytest.mark.parametrize("shows", ["V dc", "mV dc", "kohm"])
def test_every_value_of_four_digits_decodes_to_the_float_that_its_text_gives(shows: str) -> None:
    exponent = {"V dc": "", "mV dc": "e-3", "kohm": "e3"}[shows]
    decode_numbered, decode_status = NumberedDecoder(), AsciiStatusDecoder()
    wrong = []
    for count in (*range(0, 10000, 7), 9999):
        for places in range(4):
            text = ("-" if count % 2 else "") + point(count, places, 4)
            for found in (*decode_numbered(numbered_frame(text, shows), 0.0),
                          *decode_status(ascii_frame(text, shows), 0.0)):  # fmt: skip
                if not isinstance(found, Reading) or found.value != float(text + exponent):
                    wrong.append((text, found))
    assert wrong == []


@pytest.mark.parametrize("display", [" 0.L ", "0L", ".0L ", "0.L", "-0L"])
def test_an_l_on_the_display_is_overload(display: str) -> None:
    found = numbered(numbered_frame(display, "Mohm auto"))

    assert (found.status, found.value, found.quantity) == (Status.OVERLOAD, None, Quantity.RESISTANCE)


@pytest.mark.parametrize("shows", ["V ac hold", "V ac relative"])
def test_a_held_or_relative_overload_is_nothing_that_is_so_now(shows: str) -> None:
    assert numbered(numbered_frame("0L", shows)).status is Status.INVALID
    assert status(ascii_frame("OL", shows)).status is Status.INVALID


def test_every_digit_code_that_is_no_digit_is_a_fault_and_never_a_number() -> None:
    """128 codes at each place: twelve are known, and of these L is overload and a blank may only lead."""
    good = numbered_frame("123.4", "V ac")
    codes = {code: character for character, code in SEGMENTS.items()}
    for place in range(4):
        for code in range(128):
            raw = bytearray(good)
            raw[1 + 2 * place] = raw[1 + 2 * place] & 0xF8 | code >> 4
            raw[2 + 2 * place] = raw[2 + 2 * place] & 0xF0 | code & 15
            found = numbered(bytes(raw))
            character = codes.get(code, "?")
            if character.isdigit():
                text = "1234"[:place] + character + "1234"[place + 1 :]
                assert found.value == int(text) / 10
            else:
                blank_lead = character == " " and place == 0
                expected = Status.OVERLOAD if character == "L" else Status.OK if blank_lead else Status.INVALID
                assert found.status is expected
                assert (found.value is None) != blank_lead


def test_two_points_a_blank_inside_and_an_empty_display_are_faults() -> None:
    good = numbered_frame("1.234", "V ac")
    two_points = bytes([*good[:5], good[5] | 8, *good[6:]])
    assert numbered(two_points).status is Status.INVALID
    for display in ("1 34", "    ", "12  ", "1.  2"):
        assert numbered(numbered_frame(display, "V ac")).status is Status.INVALID


def test_a_frame_without_a_unit_is_no_reading() -> None:
    raw = numbered_frame("12.34", "V ac")
    bare = raw[:12] + b"\xd0" + raw[13:]

    assert NumberedDecoder()(bare, 0.0) == [Skipped(bare, "no unit is lit")]
    raw = ascii_frame("12.34", "V ac")
    bare = raw[:10] + b"\0" + raw[11:]
    assert AsciiStatusDecoder()(bare, 0.0) == [Skipped(bare, "no unit is lit")]


@pytest.mark.parametrize(("code", "value"), [("0", 1234.0), ("1", 1.234), ("2", 12.34), ("3", 123.4), ("4", 123.4)])
def test_every_point_code_of_the_status_frame(code: str, value: float) -> None:
    raw = ascii_frame("1234", "V ac")

    assert status(raw[:6] + code.encode() + raw[7:]).value == value


def test_bits_without_a_name_are_let_be() -> None:
    raw = bytearray(ascii_frame("12.34", "V ac"))
    raw[7] |= 0xC0
    raw[8] |= 0xC1
    raw[9] |= 0x01

    assert status(bytes(raw)).value == 12.34


def test_what_a_display_cannot_show_is_refused() -> None:
    for display, shows in (("12345", "V ac"), ("1.23.4", "V ac"), ("12.34", "V lux"), ("12.34", "furlong")):
        with pytest.raises(ValueError, match=r"cannot show|no sign|begin with a unit"):
            numbered_frame(display, shows)
        with pytest.raises(ValueError, match=r"cannot show|no sign|begin with a unit"):
            ascii_frame(display, shows)
    assert words("mV ac auto") == {"milli", "volt", "ac", "auto"}


def test_scaling_rounds_once() -> None:
    """1174 · 1e-4 is 0.11740000000000002; the display said 117.4 mV."""
    assert scaled(1174, -4) == float("117.4e-3") == 0.1174
    assert scaled(4700, 3) == 4.7e6
