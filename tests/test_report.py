"""The report as an owner and an engineer would check it: what it says, and that page and print agree."""

from __future__ import annotations

import dataclasses
import io
import re
import subprocess
import sys
from collections.abc import Iterator
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import pytest

from analysis.assess import assess
from analysis.assessment import Assessment
from analysis.finding import Finding, Level
from analysis.report.advice import sentences
from analysis.report.content import Content, build_content
from analysis.report.html import render_card_html, render_html
from analysis.report.palette import FIGURE, PAGE, SIGNAL, contrast
from analysis.report.pdf import render_card_pdf, render_pdf
from tests.report_samples import chassis_states, live_assessment, live_chassis, live_content

#: Elements without an end tag. Source: HTML living standard, 13.1.2, void elements.
VOID = {"meta", "br", "img", "hr", "input", "link", "col", "wbr"}


class Page(HTMLParser):
    """A page's tags and texts; a tag closed out of order fails the test that reads it."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.texts: list[str] = []
        self.open: list[str] = []
        self.feed(text)
        self.close()
        assert not self.open

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, {name: value or "" for name, value in attrs}))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, {name: value or "" for name, value in attrs}))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] != "style":
            self.texts.append(data)

    @property
    def text(self) -> str:
        return squeezed(" ".join(self.texts))

    def all(self, *names: str) -> Iterator[tuple[str, dict[str, str]]]:
        return ((tag, attributes) for tag, attributes in self.tags if tag in names)


def squeezed(text: str) -> str:
    """Text without what layout adds: white space, break places, hyphens of the reader."""
    return re.sub(r"[\s\u200b\u2068\u2069]+", "", text)


def printed(data: bytes) -> str:
    """A PDF's text by an independent reader."""
    from pypdf import PdfReader

    return squeezed(" ".join(page.extract_text() for page in PdfReader(io.BytesIO(data)).pages))


@pytest.fixture(scope="module")
def content(tmp_path_factory: pytest.TempPathFactory) -> Content:
    return live_content(tmp_path_factory.mktemp("bench"))


@pytest.fixture(scope="module")
def page(content: Content) -> str:
    return render_html(content)


def test_an_owner_finds_the_four_answers_at_the_top(content: Content) -> None:
    """Live with plug 2 only: what is not to be touched, what the plug changes, transformer, what is missing."""
    answers = {answer.question: " ".join(answer.lines) for answer in content.answers}

    assert content.headline.startswith("Do not touch any metal of this radio")
    touch = answers["What may not be touched?"]
    assert touch.startswith("Do not touch with the plug in: chassis, pickup-ground and aerial.")
    assert "chassis: up to 118 V AC. Touching can kill." in touch
    assert "aerial: not shown to be below the limit, so count as live." in touch
    plug = answers["What does the way round of the plug change?"]
    assert "chassis, way 1: 0.80 V with the switch on, 0.40 V off; way 2: 118 V with the switch on, 61.2 V off." in plug
    assert "Way 1 measured lower at the socket used" in plug
    transformer = answers["Is the added transformer big enough?"]
    assert transformer == (
        "Yes, as computed: 3 VA fitted. The board takes 0.85 VA; with the margin of 1.5, 1.27 VA are asked for "
        "(± 0.05 VA). 3 VA is 2.36 times that."
    )  # 1.27 / 1.5 and 3 / 1.27
    assert answers["What was not measured?"].startswith("The radio is not fully measured.")
    assert "pickup-ground: plug 1, switch off." in answers["What was not measured?"]
    assert "aerial: plug 1, switch on; plug 2, switch on." in answers["What was not measured?"]


def test_every_finding_stands_on_the_page_and_in_print_with_the_same_words(content: Content, page: str) -> None:
    on_page, on_paper = Page(page).text, printed(render_pdf(content))

    for finding in content.findings:
        parts = [finding.title, finding.statement, finding.value, finding.limit, finding.source, finding.advice,
                 *finding.missing, *finding.evidence, *(text for pair in finding.further for text in pair)]  # fmt: skip
        parts += [finding.value_label if finding.value else "", finding.limit_label if finding.limit else "",
                  finding.badge, finding.remark]  # fmt: skip
        shown = ("state", "value", "guard", "compared", "outcome", "rows") if finding.states.weighed else (
            "state", "value", "rows")  # fmt: skip
        parts += [getattr(row, name) for row in finding.states.rows for name in shown]
        for part in map(squeezed, parts):
            assert part in on_page
            assert part in on_paper
    for words in (content.headline, *content.found, *content.cautions, *content.actions, *content.missing):
        assert squeezed(words) in on_page and squeezed(words) in on_paper
    digests = [file.digest for session in content.sessions for file in session.files]
    assert len(digests) == 4 and all(digest in on_page and digest in on_paper for digest in digests)


def test_rendering_again_gives_the_same_bytes(tmp_path: Path, content: Content, page: str) -> None:
    """From the same sessions, in a fresh interpreter with another hash seed, and nothing of the wall clock in it."""
    again = live_content(tmp_path)
    assert render_html(again) == page
    assert render_pdf(again, "letter") == render_pdf(content, "letter")
    assert render_card_pdf(again) == render_card_pdf(content)

    code = (
        "import sys, hashlib, pathlib\n"
        "from tests.report_samples import live_content\nfrom analysis.report.html import render_html\n"
        "page = render_html(live_content(pathlib.Path(sys.argv[1])))\n"
        "print(hashlib.sha256(page.encode()).hexdigest())"
    )
    found = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "fresh")], capture_output=True, text=True, check=True,
        cwd=Path(__file__).parents[1], env={"PYTHONHASHSEED": "7", "PYTHONPATH": str(Path(__file__).parents[1])},
    )  # fmt: skip
    import hashlib

    assert found.stdout.strip() == hashlib.sha256(page.encode()).hexdigest()


def test_the_page_needs_nothing_from_outside_and_runs_nothing(page: str, content: Content) -> None:
    for text in (page, render_card_html(content)):
        parsed = Page(text)
        assert not list(parsed.all("script", "link", "img", "iframe", "object", "embed", "form", "base"))
        for _, attributes in parsed.tags:
            assert not any(name.startswith("on") for name in attributes)
            for name in ("href", "src", "xlink:href", "action"):
                assert attributes.get(name, "#").startswith("#")
        assert not re.search(r"https?:|//[a-z]|@import|url\((?!#)", text)


def test_the_page_can_be_used_without_seeing_it(page: str) -> None:
    """One h1, no level of heading skipped, table heads with scope, pictures with words, ids once, skip link."""
    parsed = Page(page)
    levels = [int(tag[1]) for tag, _ in parsed.all("h1", "h2", "h3", "h4")]
    ids = [attributes["id"] for _, attributes in parsed.tags if "id" in attributes]

    assert dict(parsed.all("html"))["html"]["lang"] == "en"
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))
    assert all(attributes.get("scope") in ("col", "row") for _, attributes in parsed.all("th"))
    pictures = [a for _, a in parsed.all("svg")]
    assert len(pictures) == 8 and all(a["role"] == "img" and len(a["aria-label"]) > 30 for a in pictures)
    assert len(ids) == len(set(ids))
    targets = re.findall(r'(?:href="#|url\(#)([^")]+)', page) + re.findall(r'aria-labelledby="([^"]+)"', page)
    assert targets and set(targets) <= set(ids)
    scrolled = [a for _, a in parsed.all("div") if "scroll" in a.get("class", "").split()]
    assert scrolled and all(a["tabindex"] == "0" and a["aria-label"] for a in scrolled)


@pytest.mark.parametrize("mode", [0, 1], ids=["light", "dark"])
def test_text_and_lines_stand_out_from_their_ground(mode: int) -> None:
    """WCAG 2.2: 4.5 : 1 for text (1.4.3), 3 : 1 for lines that carry meaning (1.4.11)."""
    colour = {role: pair[mode] for role, pair in (PAGE | FIGURE).items()}

    for role in ("ink", "muted", "accent", "danger", "caution", "undecided", "within"):
        for ground in ("paper", "panel"):
            assert contrast(colour[role], colour[ground]) >= 4.5, (role, ground)
    assert contrast(colour["paper"], colour["danger"]) >= 4.5
    grounds = ("fig-face", "fig-below", "fig-close", "fig-band")
    for role, ground in [("fig-ink", g) for g in grounds] + [("fig-muted", g) for g in ("fig-face", "fig-band")]:
        assert contrast(colour[role], colour[ground]) >= 4.5, (role, ground)
    assert contrast(colour["fig-on-above"], colour["fig-above"]) >= 4.5
    assert contrast(colour["fig-limit"], colour["fig-face"]) >= 4.5
    for role in ("fig-one", "fig-two", "fig-three", "fig-four"):
        assert contrast(colour[role], colour["fig-face"]) >= 3 and contrast(colour[role], colour["fig-band"]) >= 3


def test_contrast_is_reckoned_as_the_standard_does() -> None:
    """WCAG 2.2: black on white is 21 : 1; #767676 on white is the well-known lightest grey that reaches 4.5 : 1."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)
    assert all(contrast(*pair) >= 4.5 for pair in SIGNAL.values())


def test_nothing_is_ever_called_free_of_risk(content: Content, page: str) -> None:
    spoken = (page, render_card_html(content), printed(render_pdf(content)), printed(render_card_pdf(content)))

    assert not any("safe" in text.lower() for text in spoken)
    assert all("local" in text.lower() and "licensed" in text.lower() for text in spoken)


def test_levels_are_words_not_only_colours(page: str) -> None:
    for word in ("DANGER", "CAUTION", "UNDECIDED", "WITHIN"):
        assert re.search(rf'<span class="level {word.lower()}">{word}</span>', page)


def test_the_card_says_how_the_chassis_stands_and_what_may_not_be_connected(content: Content) -> None:
    shown = {"page": Page(render_card_html(content)).text, "print": printed(render_card_pdf(content))}

    for text in shown.values():
        assert squeezed("DANGER") in text
        assert squeezed("connected to one pin of the mains plug (pin 2) through the mains switch") in text
        assert squeezed("Either way round of the plug can make the chassis live.") in text
        assert squeezed("way 1 measured lower (0.80 ± 0.30 V AC, the other way 118.4 ± 1.4 V AC)") in text
        assert squeezed("A record player, recorder, computer") in text
        assert squeezed("T 63 mA primary") in text and squeezed("2 March 2026") in text


def _with(findings: tuple[Finding, ...], *, full: bool) -> Assessment:
    return Assessment(
        radio="set-5", stage="", sessions=(), fully_measured=full, missing=(), findings=findings,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("level", "full", "word", "headline"),
    [
        (Level.DANGER, True, "DANGER", "Do not touch"),
        (Level.CAUTION, True, "WARNING", "Keep off"),
        (Level.UNDECIDED, False, "WARNING", "as live"),
        (Level.WITHIN, False, "WARNING", "as live"),
        (Level.WITHIN, True, "CAUTION", "stayed below"),
    ],
)
def test_the_signal_word_goes_by_the_level(tmp_path: Path, level: Level, full: bool, word: str, headline: str) -> None:
    """ANSI Z535.4: DANGER will, WARNING could kill; a radio that is not fully measured is never given the mildest."""
    finding = Finding(id="touch-voltage:chassis", level=level, title="Chassis", statement="As read.",
                      states=chassis_states())  # fmt: skip
    content = build_content(live_chassis(tmp_path), _with((finding,), full=full))

    assert content.card.signal == word and headline in content.headline


def test_a_finding_beside_touch_shows_in_the_headline(tmp_path: Path) -> None:
    """Touch is within, but a rail is beyond the board's maximum."""
    touch = Finding(id="touch-voltage:chassis", level=Level.WITHIN, title="Chassis", statement="Below.")
    rail = Finding(id="rail-window", level=Level.DANGER, title="A rail exceeds the board's maximum", statement="19 V.")
    content = build_content(live_chassis(tmp_path), _with((rail, touch), full=True))

    assert content.level is Level.DANGER and "A rail exceeds the board's maximum" in content.headline
    assert content.card.signal == "CAUTION" and content.found == ()


def test_advice_that_several_findings_share_is_given_once(tmp_path: Path) -> None:
    shared = "Leave work on the mains side to those licensed for it."
    findings = tuple(
        Finding(id=f"touch-voltage:{point}", level=Level.CAUTION, title=point, statement="Above.",
                advice=f"Cover the {point}. Still wanted: plug 2. {shared}") for point in ("chassis", "aerial")
    )  # fmt: skip
    content = build_content(live_chassis(tmp_path), _with(findings, full=False))

    assert content.actions[1].startswith("Its capacitors can hold a voltage that kills after the plug is out")
    assert content.actions[2:] == (f"Cover the chassis. {shared}", "Cover the aerial.")
    assert content.found == ("chassis.", "aerial.")


def test_before_and_after_stand_side_by_side(content: Content) -> None:
    """The first stage has one state only, at 61 V; it is judged here, and the second stage reads 0.8 V there."""
    assert content.comparison is not None and content.comparison.before == "before-fit"
    rows = {row.state: (row.before, row.after) for row in content.comparison.rows}
    before, after = rows["chassis: plug 1, switch on, AC"]

    assert before.startswith("61.") and before.endswith("V AC") and after == "0.80 ± 0.30 V AC"
    assert rows["chassis: plug 2, switch on, AC"] == ("not measured", "118.4 ± 1.4 V AC")


def test_the_judges_own_findings_stand_in_page_and_print(tmp_path: Path) -> None:
    radio = live_chassis(tmp_path)
    found = assess(radio)
    content = build_content(radio, found)
    on_page, on_paper = Page(render_html(content)).text, printed(render_pdf(content))

    assert content.level is Level.DANGER and content.card.signal == "DANGER"
    for finding in found.findings:
        # what is still wanted stands as a list of its own, once
        kept = [text for text in sentences(finding.advice) if not text.startswith("Still wanted:")]
        for words in (finding.title, finding.statement, " ".join(kept)):
            assert squeezed(words) in on_page and squeezed(words) in on_paper


def test_judged_values_stand_side_by_side_where_the_earlier_stage_was_judged(tmp_path: Path) -> None:
    now = live_assessment()
    states = tuple(dataclasses.replace(s, value=61.0) for s in chassis_states() if s.burden is None)
    before = dataclasses.replace(now, findings=(dataclasses.replace(now.findings[0], states=states),))
    content = build_content(live_chassis(tmp_path), now, earlier=before)

    assert content.comparison is not None
    rows = {row.state: (row.before, row.after) for row in content.comparison.rows}
    assert rows["chassis: plug 2, switch on, AC"] == ("61.0 ± 1.4 V AC", "118.4 ± 1.4 V AC")


def test_only_sittings_from_the_day_asked_for_are_shown(tmp_path: Path) -> None:
    content = build_content(live_chassis(tmp_path), live_assessment(), since="2026-03-01")

    assert [session.name for session in content.sessions] == ["20260302T142501Z-walk"]
    assert ("Shown from", "2026-03-01") in content.facts


def test_another_paper_is_refused(content: Content) -> None:
    with pytest.raises(ValueError, match="a4, letter"):
        render_pdf(content, "a5")


def test_importing_the_report_draws_in_neither_drawing_nor_typesetting() -> None:
    """The summary of a radio is needed without pictures as well."""
    code = "import sys, analysis.report.html, analysis.report.pdf; print([m for m in ('matplotlib', 'typst', 'jinja2') if m in sys.modules])"  # noqa: E501
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True,
                           cwd=Path(__file__).parents[1])  # fmt: skip
    assert found.stdout.strip() == "[]"
