"""[decode] of a profile: one table of keys for each family of frames.

What a maker chose freely (which bit is which sign, which code is which range) is here and not in a decoder, so that a
correction is an edit of a table.
"""

from __future__ import annotations

from typing import Literal

import msgspec

from drivers.reading import Coupling, Quantity


class Part(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A table of a profile; a key that is not listed is refused."""


Eight = tuple[str, str, str, str, str, str, str, str]


class Numbered(Part, frozen=True, kw_only=True, tag_field="family", tag="numbered-lcd"):
    """[decode]: 14 bytes, the high nibble numbers them 1 to 14, the low nibbles are LCD segments."""

    flags: tuple[str, str, str, str] = ("ac", "dc", "auto", "rs232")  #: byte 0, bit 3 down to bit 0
    byte_9: tuple[str, str, str, str] = ("micro", "nano", "kilo", "diode")
    byte_10: tuple[str, str, str, str] = ("milli", "percent", "mega", "continuity")
    byte_11: tuple[str, str, str, str] = ("farad", "ohm", "relative", "hold")
    byte_12: tuple[str, str, str, str] = ("ampere", "volt", "hertz", "low-battery")
    byte_13: tuple[str, str, str, str] = ("maker-3", "maker-2", "maker-1", "maker-0")  #: "celsius" on some meters
    full_scale_counts: int = 4000  #: counts of the display, for the range


class AsciiStatus(Part, frozen=True, kw_only=True, tag_field="family", tag="ascii-status"):
    """[decode]: 14 bytes: sign, four digits, space, point code, four status bytes, bar, CR LF."""

    #: point code -> digits after the point
    points: dict[str, int] = msgspec.field(default_factory=lambda: {"0": 0, "1": 3, "2": 2, "3": 1, "4": 1})
    sb_1: Eight = ("", "", "auto", "dc", "ac", "relative", "hold", "bar")  #: status byte 1, bit 7 down to bit 0
    sb_2: Eight = ("", "", "max", "min", "power-off", "low-battery", "nano", "")
    sb_3: Eight = ("micro", "milli", "kilo", "mega", "continuity", "diode", "percent", "")
    sb_4: Eight = ("volt", "ampere", "ohm", "hfe", "hertz", "farad", "celsius", "fahrenheit")
    full_scale_counts: int = 6000


class PolledText(Part, frozen=True, kw_only=True, tag_field="family", tag="polled-text"):
    """[decode]: 14 characters on request: mode, value, unit, CR."""

    #: mode letters -> "dc", "ac", or the quantity that the unit must be of
    modes: dict[str, str] = msgspec.field(default_factory=lambda: {"DC": "dc", "AC": "ac", "OH": "resistance",
        "DI": "diode", "FR": "frequency", "CA": "capacitance", "TE": "temperature"})  # fmt: skip
    full_scale_counts: int = 4000


class PackedFunction(Part, frozen=True, kw_only=True):
    """One function code of a packed frame: what it is, and the full scale that each range code stands for."""

    quantity: Quantity
    ranges: dict[str, str]  #: range code (two hex digits) -> full scale as on the display, e.g. "400.0 mV"
    coupling: Coupling = Coupling.NONE  #: where the function code says it and no bit does
    when_judge: bool | None = None  #: only if the judge bit is so; None: whatever it is


class Packed(Part, frozen=True, kw_only=True, tag_field="family", tag="packed"):
    """[decode]: 7-bit packed digits; range, function, status and option tables differ inside the family."""

    digits: int = 4
    functions: dict[str, list[PackedFunction]] = {}  #: function code (two hex digits) -> what it may be
    status: tuple[str, str, str, str] = ("judge", "sign", "low-battery", "overload")  #: bit 3 down to bit 0
    option_1: tuple[str, str, str, str] = ("", "", "", "vahz")
    option_2: tuple[str, str, str, str] = ("dc", "ac", "auto", "power-off")
    repeat_window: str = "150 ms"  #: a block equal to the one before it in this time is dropped


class Stream16(Part, frozen=True, kw_only=True, tag_field="family", tag="stream-16"):
    """[decode]: 16 characters: 02, '4', display, unit code, sign, point, eight digits, 0D."""

    units: dict[str, str] = {}  #: unit code -> "mV dc", "kohm", "degC", ...
    displays: tuple[str, ...] = ("1",)  #: displays that are recorded; more than one: each is a channel
    full_scale_counts: int | None = None


class Field(Part, frozen=True, kw_only=True):
    """One channel of a text line: what the value is where the line does not say it."""

    quantity: Quantity
    unit: str = ""  #: unit of the value as sent, e.g. "mV"; empty: the line says it, else the quantity's own
    coupling: Coupling = Coupling.NONE
    resolution: str = ""


class TextLine(Part, frozen=True, kw_only=True, tag_field="family", tag="text-line"):
    """[decode]: a line of text, read by a regular expression with named groups."""

    pattern: str  #: groups `value`, and any of `unit`, `quantity`, `coupling`, `channel`; applied over and over
    channels: dict[str, Field] = {}  #: by the `channel` group, or by place: "1", "2", ...; "*" for any other
    words: dict[str, str] = {}  #: what the `quantity` and `coupling` groups find -> "voltage dc", "resistance", "ac"
    fields: int | None = None  #: a line with another number of values is skipped
    line_end: Literal["any", "cr"] = "any"
    first_line: Literal["auto", "keep", "drop"] = "auto"  #: the line under way at opening may have lost its head
    longest: int = 1024  #: a longer line is skipped
    decimal_comma: bool = False
    overload: tuple[str, ...] = ("OL", "O.L", "ovf", "inf")  #: texts in `value` that mean over range


class Scpi(Part, frozen=True, kw_only=True, tag_field="family", tag="scpi"):
    """[decode]: an instrument that is asked in SCPI over IEEE 488.2 messages."""

    quantity: Quantity = Quantity.VOLTAGE
    coupling: Coupling = Coupling.AC
    configure: str = ""  #: sent once after opening; empty: CONF:VOLT:AC and its like from quantity and coupling
    setup: tuple[str, ...] = ()  #: further commands after it, each drained of errors
    read: str = "READ?"
    fallback: str = ""  #: if `read` is unknown to the instrument; empty: MEAS:VOLT:AC? and its like
    samples: int = 1  #: readings for one query, as SAMP:COUN
    verify: str = ""  #: e.g. FUNC?: asked after each reading, which counts only if the answer is as after setting up
    identify: bool = True
    remote: str = ""  #: e.g. SYST:REM, only where the instrument wants it on RS-232
    clear: str = ""  #: byte for device clear on a serial line, e.g. \\x03
    write_end: str = "\\n"
    line_end: Literal["any", "cr"] = "any"
    prompts: tuple[str, ...] = ()  #: lines such as "=>" that follow every command
    resolution: str = ""  #: one count on the range in use, where known
    range: str = ""
    errors: bool = True  #: drain SYST:ERR?


class Register(Part, frozen=True, kw_only=True):
    """One value in a Modbus register map."""

    address: int
    quantity: Quantity
    coupling: Coupling = Coupling.NONE
    kind: Literal["u16", "u32-low-first", "u32-high-first", "f32-high-first", "f32-low-first"] = "u16"
    scale: float = 1.0  #: one count, in the quantity's unit
    channel: str = ""


class Modbus(Part, frozen=True, kw_only=True, tag_field="family", tag="modbus"):
    """[decode]: Modbus RTU input registers of an AC energy module, function 04 only."""

    unit_id: int = 1
    registers: tuple[Register, ...] = ()
    interval: str = "1 s"


class Typed(Part, frozen=True, kw_only=True, tag_field="family", tag="typed"):
    """[decode]: no lead: values are read aloud and typed in."""


Decode = Numbered | AsciiStatus | PolledText | Packed | Stream16 | TextLine | Scpi | Modbus | Typed
