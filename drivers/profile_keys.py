"""Every key of a profile with its value, its meaning and where it came from, for `meters show`."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path

import msgspec

from drivers.profile import load, names, shipped

#: What each key means. Keys of [decode] are by family where the same name means different things.
MEANINGS: dict[str, str] = {
    "schema": "version of this file's form; 1",
    "title": "what the meter is, in a line",
    "source": "where the facts in this profile are from",
    "unconfirmed": "facts that no maker's or standard's text confirms: compare with the display",
    "isolation": "of the data link: optical, isolated, none, unknown, or no-link",
    "name": "taken from the file's name",
    "port.baud": "speed of the line, bits a second",
    "port.bytesize": "data bits of a byte: 7 or 8",
    "port.parity": "N none, E even, O odd",
    "port.stopbits": "1 or 2",
    "port.dtr": "state of the DTR line, which may power an optical lead",
    "port.rts": "state of the RTS line",
    "port.rtscts": "hardware handshake",
    "port.xonxoff": "software handshake",
    "port.settle_ms": "what arrives in so many milliseconds after opening is dropped",
    "port.silence": "a meter that sends nothing for so long is said to be silent",
    "poll.request": "text that asks for one reading; empty: the meter sends by itself",
    "poll.interval": "least time from one request to the next",
    "poll.timeout": "without an answer in this time it is asked again",
    "meter.rms": "true, or average: right for sine waves only",
    "meter.current_coupling": "whether AC current leaves out direct current (ac) or not (acdc)",
    "meter.category": "measurement category of meter and leads together",
    "meter.calibrated": "date of the last calibration",
    "meter.calibration_interval_days": "days for which a calibration holds",
    "meter.temperature_min": "the accuracy lines hold from this temperature",
    "meter.temperature_max": "to this one",
    "meter.temperature_adder": "part of each half width to add, per kelvin outside",
    "meter.age_adder": "part of each half width to add, per year after the interval",
    "meter.burden_voltage": "drop across the meter at full scale of its current range",
    "input.quantity": "what this input entry is for",
    "input.coupling": "with which coupling; empty: any",
    "input.resistance": "what the meter puts across the circuit",
    "input.capacitance": "beside it",
    "input.note": "a mode or range that it holds for",
    "input.source": "where the figure is from",
    "accuracy.quantity": "what this accuracy line is for",
    "accuracy.coupling": "with which coupling; empty: any",
    "accuracy.range": "full scale that it holds for; empty: every range",
    "accuracy.of_reading": "part of the reading, as a fraction",
    "accuracy.digits": "counts of the last digit",
    "accuracy.of_range": "part of the full scale, as a fraction",
    "accuracy.frequency_min": "lowest frequency that it holds for",
    "accuracy.frequency_max": "highest",
    "accuracy.resolution": "one count, where the frame does not tell it",
    "accuracy.source": "where the figures are from",
    "decode.family": "kind of frames or lines",
    "decode.flags": "signs of byte 0, bit 3 down to bit 0",
    "decode.byte_9": "signs of byte 9, bit 3 down to bit 0",
    "decode.byte_10": "signs of byte 10",
    "decode.byte_11": "signs of byte 11",
    "decode.byte_12": "signs of byte 12",
    "decode.byte_13": "signs of byte 13, the maker's own",
    "decode.full_scale_counts": "counts of the display at full scale, for the range",
    "decode.points": "point code to digits after the point",
    "decode.sb_1": "signs of status byte 1, bit 7 down to bit 0",
    "decode.sb_2": "signs of status byte 2",
    "decode.sb_3": "signs of status byte 3",
    "decode.sb_4": "signs of status byte 4",
    "decode.modes": "mode letters to coupling or quantity",
    "decode.digits": "digits in a block",
    "decode.functions": "function code to quantity and full scales by range code",
    "decode.status": "bits of the status packet, bit 3 down to bit 0",
    "decode.option_1": "bits of the first option packet",
    "decode.option_2": "bits of the second option packet",
    "decode.repeat_window": "an equal block within this time is the same conversion sent again",
    "decode.units": "unit code to unit and coupling; '-' in front: known, not recorded",
    "decode.displays": "displays that are recorded; more than one: each is a channel",
    "decode.pattern": "regular expression with the group value, and unit, quantity, coupling, channel where sent",
    "decode.channels": "what the value of each channel is, where the line does not say it",
    "decode.words": "words of the line to quantity and coupling",
    "decode.fields": "values in a line; a line with another number is skipped",
    "decode.line_end": "any (LF, CR LF, CR), or cr where nothing follows the CR",
    "decode.first_line": "keep or drop the line under way at opening; auto: keep if it must be whole",
    "decode.longest": "a longer line is skipped, in bytes",
    "decode.decimal_comma": "numbers have a comma for the point",
    "decode.overload": "texts in place of the number that mean over range",
    "decode.quantity": "what the instrument is asked for",
    "decode.coupling": "ac or dc",
    "decode.configure": "command that sets the function; empty: made from quantity and coupling",
    "decode.setup": "further commands after it",
    "decode.read": "query for a reading",
    "decode.fallback": "query used if the instrument does not know that one; empty: made from quantity and coupling",
    "decode.samples": "readings for one query",
    "decode.verify": "asked after each reading, e.g. FUNC?; it counts only if the function is still the one set",
    "decode.identify": "ask *IDN? after opening",
    "decode.remote": "command for remote control, where the instrument wants one",
    "decode.clear": "byte that clears the instrument's buffers on a serial line",
    "decode.write_end": "what ends a command",
    "decode.prompts": "lines that the instrument sends after each command",
    "decode.resolution": "one count on the range in use",
    "decode.range": "full scale of the range in use",
    "decode.errors": "ask SYST:ERR? until it is empty",
    "decode.unit_id": "address of the module, 1 to 247",
    "decode.registers": "register map: address, quantity, coupling, kind, scale, channel",
    "decode.interval": "time from one request to the next",
}


class Key(msgspec.Struct, frozen=True, kw_only=True):
    """One key of a profile."""

    key: str
    value: object  #: text, number, truth value, or a list or table of them
    meaning: str
    origin: str  #: "shipped", the user's file, or "default"


def describe(name: str, own: Path | None = None) -> list[Key]:
    """Every key of a profile. Raises: ProfileError: not found, or not valid."""
    profile = load(name, own)
    if name.endswith(".toml"):
        origin, text = name, Path(name).read_text("utf-8-sig")
    else:
        origin = names(own)[name]
        text = shipped()[name] if origin == "shipped" else Path(origin).read_text("utf-8-sig")
    written = {key for key, _ in _flat(tomllib.loads(text))} | {"name"}
    return [
        Key(key=key, value=value, meaning=MEANINGS[_plain(key)], origin=origin if key in written else "default")
        for key, value in _flat(msgspec.to_builtins(profile))
    ]


def _plain(key: str) -> str:
    """The key without the number of its entry."""
    head, bracket, rest = key.partition("[")
    return head + rest.partition("]")[2] if bracket else key


def _flat(data: dict[str, object]) -> Iterator[tuple[str, object]]:
    """Keys with their table's name in front; entries of a list of tables are counted from 1."""
    for key, value in data.items():
        if key in ("port", "poll", "meter", "decode") and isinstance(value, dict):
            yield from ((f"{key}.{inner}", entry) for inner, entry in value.items())
        elif key in ("input", "accuracy") and isinstance(value, (list, tuple)):
            for n, entry in enumerate(value, 1):
                yield from ((f"{key}[{n}].{inner}", item) for inner, item in entry.items())
        else:
            yield key, value
