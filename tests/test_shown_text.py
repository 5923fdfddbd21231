"""Names, notes, stages and tags that would turn a line round, wipe a screen or write a line of their own: shown, not
obeyed. Nothing of them is lost in a session or in a JSON document."""

from __future__ import annotations

import json
import subprocess
import sys
import unicodedata
from collections.abc import Callable
from pathlib import Path

import pytest
import tomli_w
from hypothesis import given
from hypothesis import strategies as st

from analysis.report.text import escaped_controls, one_line
from logger.cli import run
from logger.keeping import check_session
from tests.sessions import SessionWriter, write_card

#: Wipe the screen; a CSI of one character; turn round; a line of its own that would pass for the program's; NUL.
ODD = "a\x1b[2J b\x9b31m \u202ecba\u202c \u2066x"
LINES = "odd\nWITHIN    touch-voltage:chassis\r\x0b\u2028end"
Call = Callable[..., tuple[int, str, str]]


@pytest.fixture
def call(capfd: pytest.CaptureFixture[str]) -> Call:
    """Run one command line; its status, standard output and standard error."""

    def called(*arguments: str) -> tuple[int, str, str]:
        status = run(arguments)
        told = capfd.readouterr()
        return status, told.out, told.err

    return called


@pytest.fixture
def book(tmp_path: Path) -> Path:
    """A benchbook whose radio, points, tags and meter are named so that they would do harm on a terminal."""
    card = {"schema": 1, "id": "set-5", "name": ODD + LINES, "nominal_mains": "120 V", "points": ["chassis", ODD],
            "notes": ODD + "\n" + LINES}  # fmt: skip
    home = write_card(tmp_path / "book" / "set-5", tomli_w.dumps(card))
    sitting = SessionWriter()
    sitting.read([117.2] * 5, point="chassis", plug="1", switch="on")
    sitting.read([117.2] * 5, point=ODD, plug="1", switch="on", load=LINES)
    sitting.read([0.02] * 5, point="secondary", quantity="current", load=ODD)
    sitting.write(home / "20260302T142501Z-log", stage=ODD + LINES)
    return tmp_path / "book"


def is_plain(text: str) -> bool:
    """Whether a text holds nothing but letters and ends of lines. By the categories of Unicode 15, table 4-4."""
    letters = text.replace("\n", "")
    turned = any(unicodedata.bidirectional(c) in ("LRE", "RLE", "PDF", "LRO", "RLO", "LRI", "RLI", "FSI", "PDI")
                 for c in letters)  # fmt: skip
    return not turned and not any(unicodedata.category(c) in ("Cc", "Cs", "Zl", "Zp") for c in letters)


@pytest.mark.parametrize("line", ["radio list", "radio show set-5", "assess set-5", "supply set-5", "archive",
                                  "report set-5", "compare set-5 --by load --point chassis"])  # fmt: skip
def test_nothing_of_it_reaches_the_terminal(book: Path, call: Call, line: str) -> None:
    _, out, err = call(*line.split(), "--benchbook", str(book))

    assert is_plain(out) and is_plain(err) and out + err
    assert not any(text.startswith("WITHIN") and "touch" in text for text in out.split("\n"))


@pytest.mark.parametrize("line", ["radio list", "radio show set-5", "assess set-5", "archive"])
def test_json_says_the_same_and_is_as_plain(book: Path, call: Call, line: str) -> None:
    _, out, _ = call(*line.split(), "--json", "--benchbook", str(book))
    found = json.loads(out)

    assert is_plain(out)
    if line.startswith("radio"):
        told = found if "name" in found else found["radios"][0]
        assert told["name"] == ODD + LINES


def test_a_page_that_a_browser_shows_is_as_plain(book: Path, call: Call) -> None:
    call("report", "set-5", "--benchbook", str(book))
    call("archive", "--benchbook", str(book))

    for page in (book / "index.html", book / "set-5" / "report" / "report.html"):
        text = page.read_text("utf-8")
        assert not set("\x1b\x9b\u202e\u202c\u0000") & set(text), page


def test_log_shows_stage_name_and_tags_and_keeps_them_as_they_were(tmp_path: Path) -> None:
    """In a process of its own: its standard output is what a terminal would get."""
    book, wire = tmp_path / "book", tmp_path / "wire.csv"
    wire.write_text("elapsed_s,meter,direction,hex\r\n" + "".join(
        f"{n / 10},v,rx,{f'117.{n} V ac{chr(10)}'.encode().hex()}\r\n" for n in range(6)
    ), "utf-8")  # fmt: skip
    write_card(book / "set-5")
    done = subprocess.run(
        [sys.executable, "-m", "chassislog", "log", "set-5", "--meter", f"v=text-line@replay://{wire}?speed=0",
         "--stage", ODD, "--name", ODD, "--tag", f"point={ODD}", "--tag-column", "by", "--tag", f"by={LINES}",
         "--plain", "--benchbook", str(book)],
        capture_output=True, timeout=60, check=True, encoding="utf-8",
    )  # fmt: skip
    (session,) = book.glob("set-5/*/")
    head = json.loads((session / "datapackage.json").read_text("utf-8"))

    assert is_plain(done.stdout.replace("\a*** ALARM", "*** ALARM")) and is_plain(done.stderr) and "117" in done.stdout
    assert head["stage"] == ODD and check_session(session).ok
    assert ODD in (session / "readings.csv").read_text("utf-8")


def test_a_refusal_that_repeats_what_was_typed_is_plain(book: Path, call: Call) -> None:
    for line in (["assess", ODD], ["log", "set-5", "--meter", ODD], ["unpack", ODD], ["check", ODD],
                 ["meters", "show", ODD], ["walk", "set-5", "--plan", ODD]):  # fmt: skip
        status, out, err = call(*line, "--benchbook", str(book)) if line[0] != "meters" else call(*line)
        assert status in (2, 3) and out == "" and is_plain(err) and err.count("\n") == 1, line


@given(st.text(st.characters(codec="utf-8") | st.sampled_from("\x1b\x9b\u202e\u2028\r\n\t\0")))
def test_any_text_is_one_plain_line_and_survives_json(text: str) -> None:
    assert is_plain(one_line(text)) and "\n" not in one_line(text)
    assert json.loads(escaped_controls(json.dumps({"text": text}, ensure_ascii=False))) == {"text": text}
