"""Reports of radios that are odd: hostile words, no readings, overloads only, many points, many sittings, many rows."""

from __future__ import annotations

import csv
import html
import io
import json
import math
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.assessment import Assessment
from analysis.card import RadioCard
from analysis.finding import Evidence, Finding, Level, Outcome
from analysis.report import series
from analysis.report.content import Content, build_content
from analysis.report.figures import draw
from analysis.report.html import render_card_html, render_html
from analysis.report.pdf import render_card_pdf, render_pdf
from analysis.report.plots import MatrixPlot, TracePlot
from analysis.report.text import moment, plain, runs
from analysis.table import Radio, load_radio, load_session
from tests.report_samples import CARD, chassis_states, live_assessment, live_chassis, state
from tests.sessions import METER, SessionWriter, write_card
from tests.test_report import Page, printed, squeezed

NOTHING = Assessment(
    radio="set-5", stage="", sessions=(), fully_measured=False, missing=("every state of chassis",), findings=()
)
HOSTILE = {
    "script": "<script>alert(1)</script>",
    "attribute": '" onload="alert(1)',
    "formula": "=1+1",
    "path": "../../x",
    "template": "{{ 7*7 }} {% raw %}",
    "markup": "#panic() $x^2$ *bold* @ref <label> // gone",
    "drawing": r"$\frac{1}{0}$ $",
    "turned round": "abc \u202egnp.exe",
    "arabic": "\u200fراديو قديم\u200f set",
    "emoji": "set 😀 5",
    "letters that the report's faces lack": "収音機 5 号 𓀀",
    "controls": "nul \x00 bell \x07 esc \x1b[31m c1 \x9b end",
    "lone surrogate": "half \ud83d end",
    "entity": "&lt;b&gt; &amp;",
}


def render_all(content: Content) -> tuple[str, str]:
    """Every output once; the page's and the print's text."""
    render_card_html(content)
    render_card_pdf(content)
    return Page(render_html(content)).text, printed(render_pdf(content))


def hostile_radio(root: Path, text: str) -> tuple[Radio, Assessment]:
    """A radio with the same hostile text in every place that a user or a wire can fill."""
    sitting = SessionWriter()
    sitting.read([118.0, 118.1, 118.0], u=0.7, point="chassis", plug="1", switch="on")
    meter = {**METER, "identity": text, "role": "v", "category": text, "calibrated": text}
    folder = write_card(root / "set-5", CARD)
    sitting.write(folder / "20260302T142501Z-a", meters=[METER])
    (folder / "20260302T142501Z-a" / "datapackage.json").write_text(
        json.dumps({"radio": "set-5", "stage": text, "start": "2026-03-02T14:25:01Z", "close": text, "meters": [meter],
                    "program_version": text, "statements": {"fed_from": text, text: text},
                    "resources": [{"path": text, "hash": text, "rows": text, "bytes": 3}]}),
        encoding="utf-8",
    )  # fmt: skip
    radio = load_radio(folder)
    card = msgspec.structs.replace(
        radio.card, name=text, notes=text, points=("chassis", text),
        transformer=msgspec.structs.replace(radio.card.transformer, fuse=text),
    )  # fmt: skip
    finding = Finding(
        id=f"touch-voltage:{text}", level=Level.DANGER, title=text, statement=text, limit_source=text, missing=(text,),
        advice=text, states=chassis_states(), evidence=(Evidence(session=text, rows=(1, 2, 3)),),
    )  # fmt: skip
    assessment = Assessment(
        radio="set-5", stage=text, sessions=("20260302T142501Z-a",), fully_measured=False, missing=(text,),
        findings=(finding,),
    )  # fmt: skip
    return Radio(card=card, sessions=radio.sessions), assessment


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_words_are_shown_as_text_in_page_and_print(tmp_path: Path, name: str) -> None:
    text = HOSTILE[name]
    content = build_content(*hostile_radio(tmp_path, text))
    page = render_html(content)
    parsed = Page(page)
    wanted = squeezed(plain(text))

    assert wanted.count("�") == sum(not letter.isprintable() and letter not in "\u200f" for letter in text)
    assert parsed.text.count(wanted) > 8
    assert not list(parsed.all("script", "b", "label"))
    assert all(not key.startswith("on") for _, attributes in parsed.tags for key in attributes)
    assert not any(letter in page for letter in "\x00\x07\x1b\x9b\u202e\ud83d")
    if name not in (
        "arabic",
        "emoji",
        "letters that the report's faces lack",
    ):  # readers give these back in another order, or by glyph names
        assert printed(render_pdf(content)).count(wanted) > 8
        assert wanted in printed(render_card_pdf(content))
    assert f"<bdi>{html.escape(plain(text)).replace('&quot;', '&#34;').replace('&#x27;', '&#39;')}</bdi>" in page


def test_ten_thousand_characters_are_cut_with_a_note_and_break(tmp_path: Path) -> None:
    page, paper = render_all(build_content(*hostile_radio(tmp_path, "Ω" * 10_000)))

    for text in (page, paper):
        assert squeezed("… [cut: 10,000 characters]") in text
        assert "Ω" * 120 in text and "Ω" * 2001 not in text


@settings(deadline=None, max_examples=150)
@given(st.text(max_size=400))
def test_any_text_becomes_text_without_controls(text: str) -> None:
    found = plain(text, 50)

    assert len(found) < 90 and all(letter.isprintable() or not letter.isascii() for letter in found)
    found.encode("utf-8")
    assert plain("Set 5") == "Set 5"


def test_a_radio_without_readings_is_to_be_counted_as_live(tmp_path: Path) -> None:
    radio = load_radio(write_card(tmp_path / "set-5"))
    content = build_content(radio, NOTHING)
    page, paper = render_all(content)

    assert content.level is Level.UNDECIDED and content.card.signal == "WARNING"
    for text in (page, paper):
        assert squeezed("There is no sitting yet.") in text
        assert squeezed("Not measured: count both ways as live.") in text
        assert squeezed("every state of chassis") in text
    assert content.plots == () and [p.title for p in content.matrix_plots]


def test_a_card_without_points_still_makes_a_report(tmp_path: Path) -> None:
    radio = load_radio(write_card(tmp_path / "set-5", 'schema = 1\nid = "set-5"\npoints = []\n'))
    page, paper = render_all(build_content(radio, NOTHING))

    for text in (page, paper):
        assert squeezed("No point to touch is listed for this radio: count all metal as live.") in text


def test_overloads_only_are_drawn_and_named(tmp_path: Path) -> None:
    """Every reading was above the meter's range: there is no line to draw, and no number to show."""
    sitting = SessionWriter()
    sitting.read([None] * 20, point="chassis", plug="2", switch="on")
    folder = write_card(tmp_path / "set-5")
    sitting.write(folder / "20260302T142501Z-a")
    finding = Finding(id="touch-voltage:chassis", level=Level.DANGER, title="Over range", statement="Over range.",
                      states=(state("2", "on", None, overload=True, outcome=Outcome.ABOVE),))  # fmt: skip
    assessment = Assessment(radio="set-5", stage="before-fit", sessions=("20260302T142501Z-a",), fully_measured=False,
                            missing=(), findings=(finding,))  # fmt: skip
    content = build_content(load_radio(folder), assessment)
    page, _ = render_all(content)

    (plot,) = content.plots
    assert isinstance(plot, TracePlot) and plot.traces == () and len(plot.over_range) == 20
    assert "20 readings over range" in plot.alt
    assert squeezed("Only way 2 was measured (chassis: highest reading over range). Way 1 is unknown") in page


def test_one_state_only_says_that_the_other_way_is_unknown(tmp_path: Path) -> None:
    finding = Finding(id="touch-voltage:chassis", level=Level.UNDECIDED, title="Chassis", statement="One state.",
                      states=(state("1", "on", 0.8, expanded=0.3),))  # fmt: skip
    assessment = Assessment(radio="set-5", stage="after-fit", sessions=(), fully_measured=False, missing=(),
                            findings=(finding,))  # fmt: skip
    page, paper = render_all(build_content(live_chassis(tmp_path), assessment))

    for text in (page, paper):
        assert squeezed("Only way 1 was measured (chassis: highest reading 0.80 ± 0.30 V AC). Way 2 is unknown") in text


def test_fifty_points_take_several_pictures_and_one_table(tmp_path: Path) -> None:
    points = [f"point-{number:02d}" for number in range(50)]
    listed = ", ".join(f'"{point}"' for point in points)
    radio = load_radio(write_card(tmp_path / "set-5", f'schema = 1\nid = "set-5"\npoints = [{listed}]\n'))
    findings = tuple(
        Finding(id=f"touch-voltage:{point}", level=Level.DANGER, title=point, statement=point, states=chassis_states())
        for point in points
    )
    content = build_content(
        radio,
        Assessment(radio="set-5", stage="", sessions=(), fully_measured=False, missing=(), findings=findings),
    )
    page, paper = render_all(content)

    assert [len(p.rows) for p in content.matrix_plots if isinstance(p, MatrixPlot)] == [14, 14, 14, 8]
    assert all(point in page and point in paper for point in points)


def test_thirty_sittings_are_all_listed_and_few_are_drawn(tmp_path: Path) -> None:
    folder = write_card(tmp_path / "set-5")
    names = []
    for day in range(30):
        sitting = SessionWriter(start=datetime(2026, 3, 1, 9, tzinfo=UTC) + timedelta(days=day))
        sitting.read([0.8] * 4, point="chassis", plug="1", switch="on")
        names.append(f"202603{day + 1:02d}T090000Z-s")
        sitting.write(folder / names[-1])
    assessment = Assessment(radio="set-5", stage="before-fit", sessions=tuple(names), fully_measured=False, missing=(),
                            findings=())  # fmt: skip
    content = build_content(load_radio(folder), assessment)
    page, paper = render_all(content)

    assert all(name in page and name in paper for name in names)
    assert len(content.plots) == 4 and "20260330T090000Z-s" in content.plots[0].caption
    assert len(content.meters) == 1 and len(content.meters[0].sessions) == 30


def test_an_interrupted_sitting_is_said_to_be_one(tmp_path: Path) -> None:
    sitting = SessionWriter()
    sitting.read([0.8] * 4, point="chassis", plug="1", switch="on")
    folder = write_card(tmp_path / "set-5")
    sitting.write(folder / "20260302T142501Z-a", closed=False)
    page, paper = render_all(build_content(load_radio(folder), NOTHING))

    for text in (page, paper):
        assert squeezed("NOT CLOSED: an interrupted sitting") in text
        assert squeezed("not recorded: the session was not closed") in text


@settings(deadline=None, max_examples=100)
@given(
    st.lists(st.floats(-400, 400), min_size=1, max_size=400),
    st.integers(1, 20),
    st.lists(st.booleans(), min_size=400, max_size=400),
)
def test_thinning_keeps_every_bins_extremes(values: list[float], bins: int, breaks: list[bool]) -> None:
    """Nothing that rose above a limit, for however short a time, is lost from a picture."""
    times, level = np.arange(len(values), dtype=float), np.array(values)
    stretch = np.cumsum(np.array(breaks[: len(values)]) & (np.arange(len(values)) % 7 == 0)).astype(np.int64)
    thinned, kept = series.thin(times, level, stretch, bins)
    number = np.isfinite(kept)

    assert kept[number].max() == level.max() and kept[number].min() == level.min()
    assert set(zip(thinned[number], kept[number], strict=True)) <= set(zip(times, level, strict=True))
    assert np.all(np.diff(thinned) >= 0) and number.sum() <= 2 * (bins + len(np.unique(stretch)))
    for column in range(bins):
        inside = np.minimum((times / (times[-1] or 1) * bins).astype(int), bins - 1) == column
        if inside.any():
            drawn = kept[number & np.isin(thinned, times[inside])]
            assert drawn.max() == level[inside].max() and drawn.min() == level[inside].min()


def test_a_spike_of_one_reading_in_a_long_sitting_is_drawn(tmp_path: Path) -> None:
    """200,000 readings at 1 V and one at 230 V: the picture is small, and the spike is in it."""
    sitting = SessionWriter()
    sitting.read([1.0], point="chassis", plug="1", switch="on")
    folder = sitting.write(write_card(tmp_path / "set-5") / "20260302T142501Z-a")
    header, row = (folder / "readings.csv").read_text("utf-8").splitlines()
    cells = next(csv.reader(io.StringIO(row)))
    at = {name: place for place, name in enumerate(header.split(","))}
    rows = []
    for number in range(200_000):
        cells[at["elapsed_s"]], cells[at["value"]] = f"{number / 10:.6f}", "230.0" if number == 123_456 else "1.0"
        rows.append(",".join(cells))
    (folder / "readings.csv").write_text("\n".join([header, *rows, ""]), encoding="utf-8")
    plot = series.trace(load_session(folder), "chassis", key="volts-1", limits={"AC": 30.0, "DC": 60.0})

    assert plot is not None
    ((_, times, values),) = plot.traces
    assert len(values) <= 2 * series.BINS and max(values) == 230.0
    assert times[values.index(230.0)] == pytest.approx(12345.6)
    assert len(draw(plot)) < 60_000


def test_numbers_of_no_bench_at_all_do_not_stop_the_report(tmp_path: Path) -> None:
    """A typed 1e308, a torn time, a negative reading: the picture shows the rest, the files keep them."""
    sitting = SessionWriter()
    sitting.read([1e308, -1e308, 1.0, -2.0], point="chassis", plug="1", switch="on", u=1e307)
    sitting.read([1e300, 0.02], quantity="current", point="secondary", load="idle", u=math.inf)
    sitting.rows[2]["elapsed_s"] = ""
    sitting.take(range(2), 1e308)
    folder = write_card(tmp_path / "set-5")
    sitting.write(folder / "20260302T142501Z-a")
    content = build_content(load_radio(folder), NOTHING)
    page, paper = render_all(content)

    plot = content.plots[0]
    assert isinstance(plot, TracePlot) and plot.traces[0][2] == (-2.0,) and plot.takes == ()
    assert squeezed("Readings: 6 ok") in page and squeezed("Readings: 6 ok") in paper


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="this system cannot change a process's time zone")
@pytest.mark.parametrize("zone", ["UTC", "America/Anchorage", "Asia/Tokyo"])
def test_where_the_report_is_made_changes_no_date(monkeypatch: pytest.MonkeyPatch, zone: str) -> None:
    """A calibration date has no zone: it stays the same day everywhere."""
    monkeypatch.setenv("TZ", zone)
    time.tzset()
    try:
        assert moment("2026-01-10", clock=False) == "10 January 2026"
        assert moment("2026-03-02T23:30:00-05:00") == "3 March 2026, 04:30 UTC"
    finally:
        monkeypatch.undo()
        time.tzset()


def test_direct_volts_meet_their_own_limit_line(tmp_path: Path) -> None:
    """IEC 62368-1, Table 4: 60 V DC beside 30 V AC; a chassis at −80 V DC lies beyond it as much as one at +80 V."""
    sitting = SessionWriter()
    sitting.read([1.0, 1.0], point="chassis", plug="1", switch="on")
    sitting.read([-80.0, -80.0], coupling="dc", point="chassis", plug="1", switch="on")
    session = load_session(sitting.write(write_card(tmp_path / "set-5") / "20260302T142501Z-a"))
    plot = series.trace(session, "chassis", key="volts-1", limits={"AC": 30.0, "DC": 60.0})

    assert plot is not None and [value for _, value in plot.limits] == [30.0, 60.0, -60.0]
    assert len(plot.traces) == 2 and "limit −60 V DC" in draw(plot)


@settings(deadline=None, max_examples=60)
@given(text=st.text(max_size=60))
def test_any_name_makes_a_card_and_a_page(text: str) -> None:
    card = RadioCard(schema=1, id="set-5", name=text, points=("chassis",), notes=text)
    content = build_content(Radio(card=card), NOTHING)
    page = Page(render_html(content))

    assert squeezed(plain(text) or "set-5") in page.text
    assert render_card_pdf(content).startswith(b"%PDF")


def test_rows_are_named_in_runs() -> None:
    assert runs([12, 13, 14, 9, 20]) == "9, 12–14, 20"
    assert runs(range(0, 60, 2)).endswith("and 18 more stretches")


def test_a_result_without_the_figures_it_needs_draws_no_picture(tmp_path: Path) -> None:
    """A computation that could not be done has nulls; half a picture would be a guess."""
    empty = {"design_current_A": None, "off_load_V": None, "at_mains": [{"mains_V": 120.0, "rails": []}]}
    held = {"difference_dB": None, "interval_dB": None, "outcome": "undecided"}
    content = build_content(live_chassis(tmp_path), live_assessment(), supply=empty, comparisons=[held])

    assert {plot.key for plot in content.plots} == {"volts-1", "volts-2", "current"}
    assert not math.isnan(content.plots[0].traces[0][2][0]) if isinstance(content.plots[0], TracePlot) else False
