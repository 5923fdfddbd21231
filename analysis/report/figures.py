"""The report's pictures, drawn without a window: plain data in, SVG text out, the same bytes for the same data.

Text stays text in the SVG: it can be searched and read aloud, and a line of 10,000 glyph outlines is not carried along.
"""

from __future__ import annotations

import io
import math
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache, lru_cache
from importlib import resources
from typing import TYPE_CHECKING, Any

from analysis.report import grid
from analysis.report.palette import light
from analysis.report.plots import (
    Cell,
    ComparePlot,
    GainPlot,
    LoadLinePlot,
    LoadPlot,
    MatrixPlot,
    Plot,
    RailsPlot,
    Take,
    TracePlot,
)  # fmt: skip
from analysis.report.svg import standalone
from drivers.units import counted

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Order in which lines take colour, dash and marker: each differs from the others in all three.
LINES = (("fig-one", "-", "o"), ("fig-two", "--", "s"), ("fig-three", "-.", "^"), ("fig-four", ":", "D"))
INK, MUTED, LIMIT = light("fig-ink"), light("fig-muted"), light("fig-limit")


@cache
def _style() -> Any:  # the library types its settings by a list of 300 names
    from matplotlib import rc_params_from_file

    with resources.as_file(resources.files("analysis.report") / "report.mplstyle") as path:
        params: dict[Any, Any] = dict(rc_params_from_file(str(path), use_default_template=True))
    params.pop("backend", None)  # setting it would look for a window system
    return params


@contextmanager
def _styled() -> Iterator[None]:
    """The report's style over the library's own defaults, whatever the user's own style file says."""
    from matplotlib import rc_context

    with rc_context(_style()):
        yield


@lru_cache(maxsize=32)  # page and print show the same pictures
def draw(plot: Plot) -> str:
    """One picture as an SVG document; ids begin with the plot's key."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    with _styled(), warnings.catch_warnings():
        # Text stays text: letters that the measuring face lacks are the viewer's to draw, and no fault.
        warnings.filterwarnings("ignore", "Glyph .* missing from font")
        figure = Figure(layout="constrained")
        FigureCanvasSVG(figure)
        _DRAWERS[type(plot)](figure, plot)
        out = io.StringIO()
        nothing = dict.fromkeys(("Date", "Creator", "Format", "Type"))
        figure.savefig(out, format="svg", metadata=nothing)
    return standalone(out.getvalue(), plot.key)


def _limit_line(axes: Axes, value: float, words: str, *, below: bool = False) -> None:
    axes.axhline(value, color=LIMIT, linewidth=1.1, linestyle=(0, (6, 2)))
    axes.annotate(words, (1, value), xycoords=("axes fraction", "data"), ha="right", va="top" if below else "bottom",
                  xytext=(0, -2 if below else 2), textcoords="offset points", color=LIMIT)  # fmt: skip


def _matrix(figure: Figure, plot: MatrixPlot) -> None:
    rows = [grid.lay(row) for row in plot.rows]
    high = grid.HEAD + sum(row.height for row in rows) + 0.04
    figure.set_size_inches(grid.WIDTH, high)
    figure.set_layout_engine("none")  # the grid is its own layout
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set_xlim(0, grid.WIDTH)
    axes.set_ylim(high, 0)
    axes.axis("off")
    wide = grid.column(len(plot.columns))
    for at, (plug, switch) in enumerate(plot.columns):
        middle = grid.NAMES + (at + 0.5) * wide
        axes.text(middle, 0.12, f"Plug way {plug or '–'}"[:20], ha="center", va="center", weight="bold")
        axes.text(middle, 0.3, f"switch {switch or '–'}"[:20], ha="center", va="center", color=MUTED)
    top = grid.HEAD
    for row in rows:
        _lines(axes, 0.03, top + row.height / 2, row.name, row.level, ha="left", colour=(INK, MUTED))
        for at, (cell, value, word) in enumerate(row.cells):
            _cell(axes, grid.NAMES + at * wide, top, wide, row.height, cell, (value, word))
        top += row.height


def _lines(
    axes: Axes, across: float, middle: float, first: tuple[str, ...], then: tuple[str, ...], *, ha: str,
    colour: tuple[str, str], bold: int = 0, box: dict[str, Any] | None = None,
) -> None:  # fmt: skip
    """Two parts in lines of type one below the other; `bold` says which part stands out."""
    lines = [(words, 0) for words in first] + [(words, 1) for words in then]
    for at, (words, part) in enumerate(lines):
        axes.text(across, middle + (at - (len(lines) - 1) / 2) * grid.LINE, words, ha=ha, va="center", bbox=box,
                  weight="bold" if part == bold else "normal", color=colour[part])  # fmt: skip


def _short(text: str, length: int) -> str:
    return text if len(text) <= length else text[: length - 1] + "…"


def _cell(
    axes: Axes, left: float, top: float, wide: float, high: float, cell: Cell, words: tuple[tuple[str, ...], ...]
) -> None:  # fmt: skip
    from matplotlib.patches import Rectangle

    loud = cell.word in ("above the limit", "over range")
    absent = cell.word == "not measured"
    face = {"below the limit": "fig-below", "too close to call": "fig-close", "not measured": "fig-face"}
    close = cell.word == "too close to call"
    axes.add_patch(Rectangle(
        (left + 0.03, top + 0.03), wide - 0.06, high - 0.06, facecolor=light(face.get(cell.word, "fig-above")),
        linewidth=0.8, edgecolor=MUTED, linestyle=(0, (3, 2)) if absent else "-", hatch="////" if close else None,
    ))  # fmt: skip
    ink = light("fig-on-above") if loud else MUTED if absent else INK
    box = {"facecolor": light("fig-close"), "edgecolor": "none", "pad": 1} if close else None
    _lines(axes, left + wide / 2, top + high / 2, *words, ha="center", colour=(ink, ink), bold=1, box=box)


def _trace(figure: Figure, plot: TracePlot) -> None:
    axes = figure.add_subplot()
    minutes = _last(plot) > 300
    scale = 60.0 if minutes else 1.0
    for (name, times, values), (colour, dash, _) in zip(plot.traces, LINES * 4, strict=False):
        axes.plot([t / scale for t in times], values, dash, color=light(colour), label=name)
        alone = _alone(values)  # a line of one point is not seen
        axes.plot([times[at] / scale for at in alone], [values[at] for at in alone], ".", color=light(colour),
                  markersize=4)  # fmt: skip
    if plot.earlier:
        times, values = zip(*plot.earlier, strict=True)
        axes.plot([t / scale for t in times], values, "o", color=MUTED, markersize=2.6, markeredgewidth=0.6,
                  markerfacecolor=light("fig-face"), label="earlier reading, in no value")  # fmt: skip
    bottom, top = reach(plot)
    axes.set_ylim(bottom, top)
    for words, value in plot.limits:
        _limit_stretches(axes, value, words, [(a / scale, b / scale) for a, b in plot.compared])
    if plot.over_range:
        axes.plot([t / scale for t in plot.over_range], [top * 0.7] * len(plot.over_range), "^", color=LIMIT,
                  markersize=5, label="over range: above the meter’s scale")  # fmt: skip
    _takes(axes, plot.takes, scale, face=light("fig-face"), words="take ± U")
    _takes(axes, plot.judged, scale, face=INK, words="judged value ± U")
    _spans(axes, plot, scale)
    axes.set_xlabel("time since the session began [min]" if minutes else "time since the session began [s]")
    axes.set_ylabel(plot.axis)
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.26), ncols=2)


def _alone(values: tuple[float, ...]) -> list[int]:
    """The places of values with a break on both sides."""
    gaps = [True, *(math.isnan(value) for value in values), True]
    return [at for at in range(len(values)) if gaps[at] and gaps[at + 2] and not gaps[at + 1]]


def reach(plot: TracePlot) -> tuple[float, float]:
    """From where to where the upright axis goes: a mark at zero is seen whole, and there is room for the states' names.

    Returns: lowest and highest [V].
    """
    read = [v for _, _, values in plot.traces for v in values if math.isfinite(v)] + [v for _, v in plot.earlier]
    read += [value for _, value in plot.limits]
    top = (1.7 if plot.spans else 1.2) * max(read, default=0.0)
    least = min(0.0, 1.1 * min(read, default=0.0))
    top = top if top > 0 else 1.0
    return least - 0.06 * (top - least), top


def _last(plot: TracePlot) -> float:
    return max([0.0, *plot.over_range, *(t for _, times, _ in plot.traces for t in times)])


def _limit_stretches(axes: Axes, value: float, words: str, stretches: list[tuple[float, float]]) -> None:
    """A limit's line where it holds, named at the end of its last stretch; without stretches all across."""
    if not stretches:
        _limit_line(axes, value, words)
        return
    axes.hlines(
        [value] * len(stretches), *zip(*stretches, strict=True), color=LIMIT, linewidth=1.1, linestyle=(0, (6, 2))
    )
    axes.annotate(words, (stretches[-1][1], value), ha="right", va="bottom", xytext=(0, 2), textcoords="offset points",
                  color=LIMIT)  # fmt: skip


def _takes(axes: Axes, takes: tuple[Take, ...], scale: float, *, face: str, words: str) -> None:
    if takes:
        axes.errorbar(
            [t.elapsed / scale for t in takes], [t.value for t in takes], yerr=[t.expanded or 0.0 for t in takes],
            fmt="D", markersize=4, color=INK, linestyle="none", markerfacecolor=face, capsize=3, label=words, zorder=4,
        )  # fmt: skip


#: The drawn width of the axes of volts against time, what stays free between two names [in], and what share of the
#: whole time stays free on either side.
_ACROSS, _BESIDE, _FREE = 5.8, 0.06, 0.015


def _spans(axes: Axes, plot: TracePlot, scale: float) -> None:
    """Every second state's stretch shaded, each named at the top where there is room for the name."""
    if not plot.spans:
        return
    free = _FREE * ((plot.spans[-1].end - plot.spans[0].begin) or 1.0)
    left, right = plot.spans[0].begin - free, plot.spans[-1].end + free
    axes.set_xlim(left / scale, right / scale)
    for at, span in enumerate(plot.spans):
        if at % 2 == 0:
            axes.axvspan(span.begin / scale, span.end / scale, color=light("fig-band"), linewidth=0, zorder=0)
        # A name may reach half way into what lies between two bands.
        before = (span.begin - plot.spans[at - 1].end) / 2 if at else free
        after = (plot.spans[at + 1].begin - span.end) / 2 if plot.spans[at + 1 :] else free
        room = (span.end - span.begin + 2 * min(before, after)) / (right - left)
        words = grid.within(span.words, room * _ACROSS - _BESIDE)
        if words:
            axes.text((span.begin + span.end) / 2 / scale, 0.985, "\n".join(words), ha="center", va="top", color=MUTED,
                      transform=axes.get_xaxis_transform())  # fmt: skip


def _prefix(largest: float) -> tuple[float, str]:
    return (1e3, "mA") if largest < 1 else (1.0, "A")


def _loads(figure: Figure, plot: LoadPlot) -> None:
    figure.set_size_inches(6.7, 0.75 + 0.27 * len(plot.bars))
    axes = figure.add_subplot()
    scale, unit = _prefix(max([*(bar.high for bar in plot.bars), plot.design or 0.0]))
    names = [f"{bar.load} ({counted(bar.count, 'reading', ',')})" for bar in plot.bars]
    for at, bar in enumerate(plot.bars):
        axes.plot([bar.low * scale, bar.high * scale], [at, at], color=light("fig-one"), linewidth=6,
                  solid_capstyle="butt", alpha=1)  # fmt: skip
        if bar.expanded:
            axes.errorbar([bar.mean * scale], [at], xerr=[bar.expanded * scale], color=INK, capsize=4, linewidth=0.9)
        axes.plot([bar.mean * scale], [at], "o", color=INK, markerfacecolor=light("fig-face"), markersize=6, zorder=4)
    if plot.design is not None:
        axes.axvline(plot.design * scale, color=LIMIT, linestyle=(0, (6, 2)), linewidth=1.1)
        axes.annotate(f"design current {plot.design * scale:.3g} {unit}", (plot.design * scale, 1),
                      xycoords=("data", "axes fraction"), xytext=(-3, 2), textcoords="offset points", ha="right",
                      color=LIMIT)  # fmt: skip
    axes.set_yticks(range(len(names)), names)
    axes.set_ylim(len(names) - 0.5, -0.5)
    right = axes.get_xlim()[1]
    axes.set_xlim(-0.02 * right, right)  # a dot at zero is seen whole
    axes.grid(axis="y", visible=False)
    axes.set_xlabel(f"secondary current [{unit}]")


def _load_line(figure: Figure, plot: LoadLinePlot) -> None:
    axes = figure.add_subplot()
    most = max([*(a for _, (a, _), _ in plot.measured), plot.working[0]])
    scale, unit = _prefix(most)
    reach = 1.25 * most
    axes.plot([0, reach * scale], [plot.open_volts, plot.open_volts - plot.resistance * reach], color=light("fig-one"),
              label="load line")  # fmt: skip
    if plot.measured:
        axes.errorbar(
            [a * scale for _, (a, _), _ in plot.measured], [v for _, _, (v, _) in plot.measured],
            xerr=[(u or 0.0) * scale for _, (_, u), _ in plot.measured], fmt="o", markersize=6, capsize=3,
            yerr=[u or 0.0 for _, _, (_, u) in plot.measured], color=light("fig-two"), elinewidth=0.9, clip_on=False,
            markerfacecolor=light("fig-face"), label="measured, by load, ± U", zorder=5,
        )  # fmt: skip
        for name, (a, _), (v, _) in plot.measured:
            axes.annotate(name, (a * scale, v), xytext=(7, 6), textcoords="offset points", color=MUTED)
    amps, volts = plot.working[0] * scale, plot.working[1]
    axes.plot([amps], [volts], "s", color=INK, markersize=6, label="working point")
    axes.plot([amps, amps, 0], [0, volts, volts], ":", color=INK, linewidth=0.8)
    seen = [plot.open_volts, plot.open_volts - plot.resistance * reach, *(v for _, _, (v, _) in plot.measured)]
    room = 0.15 * (max(seen) - min(seen) or max(seen))
    axes.set_ylim(max(0.0, min(seen) - room), max(seen) + room)
    axes.set_xlim(left=0, right=reach * scale)
    axes.set_xlabel(f"secondary current [{unit}, as the ammeter showed it]")
    axes.set_ylabel("secondary [V RMS]")
    axes.legend(loc="upper right")


def _rails(figure: Figure, plot: RailsPlot) -> None:
    axes = figure.add_subplot()
    for rail, (colour, dash, marker) in zip(plot.rails, LINES, strict=False):
        axes.vlines(plot.mains, rail.low, rail.high, color=light(colour), linewidth=5, alpha=1)
        axes.plot(plot.mains, rail.mean, marker + dash, color=light(colour), markersize=5,
                  markerfacecolor=light("fig-face"), label=f"{rail.name}: mean, ripple")  # fmt: skip
    if plot.judged is not None:
        at, volts, expanded = plot.judged
        axes.errorbar([at], [volts], yerr=[expanded], fmt="D", color=INK, markersize=4.5, capsize=5, elinewidth=0.9,
                      label="value judged ± U", zorder=6)  # fmt: skip
    values = [v for rail in plot.rails for v in (*rail.low, *rail.high)]
    if plot.judged is not None:
        values += [plot.judged[1] - plot.judged[2], plot.judged[1] + plot.judged[2]]
    bounds = [v for v in (plot.supply_min, plot.supply_max) if v is not None]
    room = 0.2 * (max(values + bounds) - min(values + bounds) or 1.0)
    axes.set_ylim(min(values + bounds) - room, max(values + bounds) + room)
    if plot.supply_min is not None:
        _limit_line(axes, plot.supply_min, f"board’s minimum {plot.supply_min:g} V", below=True)
    if plot.supply_max is not None:
        _limit_line(axes, plot.supply_max, f"board’s maximum {plot.supply_max:g} V")
    axes.set_xticks(plot.mains, [f"{m:g}\n{load}" for m, load in zip(plot.mains, plot.loads, strict=True)])
    axes.set_xlabel("mains [V], with the load taken there")
    axes.set_ylabel("rail [V DC]")
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.38), ncols=3)


def _positive(values: list[float]) -> list[float]:
    return [max(0.0, value) for value in values]


def _gain(figure: Figure, plot: GainPlot) -> None:
    axes = figure.add_subplot()
    steps = [plot.low + (plot.high - plot.low) * i / 120 for i in range(121)]
    axes.plot(steps, [_decibels(plot, rail) for rail in steps], color=light("fig-one"), label="clips above this line")
    for at, (name, rail) in enumerate(plot.marks):
        axes.plot(
            [rail], [_decibels(plot, rail)], LINES[at % 4][2], color=INK, markerfacecolor=light("fig-face"),
            markersize=6, label=f"{name}: {_both(_decibels(plot, rail))}",
        )  # fmt: skip
    if plot.judged is not None:
        rail, gain, low, high = plot.judged
        axes.errorbar([rail], [gain], yerr=[[gain - low], [high - gain]], fmt="D", color=INK, markersize=4, capsize=5,
                      elinewidth=0.9, label=f"judged ± U: {_both(gain)}", zorder=6)  # fmt: skip
    bottom = min(_decibels(plot, plot.low), plot.set_gain if plot.set_gain is not None else math.inf)
    axes.set_ylim(bottom - 2, max(_decibels(plot, plot.high), plot.set_gain or -math.inf) + 2)
    if plot.set_gain is not None:
        _limit_line(axes, plot.set_gain, f"board is set to {_both(plot.set_gain)}")
    axes.set_xlabel("supply rail at the lowest of its ripple [V DC]")
    axes.set_ylabel("gain without clipping [dB]")
    axes.legend(loc="center left", bbox_to_anchor=(1.01, 0.5))


def _both(decibels: float) -> str:
    """A gain in dB and as a ratio: the findings speak of the ratio."""
    return f"{decibels:.1f} dB (× {10 ** (decibels / 20):.2f})"


def _decibels(plot: GainPlot, rail: float) -> float:
    return 20 * math.log10((plot.share * rail - plot.loss) / plot.source_peak)


def _compare(figure: Figure, plot: ComparePlot) -> None:
    figure.set_size_inches(6.7, 1.0 + 0.42 * len(plot.rows))
    axes = figure.add_subplot()
    for at, row in enumerate(plot.rows):
        axes.fill_betweenx(
            [at - 0.38, at + 0.38], -row.margin, row.margin, color=light("fig-band"), linewidth=0, zorder=0
        )
        sides = [[side] for side in _positive([row.difference - row.low, row.high - row.difference])]
        axes.errorbar([row.difference], [at], xerr=sides, fmt="o", color=light("fig-one"), capsize=4, markersize=6,
                      markerfacecolor=light("fig-face"))  # fmt: skip
        axes.annotate(row.outcome, (1, at), xycoords=("axes fraction", "data"), ha="right", va="center", weight="bold")
    axes.axvline(0, color=MUTED, linewidth=0.9)
    reach = 1.35 * max(max(abs(r.low), abs(r.high), r.margin, 0.5) for r in plot.rows)
    axes.set_xlim(-reach, reach)
    axes.set_yticks(range(len(plot.rows)), [_short(row.name, 34) for row in plot.rows])
    axes.set_ylim(len(plot.rows) - 0.5, -0.5)
    axes.grid(axis="y", visible=False)
    axes.set_xlabel("difference of levels [dB], with its interval")


_DRAWERS: dict[type, Callable[[Any, Any], None]] = {
    MatrixPlot: _matrix, TracePlot: _trace, LoadPlot: _loads, LoadLinePlot: _load_line, RailsPlot: _rails,
    GainPlot: _gain, ComparePlot: _compare,
}  # fmt: skip
