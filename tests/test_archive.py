"""Every radio in one line: judged once, kept, shown as text, JSON, CSV and a page; here and on a cluster."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

from analysis import readings
from analysis.assess import assess
from analysis.summary import Summary
from analysis.table import load_radio
from logger import summarising
from logger.archive import Entry, archive, archive_on, arranged, index_page, to_csv
from logger.cli import run
from logger.packing import pack
from logger.summarising import fresh, summary_of, unchanged
from tests.bench_archive import benchbook
from tests.sessions import METER, SessionWriter, write_card

HOSTILE = '=cmd|"/c calc"!A1 <script>alert(1)</script>'


def radio(book: Path, name: str, volts: float = 3.1, title: str = "", **more: str) -> Path:
    """A radio with one session in which the chassis read so many volts, in one state only."""
    home = write_card(book / name, f'schema = 1\nid = "{name}"\nname = {json.dumps(title)}\nnominal_mains = "120 V"\n'
                                   'points = ["chassis"]\n')  # fmt: skip
    writer = SessionWriter()
    writer.read([120.0, 120.1, 120.0], point="mains-line")
    writer.read([volts, volts, volts], point="chassis", plug="1", switch="on")
    writer.write(home / "20260302T142501Z-log", radio=name, meters=[{**METER, **more}])
    return home


@pytest.fixture
def book(tmp_path: Path) -> Path:
    folder = tmp_path / "book"
    radio(folder, "set-1")
    radio(folder, "set-2", 117.0, HOSTILE, calibrated="2025-06-01")
    write_card(folder / "set-3", 'schema = 1\nid = "set-3"\npoints = ["chassis"]\n')
    write_card(folder / "set-4", "this is no card")
    return folder


def test_each_radio_has_the_level_that_assess_gives_and_a_broken_one_says_why(book: Path) -> None:
    entries = {entry.summary.radio: entry.summary for entry in archive([book])}

    for name in ("set-1", "set-2", "set-3"):
        found = assess(load_radio(book / name))
        assert (entries[name].level, entries[name].missing) == (str(found.level), found.missing)
    assert entries["set-2"].level == "danger" and entries["set-2"].calibration_due == "2026-06-01"
    assert entries["set-1"].last_sitting == "2026-03-02T14:25:01.000000Z" and entries["set-3"].last_sitting == ""
    assert entries["set-4"].level == "undecided" and "TOML" in entries["set-4"].problem


def test_only_what_changed_is_judged_again(book: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    archive([book])
    judged: list[str] = []

    def counted(place: Path) -> Summary:
        judged.append(place.name)
        return fresh(place)

    monkeypatch.setattr(summarising, "fresh", counted)

    archive([book])
    assert judged == []
    writer = SessionWriter()
    writer.read([231.0, 231.0, 231.0], point="chassis", plug="2", switch="on")
    writer.write(book / "set-1" / "20260303T142501Z-log", radio="set-1")
    entries = {entry.summary.radio: entry.summary for entry in archive([book])}
    assert judged == ["set-1"] and entries["set-1"].level == "danger" and entries["set-1"].sessions == 2

    path = book / "set-2" / "20260302T142501Z-log" / "readings.csv"
    path.write_text(path.read_text("utf-8").replace("117.0", "117.1"), "utf-8")  # the same size
    archive([book])
    assert judged == ["set-1", "set-2"]


def test_another_limit_in_the_program_judges_everything_again(book: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    archive([book])
    assert unchanged(book / "set-1") is not None
    monkeypatch.setattr(summarising, "rules", lambda: "other limits")
    assert unchanged(book / "set-1") is None


def test_a_kept_summary_that_was_tampered_with_or_torn_is_not_believed_to_be_one(book: Path) -> None:
    before = summary_of(book / "set-2")
    kept = book / "set-2" / summarising.KEPT
    for text in ("", "{", "[]", '{"key": 1}', kept.read_text("utf-8").replace('"danger"', '"fine"')):
        kept.write_text(text, "utf-8")
        assert summary_of(book / "set-2") == before


def test_a_packed_radio_in_the_benchbook_is_read_like_any_other(book: Path, tmp_path: Path) -> None:
    alone = radio(tmp_path / "else", "set-9", 117.0)
    pack(alone, book / "set-9.zip")
    (book / "broken.zip").write_bytes(b"no zip")

    entries = {entry.place: entry.summary for entry in archive([book])}

    assert entries["set-9.zip"] == summary_of(alone) and "zip" in entries["broken.zip"].problem
    assert {path.name for path in book.iterdir() if path.is_dir()} == {"set-1", "set-2", "set-3", "set-4"}


def test_sorted_and_of_one_level(book: Path) -> None:
    entries = archive([book])
    assert arranged(entries)[0].summary.radio == "set-2"
    assert [e.summary.radio for e in arranged(entries, "radio")] == ["set-1", "set-2", "set-3", "set-4"]
    assert [e.summary.radio for e in arranged(entries, "due")][-1] != "set-2"
    assert [e.summary.radio for e in arranged(entries, level="danger")] == ["set-2"]


def test_hostile_names_are_text_in_the_csv_and_on_the_page(book: Path) -> None:
    entries = archive([book])

    rows = list(csv.DictReader(to_csv(arranged(entries, "radio")).splitlines(keepends=True)))
    assert rows[1]["name"] == "'" + HOSTILE and rows[1]["level"] == "danger"
    page = index_page(book, entries)
    assert "<script" not in page and "&lt;script&gt;" in page and page == index_page(book, entries)


def test_the_command_writes_the_index_and_says_what_it_found(
    book: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["archive", "--benchbook", str(book), "--json", "--csv", str(tmp_path / "x.csv")]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["radios"][0]["radio"] == "set-2" and (tmp_path / "x.csv").is_file()
    assert 'href="set-1/"' in (book / "index.html").read_text("utf-8")
    assert run(["archive", "--benchbook", str(book)]) == 0
    assert "DANGER    set-2" in capsys.readouterr().out
    assert run(["archive", "--benchbook", str(book), "--sort", "colour"]) == 2
    assert run(["archive", "--benchbook", str(book / "none")]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 2


def test_the_second_time_nothing_heavy_is_even_imported(book: Path) -> None:
    archive([book])
    code = ("import sys; from logger.cli import run; run(sys.argv[1:]); "
            "print(sorted({'pandas', 'numpy', 'matplotlib'} & sys.modules.keys()))")  # fmt: skip
    done = subprocess.run([sys.executable, "-c", code, "archive", "--benchbook", str(book)], capture_output=True,
                          text=True, check=True)  # fmt: skip
    assert done.stdout.splitlines()[-1] == "[]"


def test_more_radios_than_one_process_is_worth_give_the_same(tmp_path: Path) -> None:
    benchbook(tmp_path, radios=9, sessions=1, rows=4)
    entries = archive([tmp_path])
    assert [entry.summary for entry in entries] == [fresh(tmp_path / entry.place) for entry in entries]


def test_a_cluster_of_two_workers_gives_the_same_bytes(book: Path, tmp_path: Path) -> None:
    """The workers are processes of their own; one benchbook is reached as a URL."""
    pack(radio(tmp_path / "else", "set-9", 117.0), book / "set-9.zip")
    code = (
        "import json, sys\n"
        "from distributed import LocalCluster\n"
        "from logger.archive import archive_on, arranged, to_csv\n"
        "if __name__ == '__main__':\n"
        "    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:\n"
        "        found = archive_on(cluster.scheduler_address, sys.argv[1:])\n"
        "    sys.stdout.write(json.dumps([e.to_json() for e in arranged(found)]))\n"
    )
    script = tmp_path / "cluster.py"
    script.write_text(code, "utf-8")
    for address in (str(book), book.as_uri()):
        done = subprocess.run([sys.executable, str(script), address], capture_output=True, text=True, timeout=120)
        assert done.returncode == 0, done.stderr
        here = [Entry(benchbook=address, place=e.place, summary=e.summary) for e in archive([book])]
        assert done.stdout == json.dumps([entry.to_json() for entry in arranged(here)])


def test_a_benchbook_in_memory_is_read_through_fsspec(book: Path) -> None:
    """As on object storage: nothing of it is a local file."""
    from importlib import import_module

    from logger.archive import _remote_places, _remote_summary

    memory = import_module("fsspec").filesystem("memory")
    memory.put(str(book), "/bench", recursive=True)
    places = _remote_places("memory://bench")
    assert places == ["set-1", "set-2", "set-3", "set-4"]
    for place in places:
        assert _remote_summary("memory://bench", place) == summary_of(book / place).to_json()


def test_no_cluster_is_one_line(book: Path) -> None:
    from logger.archive import ArchiveError

    with pytest.raises(ArchiveError, match="No cluster answers"):
        archive_on("nonsense://127.0.0.1:1", [str(book)])


def test_a_short_file_is_read_into_the_same_table_as_a_long_one(book: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Three ways of reading, for speed; guarded cells, digits and empty columns in both."""
    writer = SessionWriter()
    writer.read([1.0, 2.0, None], point="=1+1", plug="1", switch="'on")
    writer.read([1.0, 2.0, None], point="1", plug="2", switch="on")
    data = (writer.write(book / "set-1" / "20260304T142501Z-log") / "readings.csv").read_bytes()

    short, _ = readings.read_readings(data, "here", times=False)
    monkeypatch.setattr(readings, "_SHORT", 0)
    longer, _ = readings.read_readings(data, "here", times=False)
    monkeypatch.setattr(readings, "_LARGE", 0)
    long, _ = readings.read_readings(data, "here", times=False)

    pd.testing.assert_frame_equal(short.frame, longer.frame, check_exact=True)
    pd.testing.assert_frame_equal(short.frame, long.frame, check_exact=True)
    assert list(short.frame["point"]) == ["=1+1"] * 3 + ["1"] * 3 and list(short.frame["switch"])[:1] == ["'on"]
