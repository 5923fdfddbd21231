"""A point's volts against time: where the line breaks, what is a dot, where the axis and the limits' lines go."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import pytest

from analysis.assess import assess
from analysis.report import grid, series
from analysis.report.figures import draw, reach
from analysis.report.plots import Span, TracePlot
from analysis.table import load_session
from tests.report_samples import live_chassis
from tests.sessions import SessionWriter, write_card

LIMITS = {"AC": 30.0, "DC": 60.0}


def chassis_plot(sitting: SessionWriter, root: Path) -> TracePlot:
    """The picture of the chassis in a sitting."""
    session = load_session(sitting.write(write_card(root / "set-5") / "20260302T142501Z-a"))
    plot = series.trace(session, "chassis", key="volts-1", limits=LIMITS)
    assert plot is not None
    return plot


def pieces(plot: TracePlot) -> list[list[float]]:
    """The values of each unbroken piece of the only line."""
    ((_, _, values),) = plot.traces
    found: list[list[float]] = [[]]
    for value in values:
        if math.isnan(value):
            found.append([])
        else:
            found[-1].append(value)
    return found


def test_the_line_breaks_at_every_change_of_tags(tmp_path: Path) -> None:
    """Switch, plug, resistor, and the probe taken to another point and back with the same tags."""
    sitting = SessionWriter()
    for volts, point, plug, switch, burden in (
        (1.0, "chassis", "1", "on", ""), (2.0, "chassis", "1", "off", ""), (163.0, "chassis", "2", "off", ""),
        (22.0, "chassis", "2", "off", "100 kohm"), (5.0, "aerial", "2", "off", "100 kohm"),
        (23.0, "chassis", "2", "off", "100 kohm"),
    ):  # fmt: skip
        sitting.read([volts] * 3, point=point, plug=plug, switch=switch, burden=burden)
    plot = chassis_plot(sitting, tmp_path)

    assert pieces(plot) == [[volts] * 3 for volts in (1.0, 2.0, 163.0, 22.0, 23.0)]
    assert [span.words for span in plot.spans] == ["plug\u00a01 on", "plug\u00a01 off", "plug\u00a02 off",
                                                   *["plug\u00a02 off 100\u00a0kΩ"] * 2]  # fmt: skip
    before, after = plot.spans[3:]
    assert before.end == pytest.approx(after.begin - 3 * sitting.interval)  # three readings at the aerial


def test_readings_of_another_meter_between_break_no_line(tmp_path: Path) -> None:
    sitting = SessionWriter()
    for number in range(10):
        sitting.read([100.0 + number], point="chassis", plug="1", switch="on")
        sitting.read([0.1], meter="i", quantity="current", point="secondary", load="idle")
    plot = chassis_plot(sitting, tmp_path)

    assert pieces(plot) == [[100.0 + number for number in range(10)]]
    assert len(plot.spans) == 1


def test_readings_before_a_value_settled_are_dots_and_on_no_line(tmp_path: Path) -> None:
    """The probe meets the metal at the third reading; the take rests on the last three."""
    sitting = SessionWriter()
    rows = sitting.read([0.2, 0.2, 163.0, 118.4, 118.4, 118.4], point="chassis", plug="2", switch="on")
    sitting.take(rows[3:], 118.4)
    plot = chassis_plot(sitting, tmp_path)
    drawing = draw(plot)

    assert [value for _, value in plot.earlier] == [0.2, 0.2, 163.0] and pieces(plot) == [[118.4] * 3]
    assert "from 0.2 V to 163 V" in plot.alt and "3 earlier readings in no value" in plot.alt
    assert "earlier reading, in no value" in drawing and "Small dots" in plot.caption
    assert reach(plot)[1] > 163.0


def test_without_a_take_no_reading_is_called_early(tmp_path: Path) -> None:
    sitting = SessionWriter()
    sitting.read([0.2, 60.0, 118.4], point="chassis", plug="2", switch="on")
    plot = chassis_plot(sitting, tmp_path)

    assert plot.earlier == () and "earlier" not in draw(plot) and pieces(plot) == [[0.2, 60.0, 118.4]]


def test_the_axis_begins_below_zero(tmp_path: Path) -> None:
    """A diamond of 0.85 V beside 122 V is seen whole: half of 4 pt is 2 % of axes that are 1.4 in high."""
    sitting = SessionWriter()
    for plug, volts in (("1", 0.85), ("2", 122.4)):
        sitting.take(sitting.read([volts] * 5, point="chassis", plug=plug, switch="on"), volts)
    bottom, top = reach(chassis_plot(sitting, tmp_path))

    assert bottom < 0 and -bottom / (top - bottom) > 0.02
    nothing = TracePlot(key="volts-1", title="", alt="", traces=(("v", (0.0, 1.0), (0.0, 0.0)),))
    assert reach(nothing)[0] < 0 < reach(nothing)[1]
    below = dataclasses.replace(nothing, traces=(("v", (0.0, 1.0), (-80.0, 0.0)),))
    assert reach(below)[0] < -80


def test_a_line_of_one_reading_is_a_dot(tmp_path: Path) -> None:
    sitting = SessionWriter()
    sitting.read([1.0, 2.0, 1.5], point="chassis", plug="1", switch="on")
    sitting.read([163.0], point="chassis", plug="2", switch="on")
    alone = chassis_plot(sitting, tmp_path)
    only_lines = SessionWriter()
    only_lines.read([1.0, 2.0, 1.5, 163.0], point="chassis", plug="1", switch="on")

    assert draw(alone).count("<use") == draw(chassis_plot(only_lines, tmp_path / "b")).count("<use") + 1


def test_a_bands_name_is_no_broader_than_the_band() -> None:
    """Words stay whole; where one is too long for the band there is no name."""
    name = "plug\u00a02 off 100\u00a0kΩ"

    assert grid.within(name, 3.0) == (name,)
    assert grid.within(name, 0.5) == ("plug\u00a02", "off", "100\u00a0kΩ")
    assert grid.within(name, 0.3) == ()
    narrow = (Span(begin=0.0, end=99.0, words="plug\u00a01 on"), Span(begin=99.0, end=100.0, words=name))
    drawing = draw(TracePlot(key="volts-1", title="", alt="", traces=(("v", (0.0, 100.0), (1.0, 1.0)),), spans=narrow))
    assert "plug\u00a01 on" in drawing and "kΩ" not in drawing


def test_the_limit_is_drawn_where_it_holds_only(tmp_path: Path) -> None:
    """Ten readings by the meter alone, ten with 10 kohm across it, ten alone again: 0.1 s apart."""
    sitting = SessionWriter()
    for burden in ("", "10 kohm", ""):
        sitting.read([20.0] * 10, point="chassis", plug="1", switch="on", burden=burden)
    session = load_session(sitting.write(write_card(tmp_path / "set-5") / "20260302T142501Z-a"))
    plot = series.trace(session, "chassis", key="volts-1", limits={"AC": 30.0, "DC": 60.0})
    times = session.readings.frame["elapsed_s"].to_list()

    assert plot is not None and [value for _, value in plot.limits] == [30.0]
    assert plot.compared == ((times[0], times[10]), (times[20], times[29]))
    assert "not compared" in plot.caption and plot.axis.replace("\n", " ") == "volts AC against mains earth [V RMS]"
    assert draw(plot).count("limit 30 V AC") == 1


def test_without_a_reading_by_the_meter_alone_no_limit_is_drawn(tmp_path: Path) -> None:
    sitting = SessionWriter()
    sitting.read([20.0] * 10, point="chassis", plug="1", switch="on", burden="10 kohm")
    session = load_session(sitting.write(write_card(tmp_path / "set-5") / "20260302T142501Z-a"))
    plot = series.trace(session, "chassis", key="volts-1", limits={"AC": 30.0, "DC": 60.0})

    assert plot is not None and plot.limits == ()


def test_the_judged_values_are_drawn_with_their_uncertainty(tmp_path: Path) -> None:
    radio = live_chassis(tmp_path)
    session = radio.sessions[-1]
    finding = assess(radio).of("touch-voltage:chassis")
    assert finding is not None
    plot = series.trace(session, "chassis", key="volts-1", limits={"AC": 30.0, "DC": 60.0}, states=finding.states)

    assert plot is not None
    read = [found for found in finding.states if found.value is not None]
    assert [(mark.value, mark.expanded) for mark in plot.judged] == [(f.value, f.expanded_uncertainty) for f in read]
    times = session.readings.frame["elapsed_s"]
    assert [mark.elapsed for mark in plot.judged] == [float(times.iloc[found.rows[-1]]) for found in read]
    assert "judged value ± U" in draw(plot)
