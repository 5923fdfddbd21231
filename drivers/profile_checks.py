"""What can be wrong in a profile beyond the types of its keys, found when it is loaded and not at the bench."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator
from datetime import date
from typing import TYPE_CHECKING, NamedTuple

from drivers.decode.showing import MODES, PREFIXES, QUANTITIES, REMARKS, words
from drivers.decode.tables import AsciiStatus, Modbus, Numbered, Packed, PolledText, Scpi, Stream16, TextLine
from drivers.reading import UNITS, Coupling, Quantity
from drivers.units import UnitError, parse

if TYPE_CHECKING:
    from drivers.profile import Profile

#: Every word that a bit of a display may be named by; "maker-…" besides, for one whose meaning is not known.
SIGNS = frozenset({*QUANTITIES, *PREFIXES, *MODES, *REMARKS, "", "ac", "dc", "diode", "continuity", "rs232", "bar",
                   "power-off", "vahz", "judge", "sign", "overload", "overload-ac", "dc-else-ac"})  # fmt: skip
_CODE = re.compile(r"3[0-9A-Fa-f]")
#: A line of packets is a block of this many digits at most.
_DIGITS = range(1, 9)


class Fault(NamedTuple):
    """One thing that is wrong: where, what, and what was expected."""

    key: str
    what: str
    remedy: str = ""


def faults(profile: Profile) -> Iterator[Fault]:
    """Everything that is wrong in a profile, in the order of its tables."""
    yield from _quantities(_texts(profile))
    yield from _figures(profile)
    yield from _trust(profile)
    match profile.decode:
        case Numbered() as table:
            rows = {n: getattr(table, n) for n in ("flags", "byte_9", "byte_10", "byte_11", "byte_12", "byte_13")}
            yield from _signs(rows)
        case AsciiStatus() as table:
            yield from _signs({n: getattr(table, n) for n in ("sb_1", "sb_2", "sb_3", "sb_4")})
            yield from _points(table)
        case PolledText() as table:
            yield from _modes(table)
        case Packed() as table:
            yield from _signs({n: getattr(table, n) for n in ("status", "option_1", "option_2")})
            yield from _codes(table)
        case Stream16() as table:
            yield from _unit_codes(table)
        case TextLine() as table:
            yield from _pattern(table)


def _texts(profile: Profile) -> Iterator[tuple[str, str, str]]:
    """Key, text and unit of every quantity that is written as text."""
    yield "port.silence", profile.port.silence, "s"
    yield "poll.interval", profile.poll.interval, "s"
    yield "poll.timeout", profile.poll.timeout, "s"
    yield "meter.temperature_min", profile.meter.temperature_min, "Cel"
    yield "meter.temperature_max", profile.meter.temperature_max, "Cel"
    yield "meter.burden_voltage", profile.meter.burden_voltage, "V"
    for n, entry in enumerate(profile.input):
        yield f"input[{n}].resistance", entry.resistance, "Ohm"
        yield f"input[{n}].capacitance", entry.capacitance, "F"
    for n, line in enumerate(profile.accuracy):
        yield f"accuracy[{n}].range", line.range, UNITS[line.quantity]
        yield f"accuracy[{n}].resolution", line.resolution, UNITS[line.quantity]
        yield f"accuracy[{n}].frequency_min", line.frequency_min, "Hz"
        yield f"accuracy[{n}].frequency_max", line.frequency_max, "Hz"
    match profile.decode:
        case Scpi() as table:
            yield "decode.range", table.range, UNITS[table.quantity]
            yield "decode.resolution", table.resolution, UNITS[table.quantity]
        case Packed() as table:
            yield "decode.repeat_window", table.repeat_window, "s"
            for code, entries in table.functions.items():
                for packed in entries:
                    for scale in packed.ranges.values():
                        yield f"decode.functions.{code}", scale, UNITS[packed.quantity]
        case TextLine() as table:
            for name, field in table.channels.items():
                yield f"decode.channels.{name}.resolution", field.resolution, UNITS[field.quantity]
                yield f"decode.channels.{name}.unit", f"1 {field.unit}" if field.unit else "", UNITS[field.quantity]
        case Modbus() as table:
            yield "decode.interval", table.interval, "s"


def _quantities(texts: Iterable[tuple[str, str, str]]) -> Iterator[Fault]:
    for key, text, unit in texts:
        if not text:
            continue
        try:
            value = parse(text, unit)
        except UnitError as exc:
            yield Fault(key, exc.what, exc.remedy)
            continue
        if value < 0 and unit != "Cel":
            yield Fault(key, f"{text!r} is negative.", "It cannot be below zero.")
    return


def _figures(profile: Profile) -> Iterator[Fault]:
    """Plain numbers that have to lie in a range."""
    for n, line in enumerate(profile.accuracy):
        for name in ("of_reading", "digits", "of_range"):
            figure = getattr(line, name)
            if not (math.isfinite(figure) and figure >= 0):
                yield Fault(f"accuracy[{n}].{name}", f"{figure} is no half width.", "Expected a number of 0 or more.")
    for name in ("temperature_adder", "age_adder", "calibration_interval_days"):
        figure = getattr(profile.meter, name)
        if not (math.isfinite(figure) and figure >= 0):
            yield Fault(f"meter.{name}", f"{figure} cannot be.", "Expected a number of 0 or more.")
    table = profile.decode
    bounds = {"full_scale_counts": (1, 10**9), "samples": (1, 50_000), "unit_id": (1, 247), "fields": (1, 1000),
              "longest": (16, 10**6), "digits": (_DIGITS[0], _DIGITS[-1])}  # fmt: skip
    for name, (low, high) in bounds.items():
        figure = getattr(table, name, None)
        if figure is not None and not low <= figure <= high:
            yield Fault(f"decode.{name}", f"{figure} cannot be.", f"Expected {low} to {high}.")
    if not 50 <= profile.port.baud <= 4_000_000:
        yield Fault("port.baud", f"{profile.port.baud} cannot be.", "Expected 50 to 4000000.")
    if not 0 <= profile.port.settle_ms <= 60_000:
        yield Fault("port.settle_ms", f"{profile.port.settle_ms} cannot be.", "Expected 0 to 60000.")
    if isinstance(table, Modbus):
        for n, register in enumerate(table.registers):
            if not 0 <= register.address <= 0xFFFF or not (math.isfinite(register.scale) and register.scale > 0):
                yield Fault(f"decode.registers[{n}]", "The address or the scale cannot be.",
                            "Expected an address of 0 to 65535 and a scale above 0.")  # fmt: skip


def _trust(profile: Profile) -> Iterator[Fault]:
    if profile.meter.calibrated:
        try:
            date.fromisoformat(profile.meter.calibrated)
        except ValueError:
            yield Fault("meter.calibrated", f"{profile.meter.calibrated!r} is no date.", "Expected YYYY-MM-DD.")


def _signs(rows: dict[str, tuple[str, ...]]) -> Iterator[Fault]:
    """A misspelt sign would be one that is never seen, such as a hold that is taken for a live value."""
    for name, row in rows.items():
        for word in row:
            if word not in SIGNS and not word.startswith("maker-"):
                known = ", ".join(sorted(SIGNS - {""}))
                yield Fault(f"decode.{name}", f"{word!r} is no sign.", f"Known are {known}, and maker-… for others.")


def _points(table: AsciiStatus) -> Iterator[Fault]:
    for code, places in table.points.items():
        if code not in tuple("01234") or places not in range(5):
            yield Fault("decode.points", f"{code} = {places} cannot be.", "Expected codes 0 to 4 and 0 to 4 places.")


def _modes(table: PolledText) -> Iterator[Fault]:
    known = ("ac", "dc", *(str(quantity) for quantity in Quantity))
    for mode, says in table.modes.items():
        if not re.fullmatch("[A-Z]{2}", mode) or says not in known:
            yield Fault("decode.modes", f"{mode} = {says!r} cannot be.",
                        f"Expected two capital letters, and one of {', '.join(known)}.")  # fmt: skip


def _codes(table: Packed) -> Iterator[Fault]:
    for code, entries in table.functions.items():
        for text in (code, *(range_code for entry in entries for range_code in entry.ranges)):
            if not _CODE.fullmatch(text):
                yield Fault(f"decode.functions.{code}", f"{text!r} is no packet.", "Expected 30 to 3F.")
        for scale in (scale for entry in entries for scale in entry.ranges.values()):
            digits = re.match(r"\s*[\d.]+", scale)
            if digits is None or len(digits[0].strip().replace(".", "")) != table.digits:
                yield Fault(f"decode.functions.{code}", f"{scale!r} is no full scale of {table.digits} digits.",
                            "Write it as on the display, such as '400.0 mV'.")  # fmt: skip
            else:
                yield from _words(f"decode.functions.{code}", scale[digits.end() :].strip())


def _words(key: str, text: str) -> Iterator[Fault]:
    try:
        words(text)
    except (ValueError, IndexError):
        yield Fault(key, f"{text!r} is no unit of a display.", "Expected such as 'mV dc', 'kohm', 'degC'.")


def _unit_codes(table: Stream16) -> Iterator[Fault]:
    for code, text in table.units.items():
        if len(code) != 2 or not code.isascii():
            yield Fault("decode.units", f"{code!r} is no unit code.", "Expected two characters.")
        elif not text.startswith("-"):
            yield from _words(f"decode.units.{code}", text)
            for word in text.split()[1:]:
                if word not in SIGNS:
                    yield Fault(f"decode.units.{code}", f"{word!r} is no sign.", "Expected ac, dc or diode.")
    for name in table.displays:
        if name not in tuple("0123456789"):
            yield Fault("decode.displays", f"{name!r} is no display.", "Expected digits such as \"1\".")  # fmt: skip


def _pattern(table: TextLine) -> Iterator[Fault]:
    try:
        groups = re.compile(table.pattern).groupindex
    except (re.error, OverflowError, RecursionError) as exc:
        yield Fault("decode.pattern", f"The pattern is not a regular expression: {exc}.")
        return
    known = ("value", "unit", "quantity", "coupling", "channel")
    if "value" not in groups:
        yield Fault("decode.pattern", "The pattern has no group named value.", "Write (?P<value>...) round the number.")
    for name in groups:
        if name not in known:
            yield Fault("decode.pattern", f"The pattern has a group named {name}.", f"Known are {', '.join(known)}.")
    for word, meaning in table.words.items():
        for part in meaning.split():
            if part not in {*Quantity, *Coupling}:
                yield Fault("decode.words", f"{word} = {meaning!r} cannot be.",
                            "Expected a quantity, a coupling, or both, such as 'voltage dc'.")  # fmt: skip
