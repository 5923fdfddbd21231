"""What a report rests on: readings of a radio or none, meters with their lines' sources, files, the card's values."""

from __future__ import annotations

import hashlib
from importlib import resources
from io import BytesIO
from pathlib import Path

import pytest

from analysis.assess import assess
from analysis.assessment import Assessment
from analysis.report.content import build_content
from analysis.report.html import render_card_html, render_html
from analysis.report.pdf import render_card_pdf, render_pdf
from analysis.table import load_radio
from drivers.profile import load
from logger.benchmeter import BenchMeter
from logger.reporting import write_report
from tests.report_samples import CARD, SITTING, card, live_content
from tests.sessions import METER, SessionWriter, write_card
from tests.test_report import Page, printed, squeezed


@pytest.mark.parametrize(
    ("port", "identity", "notes", "simulated"),
    [
        ("practice://line-capacitor-230?meter=v", "", "", True),
        ("PRACTICE://x", "", "", True),
        ("replay://wire.csv?meter=v", "PRACTICE,BENCH METER,0,1", "", True),
        ("replay://wire.csv?meter=v", "", "Invented for the demo; its readings are constructed.", True),
        ("replay://wire.csv?meter=v", "", "", False),
        ("/dev/ttyUSB0", "Example Bench Meter", "Practice scenario line-capacitor-230.", False),
        ("", "", "Practice scenario line-capacitor-230.", True),
        ("/dev/ttyUSB0", "Example Bench Meter", "", False),
    ],
)
def test_readings_of_no_radio_say_so_on_every_sheet_and_on_the_card(
    tmp_path: Path, port: str, identity: str, notes: str, simulated: bool
) -> None:
    """The sitting's own record tells: a port of the practice bench, a practice identity; else the card's note."""
    sitting = SessionWriter()
    sitting.read([0.8] * 4, u=0.1, point="chassis", plug="1", switch="on")
    folder = write_card(tmp_path / "set-5", card('"chassis"', notes=notes))
    sitting.write(folder / SITTING, meters=[{**METER, "port": port, "identity": identity}])
    radio = load_radio(folder)
    content = build_content(radio, assess(radio))
    mark = squeezed("SIMULATED. Says nothing of any radio.")

    from pypdf import PdfReader

    sheets = [squeezed(page.extract_text()) for page in PdfReader(BytesIO(render_pdf(content))).pages]
    assert len(sheets) > 2 and [mark in sheet for sheet in sheets] == [simulated] * len(sheets)
    assert (mark in Page(render_html(content)).text) is simulated
    assert ("@top-center" in render_html(content)) is simulated
    assert (mark in Page(render_card_html(content)).text) is simulated
    assert (mark in printed(render_card_pdf(content))) is simulated


def test_a_radio_with_some_simulated_sittings_says_so(tmp_path: Path) -> None:
    folder = write_card(tmp_path / "set-5", card('"chassis"'))
    for name, port in (("a", "practice://x"), ("b", "/dev/ttyUSB0")):
        sitting = SessionWriter()
        sitting.read([0.8] * 4, u=0.1, point="chassis", plug="1", switch="on")
        sitting.write(folder / f"20260302T142501Z-{name}", meters=[{**METER, "port": port}])
    radio = load_radio(folder)

    assert build_content(radio, assess(radio)).band == "PARTLY SIMULATED. Says nothing of any radio."


def test_the_report_lists_what_its_figures_can_be_computed_from(tmp_path: Path) -> None:
    """The hashes are those of the files on disk, by hashlib; the card's values stand as they are written there."""
    folder = write_card(tmp_path / "set-5", CARD)
    burdens = tmp_path / "burdens.toml"
    burdens.write_text('schema = 1\n[[burden]]\nvalue = "100 kohm"\ntolerance = "1 %"\n', encoding="utf-8")
    sitting = SessionWriter()
    sitting.read([0.8] * 4, u=0.1, point="chassis", plug="1", switch="on")
    place = sitting.write(folder / SITTING)
    made = {path.name: path for path in write_report(folder, pdf=True)}
    page, paper = Page(made["report.html"].read_text("utf-8")).text, printed(made["report.pdf"].read_bytes())

    files = [folder / "radio.toml", burdens, place / "datapackage.json", place / "readings.csv"]
    digests = [hashlib.sha256(path.read_bytes()).hexdigest() for path in files]
    digests.append(hashlib.sha256((resources.files("analysis") / "limits.toml").read_bytes()).hexdigest())
    for text in (page, paper):
        assert all(digest in text for digest in digests)
        for words in ("Transformer, nameplate3 VA", "Board, swing that the output loses1.5 V",
                      "Resistor across the meter100 kohm, ± 1 %", "can be computed again from the files"):  # fmt: skip
            assert squeezed(words) in text


def test_without_the_files_beside_the_report_does_not_claim_to_list_them(tmp_path: Path) -> None:
    page = render_html(live_content(tmp_path))

    assert "can be computed again" not in page and "were not kept in this report" in page


def test_a_meter_shows_the_lines_that_it_used_and_where_they_are_from(tmp_path: Path) -> None:
    """The typed profile's lines are its own defaults; of its nine only that for AC volts was used."""
    typed = BenchMeter(role="bench", profile=load("typed"), port="").descriptor()
    sitting = SessionWriter()
    sitting.read([0.8] * 4, u=0.1, meter="bench", point="chassis", plug="1", switch="on")
    folder = write_card(tmp_path / "set-5", card('"chassis"'))
    sitting.write(folder / SITTING, meters=[typed])
    made = {path.name: path for path in write_report(folder, pdf=True)}

    page, paper = Page(made["report.html"].read_text("utf-8")).text, printed(made["report.pdf"].read_bytes())
    for words in ("voltage AC: ± (1.2 % of reading + 5 counts of the last digit shown), ASSUMED; source: this",
                  "profile's own default, usual for the class; replace it by the data sheet's",
                  "not told: values were typed in (CAT II 600 V is the profile’s own)"):  # fmt: skip
        assert squeezed(words) in page
    for words in ("digit shown), ASSUMED", "source: this profile's own default", "values were typed in"):
        assert squeezed(words) in paper  # a row may go over two sheets
    for text in (page, paper):
        assert "resistance:" not in text and squeezed("as in the maker’s data sheet") not in text


def test_a_line_of_unknown_origin_is_said_to_be_so(tmp_path: Path) -> None:
    lines = {meter.role: meter.accuracy for meter in live_content(tmp_path).meters}

    assert lines["v"] == (
        "voltage AC, 600 V range: ± (0.9 % of reading + 3 × 100 mV); source: not recorded in the sitting",
    )  # fmt: skip


def test_a_meter_that_read_nothing_lends_no_accuracy(tmp_path: Path) -> None:
    sitting = SessionWriter()
    sitting.read([0.8] * 4, u=0.1, point="chassis", plug="1", switch="on")
    folder = write_card(tmp_path / "set-5", card('"chassis"'))
    sitting.write(folder / SITTING, meters=[METER, {**METER, "role": "idle"}])
    radio = load_radio(folder)
    idle = next(meter for meter in build_content(radio, assess(radio)).meters if meter.role == "idle")

    assert idle.accuracy == ("nothing was read with it",) and idle.input == ("no volts or amperes were read with it",)


def test_a_sitting_without_a_data_link_raises_no_alarm_about_one(tmp_path: Path) -> None:
    sitting = SessionWriter()
    sitting.read([0.8] * 4, u=0.1, point="chassis", plug="1", switch="on")
    folder = write_card(tmp_path / "set-5", card('"chassis"'))
    meter = {**METER, "port": "", "isolation": "no-link"}
    sitting.write(folder / SITTING, meters=[meter], statements={"link_isolated": False})
    radio = load_radio(folder)
    (told,) = build_content(radio, assess(radio)).sessions

    assert ("Data link", "none in this sitting") in told.statements


def test_three_people_sign_and_a_radio_without_readings_has_no_date(tmp_path: Path) -> None:
    content = build_content(load_radio(write_card(tmp_path / "set-5")), Assessment(
        radio="set-5", stage="", sessions=(), fully_measured=False, missing=(), findings=()))  # fmt: skip
    page, paper = Page(render_html(content)).text, printed(render_pdf(content))

    for text in (page, paper):
        for who in ("Measured by", "Handed over by", "Received by", "No readings yet"):
            assert squeezed(who) in text
        assert squeezed("Data of no readings") not in text
