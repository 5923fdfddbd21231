"""Which pictures a report gets: those that there is evidence for, and no others."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from analysis.assessment import Assessment
from analysis.card import RadioCard, figure
from analysis.finding import ORDER, Finding
from analysis.limits import touch_limits
from analysis.report import series
from analysis.report.matrix import touch_findings
from analysis.report.plots import (
    ComparePlot,
    Difference,
    GainPlot,
    LoadLinePlot,
    LoadPlot,
    Plot,
    Rail,
    RailsPlot,
    TracePlot,
)  # fmt: skip
from analysis.report.text import amount, exactly, plain, rounded
from analysis.table import Radio, Session

#: Voltage traces in one report: the worst points of the last sittings; the rest is in the files.
TRACES = 4


def plots(
    radio: Radio, judged: Sequence[Session], assessment: Assessment, supply: Mapping[str, Any] | None,
    comparisons: Sequence[Mapping[str, Any]],
) -> tuple[Plot, ...]:  # fmt: skip
    """Every picture that the readings and results carry, in the report's order."""
    found: list[Plot | None] = [*_traces(radio, judged, assessment), _loads(judged, supply)]
    if supply is not None:
        found += [_load_line(judged, supply), _rails(radio.card, supply, assessment.of("rail-window")),
                  _gain(radio.card, supply, assessment.of("headroom"))]  # fmt: skip
    found.append(_hum(comparisons))
    return tuple(plot for plot in found if plot is not None)


def _traces(radio: Radio, judged: Sequence[Session], assessment: Assessment) -> list[TracePlot]:
    touch = touch_limits(strict=radio.card.limits.strict, own=radio.card.limits.own())
    limits = {"AC": touch.voltage_ac.value, "DC": touch.voltage_dc.value}
    touched = touch_findings(assessment)
    levels = {point: ORDER.index(finding.level) for point, finding in touched.items()}
    by_level = sorted(radio.card.points, key=lambda point: (point != "chassis", levels.get(point, len(ORDER))))
    found: list[TracePlot] = []
    for session in reversed(judged):
        for point in by_level[:2]:
            states = touched[point].states if point in touched else ()
            plot = series.trace(session, point, key=f"volts-{len(found) + 1}", limits=limits, states=states)
            if plot is not None and len(found) < TRACES:
                found.append(plot)
    return found


def _number(found: object) -> float | None:
    usable = isinstance(found, (int, float)) and not isinstance(found, bool) and math.isfinite(found)
    return float(found) if usable else None  # type: ignore[arg-type]


def _loads(judged: Sequence[Session], supply: Mapping[str, Any] | None) -> LoadPlot | None:
    bars = series.load_bars(judged)
    if not bars:
        return None
    design = _number(supply.get("design_current_A")) if supply else None
    words = "; ".join(f"{bar.load} {rounded(bar.mean, 'A')}, at most {rounded(bar.high, 'A')}" for bar in bars)
    return LoadPlot(
        key="current", title="Current of the auxiliary transformer, by load", bars=tuple(bars), design=design,
        alt=f"Secondary current, mean and highest reading by load: {words}."
            + (f" Design current {rounded(design, 'A')}." if design else ""),
        caption="Dot: mean; bar: lowest to highest reading"
                + ("; thin bar: ± U of one reading." if any(bar.expanded for bar in bars) else "."),
    )  # fmt: skip


def _load_line(judged: Sequence[Session], supply: Mapping[str, Any]) -> LoadLinePlot | None:
    """Straight between the volts without load and at the largest load; else by the winding's resistance."""
    off, on, amps = (_number(supply.get(key)) for key in ("off_load_V", "on_load_V", "design_current_A"))
    winding, factor = _number(supply.get("winding_resistance_ohm")), _number(supply.get("true_rms_factor"))
    if off is None or amps is None or amps <= 0 or (on is None and winding is None):
        return None
    resistance = (off - on) / amps if on is not None else (winding or 0.0) * (factor or 1.0)
    volts = off - resistance * amps
    how = "straight through the volts without load and at the largest load"
    if on is None:
        how = f"open-circuit volts less current times the winding’s {rounded(winding or 0.0, 'Ohm')}"
    true = f" True RMS is {factor:.3g} × the current shown." if factor and factor != 1 else ""
    return LoadLinePlot(
        key="load-line", title="Load line of the auxiliary transformer", open_volts=off, resistance=resistance,
        working=(amps, volts), measured=tuple(series.load_points(judged)),
        alt=f"Secondary volts fall from {rounded(off, 'V')} without load to {rounded(volts, 'V')} at the design "
            f"current of {rounded(amps, 'A')}.",
        caption=f"Line: {how}, at nominal mains. Square: working point at the design current. Circles: means of what "
                f"was measured, at the mains of the day, with ± U of one reading.{true}",
    )  # fmt: skip


def _rails(card: RadioCard, supply: Mapping[str, Any], finding: Finding | None) -> RailsPlot | None:
    rows = [row for row in supply.get("at_mains") or [] if isinstance(row, Mapping) and _number(row.get("mains_V"))]
    rows.sort(key=lambda row: float(row["mains_V"]))
    names = list(dict.fromkeys(str(rail.get("name")) for row in rows for rail in row.get("rails") or []))
    rails: list[Rail] = []
    for name in names:
        own: list[Mapping[str, Any]] = [
            next((r for r in row.get("rails") or [] if r.get("name") == name), {}) for row in rows
        ]
        mean, low, high = ([_number(r.get(key)) for r in own] for key in ("mean_V", "min_V", "max_V"))
        if all(value is not None for value in (*mean, *low, *high)):
            rails.append(Rail(name=plain(name, 30), mean=_known(mean), low=_known(low), high=_known(high)))
    if len(rows) < 2 or not rails:
        return None
    rails = _told_apart(rails)
    mains = tuple(float(row["mains_V"]) for row in rows)
    least, most = figure(card.board.supply_min, "V"), figure(card.board.supply_max, "V")
    judged = _judged_rail(finding, mains, least)
    words = "; ".join(f"{rail.name} {_range(rail)}" for rail in rails)
    bounds = [f"{name} {exactly(value, 'V')}" for name, value in (("minimum", least), ("maximum", most)) if value]
    point = f" {amount(judged[1], judged[2], 'V')} at {exactly(judged[0], 'V')} mains" if judged else ""
    return RailsPlot(
        key="rails", title="Rails against mains", mains=mains,
        loads=tuple(plain(row.get("load") or "", 20) for row in rows), rails=tuple(rails), supply_min=least,
        supply_max=most, judged=judged,
        alt=f"Computed rails from lowest to highest mains: {words}."
            + (f" The board's {' and '.join(bounds)}." if bounds else "") + (f" Judged:{point}." if point else ""),
        caption="Computed. Line: mean; broad bar: lowest to highest of the ripple. Negative rails as magnitudes."
                + (f" Diamond: the value judged,{point}, with its U." if point else "")
                + (" Without load next to no current flows and the rectifier drops next to nothing, so the peak of the "
                   "secondary is judged there." if judged and judged[0] == mains[-1] else ""),
    )  # fmt: skip


def _told_apart(rails: list[Rail]) -> list[Rail]:
    """Rails that no picture could tell apart as one, and said to be alike."""
    found: dict[tuple[str, ...], list[Rail]] = {}
    for rail in rails:
        key = tuple(rounded(abs(value), "V") for value in (*rail.mean, *rail.low, *rail.high))
        found.setdefault(key, []).append(rail)
    return [
        replace(same[0], name=f"{' and '.join(rail.name for rail in same)} rails, alike" if same[1:]
                              else f"{same[0].name} rail")
        for same in found.values()
    ]  # fmt: skip


def _judged_rail(
    finding: Finding | None, mains: tuple[float, ...], least: float | None
) -> tuple[float, float, float] | None:
    """The rail that its finding shows: a minimum is judged at the lowest mains, every other limit at the highest."""
    if finding is None or finding.value is None or finding.limit is None or "measured" in finding.limit_source:
        return None
    at = mains[0] if least is not None and finding.limit == least else mains[-1]
    return at, abs(finding.value), finding.expanded_uncertainty or 0.0


def _known(values: list[float | None]) -> tuple[float, ...]:
    return tuple(value for value in values if value is not None)


def _range(rail: Rail) -> str:
    return f"from {rounded(min(rail.low), 'V')} to {rounded(max(rail.high), 'V')}"


def _gain(card: RadioCard, supply: Mapping[str, Any], finding: Finding | None) -> GainPlot | None:
    loss, source = figure(card.board.swing_loss, "V"), figure(card.board.source_level, "V")
    rows = [row for row in supply.get("at_mains") or [] if isinstance(row, Mapping)]
    marks = []
    for row in rows:
        lows = [_number(rail.get("min_V")) for rail in row.get("rails") or []]
        mains = _number(row.get("mains_V"))
        if mains and lows and all(value is not None for value in lows):
            marks.append((f"at {exactly(mains, 'V')} mains", min(_known(lows))))
    if loss is None or source is None or not marks:
        return None
    share = (
        1.0 if card.board.topology in ("", "dual-half-wave") else 0.5
    )  # a single rail: the output rests at half of it
    least = loss / share
    marks = [mark for mark in marks if mark[1] > least]
    if not marks:
        return None
    peak = source * math.sqrt(2)
    words = "; ".join(f"{name} {20 * math.log10((share * volts - loss) / peak):.1f} dB" for name, volts in marks)
    swing = f"(rail at its lowest − {exactly(loss, 'V')})"
    if share < 1:
        swing = f"(half the rail at its lowest − {exactly(loss, 'V')})"
    gain = figure(card.board.gain, "dB")
    rails = [volts for _, volts in marks]
    judged = _judged_gain(finding, share=share, loss=loss, peak=peak)
    return GainPlot(
        key="gain", title="Gain that does not clip, against the supply rail", loss=loss, source_peak=peak,
        share=share, low=max(least * 1.05, min(rails) * 0.7), high=max(rails) * 1.15, marks=tuple(marks), set_gain=gain,
        judged=judged,
        alt=f"Highest gain without clipping: {words}."
            + (f" The board is set to {gain:g} dB." if gain is not None else ""),
        caption=f"{swing} / source peak of {rounded(peak, 'V')}, sine wave."
                + (" Diamond: the gain judged, with its U." if judged else ""),
    )  # fmt: skip


def _judged_gain(
    finding: Finding | None, *, share: float, loss: float, peak: float
) -> tuple[float, float, float, float] | None:
    """Rail, and the gain judged with both ends of its U in dB; the rail is the one that gives just that gain."""
    ratio, spread = (finding.value, finding.expanded_uncertainty or 0.0) if finding is not None else (None, 0.0)
    if ratio is None or ratio - spread <= 0:
        return None
    low, middle, high = (20 * math.log10(value) for value in (ratio - spread, ratio, ratio + spread))
    return (ratio * peak + loss) / share, middle, low, high


def _hum(comparisons: Sequence[Mapping[str, Any]]) -> ComparePlot | None:
    rows = []
    for found in comparisons:
        difference, interval = _number(found.get("difference_dB")), found.get("interval_dB") or (None, None)
        low, high = _number(interval[0]), _number(interval[1])
        if difference is not None and low is not None and high is not None:
            rows.append(Difference(
                name=_pair(found), difference=difference, low=low, high=high,
                margin=_number(found.get("margin_dB")) or 0.0, outcome=plain(found.get("outcome") or "undecided", 20),
            ))  # fmt: skip
    if not rows:
        return None
    words = "; ".join(f"{r.name}: {r.difference:+.1f} dB, {r.low:+.1f} to {r.high:+.1f} dB, {r.outcome}" for r in rows)
    confidence = _number(comparisons[0].get("confidence"))
    return ComparePlot(
        key="comparison", title="Comparison of arrangements", rows=tuple(rows), alt=f"Differences. {words}.",
        caption="Dot: difference; bar: its interval"
                + (f" at {confidence * 100:g} % confidence" if confidence and confidence <= 1 else "")
                + "; shaded: differences that count as the same.",
    )  # fmt: skip


def _pair(found: Mapping[str, Any]) -> str:
    sides = [str(side.get("name") or side.get("arrangement") or side.get("value") or word) if isinstance(side, Mapping)
             else word for side, word in ((found.get("a"), "A"), (found.get("b"), "B"))]  # fmt: skip
    return plain(f"{found.get('point') or ''} {found.get('quantity') or ''}: {sides[0]} against {sides[1]}".strip(), 60)
