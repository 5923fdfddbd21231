"""The calculators: the same computations as for a session, from typed-in numbers."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import typer

from drivers.reading import BenchError
from drivers.units import parse, show, show_pm
from logger.cautions import CAUTION_LINE

if TYPE_CHECKING:
    from collections.abc import Callable

    from analysis.rectifier import Solution
    from analysis.rectifier_circuit import Circuit, Load

T = TypeVar("T")
#: As `analysis.rectifier_circuit.Topology`, which is not imported before it is needed.
TOPOLOGIES = ("half-wave", "centre-tap", "bridge", "dual-half-wave", "doubler")
DIODES = ("piecewise", "exponential")
METALS = ("copper", "aluminium")
CLASSES = ("A", "E", "B", "F", "H")
_ACCURACY = re.compile(
    r"\s*(?:±\s*)?\(?\s*(?P<percent>\d+(?:\.\d*)?|\.\d+)\s*%(?:\s*(?:of\s+)?(?:rdg|reading))?"
    r"(?:\s*\+\s*(?P<digits>\d+)\s*(?:d|dgt|digits?|counts?))?\s*\)?\s*",
    re.IGNORECASE,
)


class CalculatorError(BenchError):
    """A calculator was given numbers that nothing can be computed from."""


Json = Annotated[bool, typer.Option("--json", help="One JSON document, SI base units, the unit in each key.")]


def add_calculators(app: typer.Typer) -> None:
    """Register `dc-rails`, `winding` and `headroom`."""
    app.command("dc-rails", short_help="Rails, ripple and secondary current of a rectifier supply.")(dc_rails)
    app.command("winding", short_help="Temperature rise of a winding by its resistance.")(winding)
    app.command("headroom", short_help="Undistorted output of the added board, and its gain.")(headroom)


def dc_rails(
    topology: Annotated[str, typer.Option(metavar="TOPOLOGY", help=f"How it is wired: {', '.join(TOPOLOGIES)}.")],
    emf: Annotated[
        str, typer.Option(metavar="VOLTS", help="Open-circuit rms of the winding, of one half for centre-tap: 10.8V.")
    ],
    resistance: Annotated[str, typer.Option(metavar="OHMS", help="Of the winding, seen from the secondary: '4 ohm'.")],
    reservoir: Annotated[str, typer.Option(metavar="FARADS", help="Each reservoir capacitor: 1000uF.")],
    frequency: Annotated[str, typer.Option(metavar="HERTZ", help="Of the mains: 60Hz.")],
    load: Annotated[str | None, typer.Option(metavar="AMPERES", help="Constant load current: 60mA.")] = None,
    load_resistance: Annotated[
        str | None, typer.Option(metavar="OHMS", help="A resistor as the load: '150 ohm'.")
    ] = None,
    negative_load: Annotated[
        str | None, typer.Option(metavar="AMPERES", help="On the negative rail; else as the positive one.")
    ] = None,
    negative_load_resistance: Annotated[
        str | None, typer.Option(metavar="OHMS", help="A resistor on the negative rail.")
    ] = None,
    diode: Annotated[str, typer.Option(metavar="MODEL", help=f"Diode model: {' or '.join(DIODES)}.")] = "piecewise",
    as_json: Json = False,
) -> None:
    """Rails, ripple and secondary current of a small rectifier supply in its steady state.

    Example: chassislog dc-rails --topology dual-half-wave --emf 10.8V --resistance '4 ohm' --reservoir 1000uF
    --frequency 60Hz --load 60mA
    """
    from analysis.rectifier import solve
    from analysis.rectifier_circuit import Circuit, ExponentialDiode, PiecewiseDiode, Topology

    _one_of("--topology", topology, TOPOLOGIES)
    _one_of("--diode", diode, DIODES)
    positive = _load("--load", load, load_resistance)
    if positive is None:
        raise CalculatorError("The load is missing.", remedy="Give --load 60mA or --load-resistance '150 ohm'.")
    negative = _load("--negative-load", negative_load, negative_load_resistance)

    def build() -> Circuit:
        return Circuit(
            topology=Topology(topology), emf=_quantity("--emf", emf, "V"),
            winding_resistance=_quantity("--resistance", resistance, "Ohm"),
            reservoir=_quantity("--reservoir", reservoir, "F"), frequency=_quantity("--frequency", frequency, "Hz"),
            load=positive, negative_load=negative,
            diode=PiecewiseDiode() if diode == "piecewise" else ExponentialDiode(),
        )  # fmt: skip

    solution = _computed(lambda: solve(build()))
    _put(solution.to_json() if as_json else _rails_text(solution))


def winding(
    cold: Annotated[
        str, typer.Option(metavar="OHMS", help="Resistance at air temperature, before the run: '52.1 ohm'.")
    ],
    cold_air: Annotated[str, typer.Option(metavar="TEMPERATURE", help="Air at that moment: 21degC.")],
    hot: Annotated[str, typer.Option(metavar="OHMS", help="Resistance directly after the run: '58.9 ohm'.")],
    hot_air: Annotated[str, typer.Option(metavar="TEMPERATURE", help="Air at that moment: 23degC.")],
    metal: Annotated[str, typer.Option(metavar="METAL", help=f"Of the wire: {' or '.join(METALS)}.")] = "copper",
    insulation_class: Annotated[
        str, typer.Option("--class", metavar="CLASS", help=f"Insulation class: {', '.join(CLASSES)}.")
    ] = "A",
    accuracy: Annotated[
        str | None, typer.Option(metavar="ACCURACY", help="Of the ohmmeter: '0.8% + 3 digits'.")
    ] = None,
    resolution: Annotated[
        str | None, typer.Option(metavar="OHMS", help="One count of the ohmmeter: '0.1 ohm'.")
    ] = None,
    as_json: Json = False,
) -> None:
    """Temperature rise of a winding by its resistance, against its insulation class.

    Ends with status 1 where the rise is above the class limit. Measure with the plug out.

    Example: chassislog winding --cold '52.1 ohm' --cold-air 21degC --hot '58.9 ohm' --hot-air 23degC
    --accuracy '0.8% + 3 digits' --resolution '0.1 ohm'
    """
    from analysis.finding import Level
    from analysis.winding import WindingReading, judge_winding, winding_finding

    _one_of("--metal", metal, METALS)
    _one_of("--class", insulation_class, CLASSES)
    count = None if resolution is None else _quantity("--resolution", resolution, "Ohm")

    def reading(name: str, ohms: str, air: str) -> WindingReading:
        value = _quantity(f"--{name}", ohms, "Ohm")
        return WindingReading(
            resistance=value,
            air=_quantity(f"--{name}-air", air, "Cel"),
            u_resistance=_standard_uncertainty(value, accuracy, count),
        )

    found = _computed(
        lambda: judge_winding(
            reading("cold", cold, cold_air),
            reading("hot", hot, hot_air),
            insulation_class=insulation_class,
            metal=metal,
        )
    )
    if as_json:
        _put(found.to_json())
    else:
        note = "" if accuracy else "No --accuracy was given: 3 % and ten counts were taken for the ohmmeter."
        finding = winding_finding(found, note=note)
        _put([
            ("rise", show_pm(found.rise, found.expanded_uncertainty, "K")),
            ("hot winding", show(found.hot, "Cel", 0.1)),
            ("limit", f"{show(found.limit, 'K', 0.1)} over this air, class {found.insulation_class}"),
            ("level", str(found.level)), ("", finding.statement), ("", finding.advice),
        ])  # fmt: skip
    if found.level is Level.DANGER:
        raise typer.Exit(1)


def headroom(
    rail: Annotated[
        str, typer.Option(metavar="VOLTS", help="Lowest rail of the ripple; each rail of a dual supply: 11.2V.")
    ],
    loss_high: Annotated[
        str, typer.Option(metavar="VOLTS", help="What the output stays away from its upper rail: 1.5V.")
    ],
    loss_low: Annotated[str, typer.Option(metavar="VOLTS", help="And from its lower rail: 1.5V.")],
    source: Annotated[str, typer.Option(metavar="VOLTS", help="Source level at full scale, rms: 0.7V.")],
    supply: Annotated[str, typer.Option(metavar="KIND", help="dual or single.")] = "dual",
    bias: Annotated[
        str | None, typer.Option(metavar="VOLTS", help="Where the output rests on a single supply; else half.")
    ] = None,
    reserve: Annotated[
        str, typer.Option(metavar="DECIBELS", help="Kept between full scale and clipping: 3dB.")
    ] = "3 dB",
    as_json: Json = False,
) -> None:
    """Undistorted output of the added board, and the gain that its source allows.

    Example: chassislog headroom --rail 11.2V --loss-high 1.5V --loss-low 1.5V --source 0.7V
    """
    from analysis.headroom import headroom as compute

    _one_of("--supply", supply, ("dual", "single"))
    found = _computed(
        lambda: compute(
            _quantity("--rail", rail, "V"),
            _quantity("--loss-high", loss_high, "V"),
            _quantity("--loss-low", loss_low, "V"),
            _quantity("--source", source, "V"),
            single=supply == "single",
            bias=None if bias is None else _quantity("--bias", bias, "V"),
            reserve_dB=_quantity("--reserve", reserve, "dB"),
        )
    )
    if as_json:
        _put(found.to_json())
        return
    _put([
        ("undistorted", f"{show(found.undistorted_peak, 'V')} peak"),
        ("source", f"{show(found.source_peak, 'V')} peak"),
        ("gain limit", f"{found.gain_limit:.3g} ({found.gain_limit_dB:+.1f} dB): above it, full scale clips"),
        ("advised gain", f"{found.advised_gain:.3g}, with {found.reserve_dB:g} dB in reserve"),
    ])  # fmt: skip


def _rails_text(solution: Solution) -> list[tuple[str, str]]:
    lines = []
    if solution.collapse:
        lines.append(("", f"{solution.collapse} What follows is of a rail that has collapsed, not of a supply."))
    for rail in solution.rails:
        lines.append((
            f"{rail.name} rail",
            f"{show(rail.mean, 'V')} mean, {show(rail.lowest, 'V')} to {show(rail.highest, 'V')}, "
            f"ripple {show(rail.ripple_pp, 'V')} peak to peak",
        ))  # fmt: skip
    half = " (each half winding)" if solution.windings == 2 else ""
    return [
        *lines,
        ("secondary", f"{show(solution.secondary_rms, 'A')} true rms, {show(solution.secondary_peak, 'A')} peak{half}"),
        ("meters show", f"average-responding {show(solution.average_responding_reading, 'A')}, ac-coupled "
                        f"{show(solution.ac_coupled_average_reading, 'A')}; true-RMS ac-coupled "
                        f"{show(solution.ac_coupled_true_rms_reading, 'A')}"),
        ("apparent power", show(solution.apparent_power, "VA")),
        ("winding loss", show(solution.winding_loss, "W")),
    ]  # fmt: skip


def _put(what: dict[str, Any] | list[tuple[str, str]]) -> None:
    """Print the answer: a JSON document, or labelled lines and the caution."""
    if isinstance(what, dict):
        typer.echo(json.dumps(what, allow_nan=False, ensure_ascii=False))
        return
    for label, text in what:
        typer.echo(f"{label:<15} {text}" if label else text)
    typer.echo(CAUTION_LINE)


def _one_of(option: str, value: str, allowed: tuple[str, ...]) -> None:
    if value not in allowed:
        raise CalculatorError(f"{option} is {value!r}.", remedy=f"Expected one of {', '.join(allowed)}.")


def _quantity(option: str, text: str, unit: str) -> float:
    """A quantity with its unit; the error names the option."""
    try:
        return parse(text, unit)
    except BenchError as exc:
        raise CalculatorError(f"{option}: {exc.what}", remedy=exc.remedy) from exc


def _load(option: str, current: str | None, resistance: str | None) -> Load | None:
    from analysis.rectifier_circuit import constant_current, resistor

    if current is not None and resistance is not None:
        raise CalculatorError(f"{option} and {option}-resistance were both given.", remedy="Give one of them.")
    if current is not None:
        amperes = _quantity(option, current, "A")
        if amperes < 0:
            raise CalculatorError(f"{option} {current} is below zero.", remedy="Expected zero or more, such as 60mA.")
        return _computed(lambda: constant_current(amperes))
    if resistance is not None:
        ohms = _quantity(f"{option}-resistance", resistance, "Ohm")
        if ohms <= 0:
            raise CalculatorError(
                f"{option}-resistance {resistance} is not above zero.",
                remedy="Expected more than zero, as '150 ohm'.",
            )
        return _computed(lambda: resistor(ohms))
    return None


def _standard_uncertainty(value: float, accuracy: str | None, count: float | None) -> float:
    """Of one typed reading: its accuracy line as a rectangular half width, or the general one without a line."""
    from analysis.judge import fallback_u, rectangular

    if accuracy is None:
        return fallback_u(value, count)
    match = _ACCURACY.fullmatch(accuracy)
    if match is None:
        raise CalculatorError(f"--accuracy {accuracy!r} cannot be read.", remedy="Expected such as '0.8% + 3 digits'.")
    digits = int(match["digits"] or 0)
    if digits and count is None:
        raise CalculatorError("--accuracy counts digits, but one count is not known.",
                              remedy="Give --resolution, such as '0.1 ohm'.")  # fmt: skip
    return rectangular(float(match["percent"]) / 100 * abs(value) + digits * (count or 0.0))


def _computed(compute: Callable[[], T]) -> T:
    """What `compute` returns; a sentence about wrong numbers becomes one for the person who typed them."""
    try:
        return compute()
    except ValueError as exc:
        text = str(exc)
        raise CalculatorError(f"{text[:1].upper()}{text[1:]}{'' if text.endswith(('.', '?')) else '.'}") from exc
    except (OverflowError, ZeroDivisionError) as exc:
        raise CalculatorError("These numbers are too large or too small to compute with.") from exc
