"""How the report looks, as far as that can be measured: tables on a phone, type in print, what a picture shows."""

from __future__ import annotations

import dataclasses
import hashlib
import html
import io
import json
import math
import re
from pathlib import Path

import pytest

from analysis.assess import assess
from analysis.assessment import Assessment
from analysis.finding import Finding, Level, Outcome, StateOutcome
from analysis.report import drawn, grid, matrix, outcomes
from analysis.report.content import Content, build_content
from analysis.report.figures import draw
from analysis.report.html import render_html
from analysis.report.pdf import render_pdf
from analysis.report.plots import Cell, GainPlot, RailsPlot
from analysis.table import load_radio
from tests.report_samples import CARD, SUPPLY, chassis_states, live_assessment, live_chassis, live_content, state
from tests.sessions import SessionWriter, write_card
from tests.test_report import Page, printed, squeezed

LONG = "speaker-frame-of-the-second-loudspeaker-behind-the-grille"


@pytest.fixture(scope="module")
def content(tmp_path_factory: pytest.TempPathFactory) -> Content:
    return live_content(tmp_path_factory.mktemp("bench"))


def judged(found: list[StateOutcome], *, level: Level = Level.WITHIN) -> Finding:
    return Finding(id="touch-voltage:chassis", level=level, title="Chassis", statement="As read.", states=tuple(found),
                   limit=30.0, unit="V")  # fmt: skip


def test_volts_across_a_known_resistor_meet_no_limit(content: Content) -> None:
    """24 V across 100 kohm tell of 240 uA; 'below the limit' of 30 V would say nothing of the open volts."""
    (loaded,) = [row for row in content.findings[0].states.rows if "across the meter" in row.state]

    assert loaded.outcome == "not compared" and loaded.compared == "–" and loaded.value == "24.0 ± 1.4 V AC"
    assert "not compared" in render_html(content) and "notcompared" in printed(render_pdf(content))


def test_an_overload_across_a_known_resistor_is_still_told() -> None:
    """Beyond the range with 10 kohm across the meter is the worst of all, never 'not compared'."""
    assert matrix.outcome_words(state("1", "on", None, burden=1e4, overload=True)) == "over range"


def test_what_meets_the_limit_is_reading_guard_and_uncertainty_of_both() -> None:
    """Closed form: 28.9 V, raised by 0.29 V (1 %), with U = 0.6 V raised alike: 29.5 · 1.01 = 29.8 V (GUM 5.1.6)."""
    found = StateOutcome(plug="1", switch="on", coupling="ac", burden=None, value=-28.9, expanded_uncertainty=0.6,
                         loading_guard=0.289, outcome=Outcome.BELOW)  # fmt: skip

    assert found.compared == pytest.approx(29.795)
    assert dataclasses.replace(found, value=0.0, loading_guard=0.0).compared == 0.6
    assert dataclasses.replace(found, value=None).compared is None
    assert dataclasses.replace(found, burden=1e4).compared is None


def test_the_guarded_value_and_not_the_bare_one_decides(tmp_path: Path) -> None:
    """29.8 +- 0.1 V by a meter of 10 Mohm with 100 pF: below 30 V, but not with what its own loading can hide."""
    folder = write_card(tmp_path / "set-5", CARD)
    sitting = SessionWriter()
    sitting.read([29.8] * 12, u=0.05, point="chassis", plug="1", switch="on")
    sitting.write(folder / "20260302T142501Z-a")
    finding = assess(load_radio(folder)).of("touch-voltage:chassis")

    assert finding is not None and finding.level is Level.CAUTION
    (row,) = [row for row in outcomes.state_table(finding).rows if row.value.startswith("29.8")]
    assert row.outcome == "below the limit" and float(row.compared.removesuffix(" V")) > 30.0


def test_a_state_names_the_rows_that_it_was_read_from(tmp_path: Path) -> None:
    """The rows exist, bear the state's tags, and their mean is the value in the table."""
    radio = live_chassis(tmp_path)
    sessions = {session.name: session.readings for session in radio.sessions}
    seen = 0
    for finding in assess(radio).findings:
        table = outcomes.state_table(finding)
        for found in finding.states:
            if found.value is None:
                continue
            rows = sessions[found.session].frame.iloc[list(found.rows)]
            assert set(rows["point"]) == {finding.id.partition(":")[2]}
            assert set(rows["plug"]) == {found.plug} and set(rows["switch"]) == {found.switch}
            assert rows["value"].abs().mean() == pytest.approx(abs(found.value), abs=found.expanded_uncertainty)
            seen += 1
        assert all(row.rows != "–" for row in table.rows if row.value != "not measured")
        named = {found.session for found in finding.states if found.rows}
        assert not any(line.startswith(f"{session}: rows") for session in named for line in outcomes.unlisted(finding))
    assert seen >= 5


def test_the_worst_state_comes_first_and_what_was_not_read_last() -> None:
    found = [state("1", "on", 0.8), state("1", "off", None, outcome=Outcome.MISSING), state("2", "on", 118.4),
             state("2", "on", 24.0, burden=1e5), state("2", "off", None, overload=True)]  # fmt: skip
    rows = [row.state for row in outcomes.state_table(judged(found)).rows]

    assert rows == ["plug 2, switch off", "plug 2, switch on", "plug 2, switch on, 100 kΩ across the meter",
                    "plug 1, switch on", "plug 1, switch off"]  # fmt: skip


def test_where_rows_are_kept_is_no_part_of_what_leaves_the_program() -> None:
    """The contract names nine keys of a state."""
    found = dataclasses.replace(state("1", "on", 0.8), session="a", rows=(1, 2), take=3)

    assert set(json.loads(json.dumps(found.to_json()))) == {
        "plug", "switch", "coupling", "burden_ohm", "value", "expanded_uncertainty", "loading_guard", "outcome",
        "overload",
    }  # fmt: skip
    assert found.to_json() == state("1", "on", 0.8).to_json()


def _with_current(kind: Level | None) -> Assessment:
    findings = [
        judged([state("2", "off", 166.2, outcome=Outcome.ABOVE)]),
        Finding(id="touch-current:chassis", level=Level.WITHIN, title="Current", statement="Small.", value=253e-6,
                expanded_uncertainty=6.7e-6, unit="A", limit=5e-4),
    ]  # fmt: skip
    if kind is not None:
        findings.append(Finding(id="chassis-kind", level=kind, title="Joined", statement="By a capacitor."))
    return Assessment(radio="set-5", stage="", sessions=(), fully_measured=True, missing=(), findings=tuple(findings))


@pytest.mark.parametrize("kind", [None, Level.WITHIN, Level.CAUTION, Level.DANGER])
def test_volts_above_the_limit_are_never_a_bare_within(tmp_path: Path, kind: Level | None) -> None:
    """166 V behind 253 + 6.7 uA: row and finding tell of both, in no colour of `within`, and what it counts as."""
    content = build_content(live_chassis(tmp_path), _with_current(kind))
    row = next(row for row in content.matrix if row.point == "chassis")

    item = next(finding for finding in content.findings if finding.id == "touch-voltage:chassis")
    worse = kind if kind in (Level.CAUTION, Level.DANGER) else None
    counts = f"counts as {worse.upper()} because the chassis is joined to the mains" if worse else ""
    above = "volts above their limit, current at most 260 µA of 500 µA"

    assert row.remark == "; ".join(filter(None, (above, counts)))
    assert item.remark == (f"chassis: {counts}." if counts else "")
    assert item.title.endswith(": ABOVE the voltage limit; within by current only (at most 260 µA of 500 µA)")
    assert ("Through a body, at most", "260 µA") in item.further and ("Limit of the current", "500 µA") in item.further
    assert row.level is item.level is Level.WITHIN
    assert (row.badge, row.tone) == (item.badge, item.tone) == ("WITHIN BY CURRENT ONLY", Level.CAUTION)
    assert squeezed(row.remark) in Page(render_html(content)).text
    assert squeezed(row.remark) in printed(render_pdf(content))
    assert row.remark in content.matrix_plots[0].alt


def test_every_cell_says_its_column_where_tables_are_stacked(content: Content) -> None:
    """On a phone the heads go out of sight: each cell bears its own, and the roles keep it a table for a reader."""
    page = render_html(content)
    tables = re.findall(r"<table[^>]*>.*?</table>", page, re.S)

    assert len(tables) >= 6
    for table in tables:
        heads = [squeezed(re.sub(r"<[^>]+>", "", head)) for head in re.findall(r'scope="col">(.*?)</th>', table)]
        assert table.startswith('<table role="table">') and len(heads) > 1
        for row in re.findall(r"<tr[^>]*>(.*?)</tr>", table.partition("<tbody")[2], re.S):
            cells = re.findall(r"<td([^>]*)>", row)
            assert [squeezed(*re.findall(r'data-head="([^"]*)"', cell)) for cell in cells] == heads[1:]
            assert all('role="cell"' in cell for cell in cells) and row.count('role="rowheader"') == 1


def test_the_contents_lead_to_every_section_and_finding(content: Content) -> None:
    page = render_html(content)
    listed = re.findall(
        r'href="#([^"]+)"', page.partition('<nav aria-labelledby="contents">')[2].partition("</nav>")[0]
    )
    headed = re.findall(r'<h2 id="([^"]+)"', page)

    assert set(listed) == {*headed, *(finding.anchor for finding in content.findings)} - {"contents"}


def test_no_type_in_print_is_below_eight_points(content: Content) -> None:
    """Effective size: font size times both matrices' scale, in text and in the pictures."""
    from pypdf import PdfReader

    sizes: dict[float, str] = {}

    def look(text: str, cm: list[float], tm: list[float], _: object, size: float) -> None:
        if text.strip():
            scale = math.sqrt(abs((tm[0] * tm[3] - tm[1] * tm[2]) * (cm[0] * cm[3] - cm[1] * cm[2])))
            sizes.setdefault(round(size * scale, 2), text)

    for paper in ("a4", "letter"):
        for sheet in PdfReader(io.BytesIO(render_pdf(content, paper))).pages:
            sheet.extract_text(visitor_text=look)
    assert len(sizes) > 4
    assert min(sizes) >= 7.99, sizes[min(sizes)]


def test_a_long_name_wraps_and_is_not_cut() -> None:
    row = grid.lay((LONG, "DANGER", "", (Cell(value="118.4 ± 1.4 V AC", word="above the limit"),) * 8))

    assert "".join(row.name) == LONG and len(row.name) > 1 and all(line.endswith("-") for line in row.name[:-1])
    assert all(" ".join(value).replace("\u00a0", " ") == "118.4 ± 1.4 V AC" for _, value, _ in row.cells)
    assert not any(line in ("V", "AC") for _, value, _ in row.cells for line in value)
    assert row.height >= (len(row.name) + 1) * grid.LINE


def _with(finding: Finding) -> Assessment:
    return dataclasses.replace(live_assessment(), findings=(finding,))


def test_the_rail_that_was_judged_is_drawn_at_its_mains(tmp_path: Path) -> None:
    """A maximum is judged at the highest mains of the computation, the board's minimum at the lowest."""
    radio = live_chassis(tmp_path)
    for limit, mains in ((18.0, 132.0), (5.5, 108.0)):
        rail = Finding(id="rail-window", level=Level.WITHIN, title="Rails", statement="Within.", value=16.3,
                       expanded_uncertainty=0.31, unit="V", limit=limit, limit_source="on the card")  # fmt: skip
        found = drawn.plots(radio, radio.sessions, _with(rail), SUPPLY, [])
        (plot,) = [plot for plot in found if isinstance(plot, RailsPlot)]
        assert plot.judged == (mains, 16.3, 0.31)
        assert f"16.30 ± 0.31 V at {mains:g} V mains" in plot.caption and "value judged ± U" in draw(plot)


def test_rails_that_are_alike_are_drawn_once_and_said_to_be(tmp_path: Path) -> None:
    radio = live_chassis(tmp_path)
    supply = {**SUPPLY, "at_mains": [
        {**row, "rails": [{**row["rails"][0], "name": name} for name in ("positive", "negative")]}
        for row in SUPPLY["at_mains"]
    ]}  # fmt: skip
    (plot,) = [p for p in drawn.plots(radio, radio.sessions, live_assessment(), supply, []) if isinstance(p, RailsPlot)]

    assert [rail.name for rail in plot.rails] == ["positive and negative rails, alike"]
    (apart,) = [p for p in drawn.plots(radio, radio.sessions, live_assessment(), SUPPLY, [])
                if isinstance(p, RailsPlot)]  # fmt: skip
    assert [rail.name for rail in apart.rails] == ["positive rail", "negative rail"]


def test_headroom_is_told_as_a_ratio_and_in_decibels(tmp_path: Path) -> None:
    """20 · lg 6.29 = 15.97 dB, 20 · lg 5.01 = 14.0 dB; the judged point lies on the curve of the card's figures."""
    found = Finding(id="headroom", level=Level.WITHIN, title="Headroom", statement="It does not clip.", value=6.29,
                    expanded_uncertainty=0.23, unit="1", limit=5.01)  # fmt: skip
    radio = live_chassis(tmp_path)
    content = build_content(radio, _with(found), supply=SUPPLY)
    (item,) = content.findings
    (plot,) = [plot for plot in content.plots if isinstance(plot, GainPlot)]

    assert (item.value_label, item.value) == ("Clips above, gain ± U", "6.29 ± 0.23 (16.0 dB)")
    assert (item.limit_label, item.limit) == ("Set to", "5.01 (14.0 dB)")
    assert plot.judged is not None
    rail, gain, low, high = plot.judged
    assert 20 * math.log10((plot.share * rail - plot.loss) / plot.source_peak) == pytest.approx(gain)
    assert 10 ** (gain / 20) == pytest.approx(6.29) and 10 ** (low / 20) == pytest.approx(6.06)
    assert 10 ** (high / 20) == pytest.approx(6.52)
    assert "judged ± U: 16.0 dB (× 6.29)" in draw(plot) and "set to 14.0 dB (× 5.01)" in draw(plot)


def test_a_raised_limit_says_so_beside_it() -> None:
    assert outcomes.labels(judged(list(chassis_states())))[1] == "Voltage limit"
    raised = dataclasses.replace(judged(list(chassis_states())), limit_changed_by_user=True)
    assert outcomes.labels(raised)[1] == "Voltage limit, changed on the card"


def test_a_point_that_was_not_read_at_all_gets_no_table_of_dashes(tmp_path: Path) -> None:
    nothing = [state(plug, "on", None, outcome=Outcome.MISSING) for plug in "12"]
    finding = dataclasses.replace(judged(nothing, level=Level.UNDECIDED), missing=("plug 1, switch on",))

    assert outcomes.state_table(finding).rows == ()
    page = render_html(build_content(live_chassis(tmp_path), _with(finding)))
    assert "States judged" not in page and "plug 1, switch on" in page


def test_what_is_copied_from_print_is_what_was_set(tmp_path: Path) -> None:
    """Each file's SHA-256, by hashlib, and a name of sixty letters: no letter but theirs, once lines are joined."""
    from pypdf import PdfReader

    long = "behind-the-grille-" * 3 + "by-the-mains-switch"
    folder = write_card(tmp_path / "set-5", CARD.replace('name = "Set 5"', f'name = "{long}"'))
    sitting = SessionWriter()
    sitting.take(sitting.read([118.4] * 5, point="chassis", plug="2", switch="on"), 118.4)
    files = sitting.write(folder / "20260302T142501Z-a")
    radio = load_radio(folder)
    content = build_content(radio, assess(radio))

    for paper in ("a4", "letter"):
        read = [page.extract_text() for page in PdfReader(io.BytesIO(render_pdf(content, paper))).pages]
        text = "".join(read).replace("\n", "")
        assert "\u200b" not in text and "\u00ad" not in text
        assert long in text
        for name in ("readings.csv", "events.csv"):
            assert hashlib.sha256((files / name).read_bytes()).hexdigest() in text


def test_a_heading_in_print_has_three_entries_below_it(tmp_path: Path) -> None:
    """However much stands before: what is missing grows line by line until its heading has crossed onto a new sheet."""
    from pypdf import PdfReader

    base = live_content(tmp_path)
    for before in range(0, 40, 3):
        content = dataclasses.replace(
            base, notes="\n".join(["A line."] * before), findings=(), plots=(), meters=(), comparison=None,
            missing=tuple(f"missing entry {at:02d}" for at in range(20)),
        )  # fmt: skip
        for sheet in PdfReader(io.BytesIO(render_pdf(content))).pages:
            text = sheet.extract_text()
            if "What was not measured" in text and "missing entry" in text:
                assert all(f"missing entry {at:02d}" in text for at in range(3))
                break
        else:
            pytest.fail("the heading stands on a sheet without its list")


def test_the_summary_of_each_picture_stands_above_it_on_a_phone(content: Content) -> None:
    page = render_html(content)
    pictures = page.partition('<section aria-labelledby="pictures">')[2].partition("</section>")[0]
    summaries = re.findall(r'brief" aria-hidden="true"><bdi>(.*?)</bdi></p>\s*<div class="scroll', pictures)

    assert [squeezed(html.unescape(text)) for text in summaries] == [squeezed(plot.alt) for plot in content.plots]
    assert "min-width:42rem" not in page and "sideways" not in page


def test_a_figure_keeps_its_unit_in_tables(content: Content) -> None:
    page = render_html(content)
    cells = re.findall(r'<td role="cell" class="number[^>]*data-head="Reading ± U">(.*?)</td>', page)

    assert "118.4\u00a0±\u00a01.4\u00a0V\u00a0AC" in cells
    assert not any(re.search(r"\d ", cell) for cell in cells)
    assert re.search(r'<span class="read">118.4\u00a0±\u00a01.4\u00a0V\u00a0AC</span>', page)
