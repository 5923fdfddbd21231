"""What each picture of the report shows, as plain frozen data: no drawing here, and none of the readings behind it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One plug x switch state of a point, as the matrix shows it."""

    value: str  #: value ± U, or why there is none
    word: str  #: above, below, too close, over range, not measured
    burdens: tuple[str, ...] = ()  #: readings with a burden across the meter


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """What all pictures have."""

    key: str  #: unique in a report; prefixes the picture's ids
    title: str
    alt: str  #: what a person who does not see the picture needs to know
    caption: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class MatrixPlot(Plot):
    """Plug x switch x point."""

    columns: tuple[tuple[str, str], ...]  #: plug, switch
    rows: tuple[tuple[str, str, str, tuple[Cell, ...]], ...]  #: point, level in words, remark, cells


@dataclass(frozen=True, slots=True, kw_only=True)
class Take:
    """A settled value taken."""

    elapsed: float  #: [s]
    value: float  #: [V]
    expanded: float | None  #: U [V]


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A stretch of time with one state's tags."""

    begin: float  #: [s]
    end: float  #: [s]
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TracePlot(Plot):
    """A point's volts against time; NaN breaks a line."""

    traces: tuple[tuple[str, tuple[float, ...], tuple[float, ...]], ...]  #: name, times [s], values [V]
    #: Readings of a state before those that its value rests on: time [s], value [V].
    earlier: tuple[tuple[float, float], ...] = ()
    over_range: tuple[float, ...] = ()  #: times of overload [s]
    takes: tuple[Take, ...] = ()
    spans: tuple[Span, ...] = ()
    limits: tuple[tuple[str, float], ...] = ()  #: words, [V]
    #: Where the limits hold, from .. to [s]: not with a burden across the meter. None named: everywhere.
    compared: tuple[tuple[float, float], ...] = ()
    judged: tuple[Take, ...] = ()  #: what the findings rest on
    axis: str = "volts against mains earth [V]"


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadBar:
    """Current in one load."""

    load: str
    mean: float  #: [A]
    low: float
    high: float
    expanded: float | None  #: U of one reading [A]
    count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadPlot(Plot):
    """Current by load."""

    bars: tuple[LoadBar, ...]
    design: float | None = None  #: [A]


Measured = tuple[float, float | None]  #: mean, U of one reading


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadLinePlot(Plot):
    """The auxiliary transformer's secondary: volts against current."""

    open_volts: float
    resistance: float  #: fall of volts with the current shown [Ω]
    working: tuple[float, float]  #: [A], [V]
    measured: tuple[tuple[str, Measured, Measured], ...] = ()  #: load, amperes, volts


@dataclass(frozen=True, slots=True, kw_only=True)
class Rail:
    """One rail at the mains values of its plot."""

    name: str
    mean: tuple[float, ...]  #: [V]
    low: tuple[float, ...]  #: lowest of the ripple
    high: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RailsPlot(Plot):
    """Rails against mains."""

    mains: tuple[float, ...]  #: [V]
    loads: tuple[str, ...]
    rails: tuple[Rail, ...]
    supply_min: float | None = None
    supply_max: float | None = None
    judged: tuple[float, float, float] | None = None  #: at mains [V], rail [V], U [V]


@dataclass(frozen=True, slots=True, kw_only=True)
class GainPlot(Plot):
    """The gain that still does not clip, against the rail."""

    loss: float  #: op-amp output against its rail [V]
    share: float  #: of the rail, that the output can move from its rest: 1 with two rails, a half with one
    source_peak: float  #: [V]
    low: float  #: rail from .. to [V]
    high: float
    marks: tuple[tuple[str, float], ...] = ()  #: words, rail at its lowest [V]
    set_gain: float | None = None  #: [dB]
    judged: tuple[float, float, float, float] | None = None  #: rail [V]; gain, from, to [dB]


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One comparison's result."""

    name: str
    difference: float  #: [dB]
    low: float
    high: float
    margin: float
    outcome: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparePlot(Plot):
    """Differences with their intervals."""

    rows: tuple[Difference, ...]
