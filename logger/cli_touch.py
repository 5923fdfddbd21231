"""The `touch` command: what a person would draw, from typed-in voltages of one state."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Annotated

import typer

from drivers.reading import BenchError
from drivers.units import UnitError, parse, parse_fraction, show
from logger.cli_show import JsonOption, level_word, say_json, tell

if TYPE_CHECKING:
    from analysis.touch import BurdenReading, MeterInput, Range
    from analysis.touch_answer import TouchAnswer

#: Taken where neither --frequency nor --dc is given. [Hz]
USUAL_FREQUENCY = 60.0
_NUMBER = re.compile(r"\s*[+-]?\d*(?:\.(?P<places>\d*))?(?:[eE](?P<exponent>[+-]?\d+))?")
_ACCURACY = re.compile(
    r"\s*(?:±\s*)?\(?\s*(?P<percent>\d+(?:\.\d*)?|\.\d+)\s*%(?:\s*(?:of\s+)?(?:rdg|reading))?"
    r"(?:\s*\+\s*(?P<digits>\d+)\s*(?:d|dgt|digits?|counts?)?)?\s*\)?\s*",
    re.IGNORECASE,
)


class TouchCallError(BenchError):
    """The command was given something that is not a touch reading."""


def add_touch(app: typer.Typer) -> None:
    """Register `touch`."""
    app.command("touch", short_help="What a person who touches a point would draw.")(touch)


def touch(
    reading: Annotated[
        list[str],
        typer.Option(metavar="VOLTS[@BURDEN]", help="Repeat for each burden; no @ is the meter alone: 7.2V@10kohm."),
    ],
    meter_input: Annotated[
        str | None, typer.Option(metavar="OHMS", help="Input resistance: '10 Mohm'. Else 1 to 11 MΩ.")
    ] = None,
    meter_capacitance: Annotated[str | None, typer.Option(metavar="FARADS", help="Input capacitance: 100pF.")] = None,
    frequency: Annotated[str | None, typer.Option(metavar="HERTZ", help="Of the mains: 50Hz. Else 60 Hz.")] = None,
    dc: Annotated[bool, typer.Option("--dc", help="The readings are DC volts.")] = False,
    accuracy: Annotated[
        str | None, typer.Option(metavar="ACCURACY", help="Of the meter: '0.8% + 3 digits'. Else 3 % + 10 counts.")
    ] = None,
    resolution: Annotated[
        str | None, typer.Option(metavar="VOLTS", help="One count: 0.1V. Else the last digit as typed.")
    ] = None,
    burden_tolerance: Annotated[str, typer.Option(metavar="PERCENT", help="Of the burdens: 1%.")] = "5%",
    strict: Annotated[bool, typer.Option("--strict", help="Children, or a damp place: 25 V and 0.25 mA.")] = False,
    as_json: JsonOption = False,
) -> None:
    """What a person who touches a point would draw, from one state read with and without a burden resistor.

    Type the voltage by the meter alone, then the voltages with known resistors across the meter. Only --reading has to
    be given; of the rest it says below what is taken in its place. Ends with status 1
    where it found danger. Treat every point as live: one hand, plug out before a clip is moved; local codes come
    first, and work on the mains side is for those licensed for it.

    Example: chassislog touch --reading 118.4V --reading 2.31V@10kohm --meter-input '10 Mohm' --frequency 60Hz
    --accuracy '0.8% + 3 digits' --resolution 0.01V --burden-tolerance 1%
    """
    from analysis.finding import Level
    from analysis.limits import touch_limits
    from analysis.touch_answer import answer_touch

    notes = []
    hertz = _frequency(frequency, dc=dc)
    if frequency is None and not dc:
        notes.append(f"No frequency was given: {show(USUAL_FREQUENCY, 'Hz', 1.0)} is taken.")
    if accuracy is None:
        notes.append("No --accuracy was given: a half width of 3 % + 10 counts is taken for each reading.")
    try:
        meter = _meter(meter_input, meter_capacitance)
        readings = [_reading(text, accuracy, resolution, burden_tolerance, dc=dc) for text in reading]
        found = answer_touch(readings, meter=meter, frequency=hertz, limits=touch_limits(strict=strict))
    except ValueError as exc:
        raise TouchCallError(f"{str(exc)[:1].upper()}{str(exc)[1:]}.") from exc
    except OverflowError as exc:
        raise TouchCallError("These numbers are too large or too small to compute with.") from exc
    if as_json:
        document = found.to_json()
        say_json({**document, "reasons": [*document["reasons"], *notes]})
        for note in notes:
            tell(note)
    else:
        _print(found, notes)
    if found.level is Level.DANGER:
        raise typer.Exit(1)


def _quantity(option: str, text: str, unit: str) -> float:
    try:
        return parse(text, unit)
    except UnitError as exc:
        raise TouchCallError(f"{option}: {exc.what}", remedy=exc.remedy) from exc


def _frequency(text: str | None, *, dc: bool) -> float | None:
    if dc and text is not None:
        raise TouchCallError("--frequency and --dc were both given.", remedy="Give one of them.")
    if dc:
        return None
    return USUAL_FREQUENCY if text is None else _quantity("--frequency", text, "Hz")


def _meter(resistance: str | None, capacitance: str | None) -> MeterInput | None:
    from analysis.touch import MeterInput

    if resistance is None:
        if capacitance is not None:
            raise TouchCallError("--meter-capacitance was given without --meter-input.", remedy="Give both.")
        return None
    return MeterInput(
        resistance=_quantity("--meter-input", resistance, "Ohm"),
        capacitance=0.0 if capacitance is None else _quantity("--meter-capacitance", capacitance, "F"),
    )


def _reading(text: str, accuracy: str | None, resolution: str | None, tolerance: str, *, dc: bool) -> BurdenReading:
    from analysis.touch import BurdenReading

    volts, at, ohms = text.partition("@")
    value = _quantity("--reading", volts, "V")
    if value < 0 and not dc:
        raise TouchCallError(f"--reading {volts.strip()!r} is negative.", remedy="AC volts have no sign; or give --dc.")
    count = _typed_count(volts) if resolution is None else _quantity("--resolution", resolution, "V")
    if count <= 0:
        raise TouchCallError(f"--resolution {resolution!r} is not above zero.")
    try:
        fraction = parse_fraction(tolerance)
    except UnitError as exc:
        raise TouchCallError(f"--burden-tolerance: {exc.what}", remedy=exc.remedy) from exc
    return BurdenReading(
        value=value,
        u=_uncertainty(value, count, accuracy),
        burden=_quantity("--reading", ohms, "Ohm") if at else None,
        burden_tolerance=fraction,
    )


def _typed_count(volts: str) -> float:
    """One unit of the last digit as typed, in volts: 0.1 mV for "12.5 mV"."""
    match = _NUMBER.match(volts)
    assert match is not None  # every part of it may be empty
    power = int(match["exponent"] or 0) - len(match["places"] or "")
    return parse(f"1e{power}{volts[match.end() :]}", "V")


def _uncertainty(value: float, count: float, accuracy: str | None) -> float:
    """Standard uncertainty of one typed reading, by its accuracy line or the general one. [V]"""
    from analysis.judge import fallback_u, rectangular

    if accuracy is None:
        return fallback_u(value, count)
    match = _ACCURACY.fullmatch(accuracy)
    if match is None:
        raise TouchCallError(f"--accuracy {accuracy!r} cannot be read.", remedy="Expected such as '0.8% + 3 digits'.")
    return rectangular(float(match["percent"]) / 100 * abs(value) + int(match["digits"] or 0) * count)


def _between(bounds: Range, unit: str) -> str:
    from analysis.touch_answer import figure

    low = figure(bounds.low, unit)
    high = "no bound" if bounds.high is None else figure(bounds.high, unit)
    return low if low == high else f"{low} to {high}"


def _print(found: TouchAnswer, notes: list[str]) -> None:
    from analysis.touch import Range
    from analysis.touch_answer import figure
    from analysis.touch_words import CAUTION

    bounds, amperes, volts = found.bounds, found.current_limit, found.voltage_limit
    counted = Range(bounds.least, bounds.most)
    print(f"{level_word(found.level)} {found.statement}\n")
    print(f"  touch current     {_between(bounds.current, 'A')}; {_between(counted, 'A')} with uncertainty counted")
    print(f"  open circuit      {_between(bounds.open_circuit, 'V')}")
    print(f"  source impedance  {_between(bounds.source_impedance, 'Ohm')}")
    print(f"  hard connection   {'not ruled out' if bounds.hard_connection else 'no'}")
    print(f"  current limit     {figure(amperes.value, 'A')}, {amperes.source}")
    print(f"  voltage limit     {figure(volts.value, 'V')}, {volts.source}\n")
    for line in (*bounds.reasons, *notes, found.advice, CAUTION):
        print(line)
