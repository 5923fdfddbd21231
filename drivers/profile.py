"""A meter profile: TOML in, checked, a frozen object out.

A profile is all that the program knows of a meter family: port settings, framing, polling, decoding, accuracy, input
and the isolation of the data link. Quantities are text with units; they are parsed when the profile is loaded, so a
wrong one is refused with the file and the key. `describe()` lists every key with its meaning for `meters show`.
"""

from __future__ import annotations

import re
import tomllib
from enum import StrEnum
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Literal

import msgspec

from drivers.reading import BenchError, Coupling, Quantity
from drivers.units import UnitError, parse


class ProfileError(BenchError):
    """A profile that is missing, or that says something it cannot."""


class Isolation(StrEnum):
    """What stands between the meter's terminals and the computer."""

    OPTICAL = "optical"
    ISOLATED = "isolated"
    NONE = "none"
    UNKNOWN = "unknown"
    NO_LINK = "no-link"


class _Part(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A table of a profile; a key that is not listed is refused."""


class PortSettings(_Part, frozen=True, kw_only=True):
    """[port]: line settings, and the state of the handshake lines, which may power an optical lead."""

    baud: int = 9600
    bytesize: Literal[7, 8] = 8
    parity: Literal["N", "E", "O"] = "N"
    stopbits: Literal[1, 2] = 1
    dtr: bool = True
    rts: bool = True
    rtscts: bool = False
    xonxoff: bool = False
    settle_ms: int = 0  #: what arrives in this time after opening is dropped: lines toggle, boards reset
    silence: str = "5 s"  #: a meter that sends nothing for so long is said to be silent


class Poll(_Part, frozen=True, kw_only=True):
    """[poll]: a meter that answers only when asked. Never a second request before the answer or the timeout."""

    request: str = ""  #: text sent for one reading, with escapes such as \\n
    interval: str = "0 s"  #: from one request to the next, at least
    timeout: str = "2 s"  #: then it is asked again


class Numbered(_Part, frozen=True, kw_only=True, tag_field="family", tag="numbered-lcd"):
    """[decode]: 14 bytes, the high nibble numbers them 1 to 14, the low nibbles are LCD segments."""

    flags: tuple[str, str, str, str] = ("ac", "dc", "auto", "rs232")  #: byte 0, bit 3 down to bit 0
    byte_9: tuple[str, str, str, str] = ("micro", "nano", "kilo", "diode")
    byte_10: tuple[str, str, str, str] = ("milli", "percent", "mega", "continuity")
    byte_11: tuple[str, str, str, str] = ("farad", "ohm", "relative", "hold")
    byte_12: tuple[str, str, str, str] = ("ampere", "volt", "hertz", "low-battery")
    byte_13: tuple[str, str, str, str] = ("", "", "", "celsius")  #: the maker's own: °C on some meters
    full_scale_counts: int = 4000  #: counts of the display, for the range


class AsciiStatus(_Part, frozen=True, kw_only=True, tag_field="family", tag="ascii-status"):
    """[decode]: 14 bytes: sign, four digits, space, point code, four status bytes, bar, CR LF."""

    points: dict[str, int] = {"0": 0, "1": 3, "2": 2, "3": 1, "4": 1}  #: point code -> digits after the point
    full_scale_counts: int = 6000


class PolledText(_Part, frozen=True, kw_only=True, tag_field="family", tag="polled-text"):
    """[decode]: 14 characters on request: mode, value, unit, CR."""

    modes: dict[str, str] = {
        "DC": "dc", "AC": "ac", "OH": "resistance", "DI": "diode", "FR": "frequency", "CA": "capacitance",
        "TE": "temperature",
    }  # fmt: skip
    full_scale_counts: int = 4000


class PackedFunction(_Part, frozen=True, kw_only=True):
    """One function code of a packed frame: what it is, and the full scale that each range code stands for."""

    quantity: Quantity
    ranges: dict[str, str]  #: range code (two hex digits) -> full scale as on the display, e.g. "400.0 mV"
    when_judge: bool | None = None  #: only if the judge bit is so; None: whatever it is


class Packed(_Part, frozen=True, kw_only=True, tag_field="family", tag="packed"):
    """[decode]: 7-bit packed digits; range, function, status and option tables differ inside the family."""

    digits: int = 4
    functions: dict[str, list[PackedFunction]] = {}  #: function code (two hex digits) -> what it may be
    status: tuple[str, str, str, str] = ("judge", "sign", "low-battery", "overload")  #: bit 3 down to bit 0
    option_1: tuple[str, str, str, str] = ("", "", "", "vahz")
    option_2: tuple[str, str, str, str] = ("dc", "ac", "auto", "power-off")
    repeat_window: str = "150 ms"  #: a block equal to the one before it in this time is dropped


class Stream16(_Part, frozen=True, kw_only=True, tag_field="family", tag="stream-16"):
    """[decode]: 16 characters: 02, '4', display, unit code, sign, point, eight digits, 0D."""

    units: dict[str, str] = {}  #: unit code -> "mV dc", "kohm", "degC", ...
    displays: tuple[str, ...] = ("1",)  #: displays that are recorded; more than one: each is a channel
    full_scale_counts: int | None = None


class Field(_Part, frozen=True, kw_only=True):
    """One channel of a text line: what the value is where the line does not say it."""

    quantity: Quantity
    unit: str = ""  #: unit of the value as sent, e.g. "mV"; empty: the line says it, else the quantity's own
    coupling: Coupling = Coupling.NONE
    resolution: str = ""


class TextLine(_Part, frozen=True, kw_only=True, tag_field="family", tag="text-line"):
    """[decode]: a line of text, read by a regular expression with named groups."""

    pattern: str  #: groups `value`, and any of `unit`, `quantity`, `coupling`, `channel`; applied over and over
    channels: dict[str, Field] = {}  #: by the `channel` group, or by place: "1", "2", ...; "*" for any other
    fields: int | None = None  #: a line with another number of values is skipped
    decimal_comma: bool = False
    overload: tuple[str, ...] = ("OL", "O.L", "ovf", "inf")  #: texts in `value` that mean over range


class Scpi(_Part, frozen=True, kw_only=True, tag_field="family", tag="scpi"):
    """[decode]: an instrument that is asked in SCPI over IEEE 488.2 messages."""

    quantity: Quantity = Quantity.VOLTAGE
    coupling: Coupling = Coupling.AC
    configure: str = ""  #: sent once after opening; empty: CONF:VOLT:AC and its like from quantity and coupling
    setup: tuple[str, ...] = ()  #: further commands after it, each drained of errors
    read: str = "READ?"
    fallback: str = ""  #: if `read` is unknown to the instrument; empty: MEAS:VOLT:AC? and its like
    samples: int = 1  #: readings for one query, as SAMP:COUN
    identify: bool = True
    remote: str = ""  #: e.g. SYST:REM, only where the instrument wants it on RS-232
    clear: str = ""  #: byte for device clear on a serial line, e.g. \\x03
    write_end: str = "\\n"
    prompts: tuple[str, ...] = ()  #: lines such as "=>" that follow every command
    resolution: str = ""  #: one count on the range in use, where known
    range: str = ""
    errors: bool = True  #: drain SYST:ERR?


class Register(_Part, frozen=True, kw_only=True):
    """One value in a Modbus register map."""

    address: int
    quantity: Quantity
    coupling: Coupling = Coupling.NONE
    kind: Literal["u16", "u32-low-first", "u32-high-first", "f32-high-first", "f32-low-first"] = "u16"
    scale: float = 1.0
    channel: str = ""


class Modbus(_Part, frozen=True, kw_only=True, tag_field="family", tag="modbus"):
    """[decode]: Modbus RTU input registers of an AC energy module, function 04 only."""

    unit_id: int = 1
    registers: tuple[Register, ...] = ()
    interval: str = "1 s"


class Typed(_Part, frozen=True, kw_only=True, tag_field="family", tag="typed"):
    """[decode]: no lead: values are read aloud and typed in."""


Decode = Numbered | AsciiStatus | PolledText | Packed | Stream16 | TextLine | Scpi | Modbus | Typed


class Input(_Part, frozen=True, kw_only=True):
    """[[input]]: what the meter puts across the circuit for one quantity and coupling."""

    quantity: Quantity
    coupling: Coupling = Coupling.NONE
    resistance: str
    capacitance: str = ""
    note: str = ""
    source: str = ""


class Accuracy(_Part, frozen=True, kw_only=True):
    """[[accuracy]]: one line of a data sheet, ±(of_reading · |x| + digits · resolution + of_range · full scale)."""

    quantity: Quantity
    coupling: Coupling = Coupling.NONE
    range: str = ""  #: full scale that the line holds for; empty: every range
    of_reading: float = 0.0  #: fraction
    digits: float = 0.0  #: counts
    of_range: float = 0.0  #: fraction of full scale
    frequency_min: str = ""
    frequency_max: str = ""
    resolution: str = ""  #: one count, where the wire does not tell
    source: str = ""


class Trust(_Part, frozen=True, kw_only=True):
    """[meter]: what the readings can be trusted for."""

    rms: Literal["true", "average"] = "true"
    current_coupling: Literal["ac", "acdc"] = "ac"
    category: str = ""  #: measurement category of meter and leads together, e.g. "CAT II 600 V"
    calibrated: str = ""  #: date of the last calibration, YYYY-MM-DD
    calibration_interval_days: int = 365
    temperature_min: str = "18 degC"  #: the accuracy lines hold between these
    temperature_max: str = "28 degC"
    temperature_adder: float = 0.0  #: of each line's half width, per kelvin outside
    age_adder: float = 0.0  #: of each line's half width, per year beyond the calibration interval
    burden_voltage: str = ""  #: drop at full scale of the current range


class Profile(_Part, frozen=True, kw_only=True):
    """What the program knows of a meter family."""

    schema: int
    title: str
    decode: Decode
    source: str = ""  #: where the facts are from
    unconfirmed: tuple[str, ...] = ()  #: facts that no maker's or standard's text confirms
    isolation: Isolation = Isolation.UNKNOWN
    port: PortSettings = PortSettings()
    poll: Poll = Poll()
    meter: Trust = Trust()
    input: tuple[Input, ...] = ()
    accuracy: tuple[Accuracy, ...] = ()
    name: str = ""  #: taken from the file's name

    def input_of(self, quantity: Quantity, coupling: Coupling) -> Input | None:
        """The input entry for a quantity and coupling: the exact one, else one without coupling."""
        exact = [entry for entry in self.input if entry.quantity == quantity and entry.coupling == coupling]
        loose = [entry for entry in self.input if entry.quantity == quantity and entry.coupling is Coupling.NONE]
        return next(iter(exact + loose), None)


def _check_quantities(profile: Profile, where: str) -> None:
    """Parse every quantity written as text once, so that a wrong unit is refused at load. Raises: ProfileError."""
    texts: list[tuple[str, str, str]] = [("port.silence", profile.port.silence, "s")]
    texts += [("poll.interval", profile.poll.interval, "s"), ("poll.timeout", profile.poll.timeout, "s")]
    texts += [("meter.temperature_min", profile.meter.temperature_min, "Cel"),
              ("meter.temperature_max", profile.meter.temperature_max, "Cel"),
              ("meter.burden_voltage", profile.meter.burden_voltage, "V")]  # fmt: skip
    from drivers.reading import UNITS

    for entry in profile.input:
        texts += [("input.resistance", entry.resistance, "Ohm"), ("input.capacitance", entry.capacitance, "F")]
    for line in profile.accuracy:
        unit = UNITS[line.quantity]
        texts += [("accuracy.range", line.range, unit), ("accuracy.resolution", line.resolution, unit)]
        texts += [
            ("accuracy.frequency_min", line.frequency_min, "Hz"),
            ("accuracy.frequency_max", line.frequency_max, "Hz"),
        ]
        if min(line.of_reading, line.digits, line.of_range) < 0:
            raise ProfileError(
                "An accuracy figure is negative.",
                f"{where}, key accuracy.",
                "Write the half width as a positive number.",
            )
    if isinstance(profile.decode, Scpi):
        unit = UNITS[profile.decode.quantity]
        texts += [("decode.range", profile.decode.range, unit), ("decode.resolution", profile.decode.resolution, unit)]
    if isinstance(profile.decode, Packed):
        texts += [("decode.repeat_window", profile.decode.repeat_window, "s")]
        texts += [("decode.functions", scale, UNITS[f.quantity]) for entries in profile.decode.functions.values()
                  for f in entries for scale in f.ranges.values()]  # fmt: skip
    if isinstance(profile.decode, Modbus):
        texts += [("decode.interval", profile.decode.interval, "s")]
    for key, text, unit in texts:
        if text:
            try:
                parse(text, unit)
            except UnitError as exc:
                raise ProfileError(exc.what, f"{where}, key {key}.", exc.remedy) from exc


def _check_pattern(profile: Profile, where: str) -> None:
    if not isinstance(profile.decode, TextLine):
        return
    try:
        groups = re.compile(profile.decode.pattern).groupindex
    except re.error as exc:
        raise ProfileError(f"The pattern is not a regular expression: {exc}.", f"{where}, key decode.pattern.") from exc
    if "value" not in groups:
        raise ProfileError(
            "The pattern has no group named value.",
            f"{where}, key decode.pattern.",
            "Write (?P<value>...) round the number.",
        )


def read_profile(text: str, name: str, where: str) -> Profile:
    """A profile from TOML text. Raises: ProfileError: with file, key and what was expected."""
    try:
        data = tomllib.loads(text)
        profile = msgspec.convert(data, Profile)
    except tomllib.TOMLDecodeError as exc:
        raise ProfileError(f"Not valid TOML: {exc}.", f"{where}.") from exc
    except msgspec.ValidationError as exc:
        what, _, key = str(exc).partition(" - at ")
        raise ProfileError(
            f"{what}.",
            f"{where}, key {key.strip('`').removeprefix('$.') or 'at the top level'}.",
            "See 'chassislog meters show' for the keys.",
        ) from exc
    if profile.schema != 1:
        raise ProfileError(
            f"Schema {profile.schema} is not known.", f"{where}, key schema.", "This program reads schema 1."
        )
    _check_quantities(profile, where)
    _check_pattern(profile, where)
    return msgspec.structs.replace(profile, name=name)


def user_folder() -> Path:
    """Where a user's own profiles are; they stand before the shipped ones."""
    from platformdirs import user_config_path

    return user_config_path("chassislog", appauthor=False) / "profiles"


@cache
def shipped() -> dict[str, str]:
    """Shipped profiles, name to TOML text."""
    folder = resources.files("drivers") / "profiles"
    return {
        entry.name.removesuffix(".toml"): entry.read_text("utf-8")
        for entry in sorted(folder.iterdir(), key=lambda e: e.name)
        if entry.name.endswith(".toml")
    }


def names(own: Path | None = None) -> dict[str, str]:
    """Every profile's name and where it came from ('shipped' or the user's file)."""
    found = dict.fromkeys(shipped(), "shipped")
    folder = own or user_folder()
    if folder.is_dir():
        found.update({path.stem: str(path) for path in sorted(folder.glob("*.toml"))})
    return dict(sorted(found.items()))


def load(name: str, own: Path | None = None) -> Profile:
    """The profile of that name, the user's own before a shipped one; or a path to a TOML file.

    Raises: ProfileError: not found (the names that exist are listed), or not valid.
    """
    if name.endswith(".toml"):
        path = Path(name)
        if not path.is_file():
            raise ProfileError(f"There is no profile file {name}.")
        return read_profile(_text(path), path.stem, str(path))
    known = names(own)
    if name not in known:
        raise ProfileError(f"There is no profile named {name!r}.", remedy=f"Known are {', '.join(known)}.")
    if known[name] == "shipped":
        return read_profile(shipped()[name], name, f"shipped profile {name}")
    return read_profile(_text(Path(known[name])), name, known[name])


def _text(path: Path) -> str:
    try:
        return path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as exc:
        raise ProfileError(f"The profile cannot be read: {exc}.", f"{path}.") from exc
