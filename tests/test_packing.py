"""Sessions and radios as zips: valid packages, the same bytes again, and nothing trusted on the way back."""

from __future__ import annotations

import json
import stat
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.cli import run
from logger.packing import PackError, pack
from logger.unpacking import UnpackError, fit, unpack
from tests.sessions import SessionWriter, write_card

SESSION = "20260302T142501Z-log"


def a_radio(benchbook: Path, sessions: tuple[str, ...] = (SESSION,)) -> Path:
    """A radio with sessions, a report and a burden box."""
    radio = write_card(benchbook / "set-5")
    (benchbook / "burdens.toml").write_text('[[burden]]\nvalue = "100 kohm"\ntolerance = "1 %"\n', encoding="utf-8")
    for name in sessions:
        writer = SessionWriter()
        writer.read([117.2, 117.3, 117.2], point="chassis", plug="1", switch="on")
        writer.write(radio / name)
    (radio / "report").mkdir()
    (radio / "report" / "report.html").write_text("<p>a report</p>", encoding="utf-8")
    return radio


def tree(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.mark.parametrize("what", ["session", "radio"])
def test_packed_unpacked_and_packed_again_gives_the_same_bytes(tmp_path: Path, what: str) -> None:
    radio = a_radio(tmp_path / "a", (SESSION, "20260303T080000Z-later"))
    source = radio if what == "radio" else radio / SESSION

    made = pack(source, tmp_path / "one.zip")
    there = unpack(tmp_path / "one.zip", tmp_path / "b")
    again = tmp_path / "b" / "set-5" / (SESSION if what == "session" else "")
    pack(again, tmp_path / "two.zip")

    assert made.kind == what and there.radio == "set-5" and there.card_added and SESSION in there.added
    assert (tmp_path / "one.zip").read_bytes() == (tmp_path / "two.zip").read_bytes()
    if what == "radio":
        assert tree(tmp_path / "a") == tree(tmp_path / "b")


@pytest.mark.parametrize("what", ["session", "radio"])
def test_frictionless_finds_a_valid_package_in_the_zip(tmp_path: Path, what: str) -> None:
    from frictionless import Package

    radio = tmp_path / "kept" / "set-5"
    from tests.test_keeping import lines, record

    session = record(radio, lines(20))
    pack(session if what == "session" else radio, tmp_path / "x.zip")

    package = Package(str(tmp_path / "x.zip"))
    report = package.validate()
    assert report.valid, report.flatten(["title", "note"])
    assert len(package.resources) == 3


def test_what_is_in_the_benchbook_is_never_written_over(tmp_path: Path) -> None:
    radio = a_radio(tmp_path / "a")
    pack(radio, tmp_path / "x.zip")
    assert unpack(tmp_path / "x.zip", tmp_path / "a").present == (SESSION,)

    (radio / SESSION / "readings.csv").write_bytes(b"other\r\n")
    before = tree(tmp_path / "a")
    with pytest.raises(UnpackError, match="is not the same"):
        unpack(tmp_path / "x.zip", tmp_path / "a")
    assert tree(tmp_path / "a") == before


def test_a_session_goes_to_its_radio_which_keeps_its_own_card(tmp_path: Path) -> None:
    pack(a_radio(tmp_path / "a") / SESSION, tmp_path / "x.zip")
    write_card(tmp_path / "b" / "set-5", 'schema = 1\nid = "set-5"\nname = "Mine"\npoints = ["chassis"]\n')

    made = unpack(tmp_path / "x.zip", tmp_path / "b")

    assert made.added == (SESSION,) and not made.card_added
    assert "Mine" in (tmp_path / "b" / "set-5" / "radio.toml").read_text("utf-8")


def hostile(path: Path, *entries: tuple[str, bytes], change: Callable[[zipfile.ZipInfo], None] | None = None) -> Path:
    """A session's zip with something more in it."""
    described = json.dumps({"radio": "set-5", "name": SESSION.lower()}).encode()
    card = b'schema = 1\nid = "set-5"\npoints = ["chassis"]\n'
    usual = [("datapackage.json", described), ("readings.csv", b"time\r\n"), ("radio.toml", card)]
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in (*usual, *entries):
            entry = zipfile.ZipInfo(name)
            entry.filename = name  # ZipInfo would tidy some of them
            entry.compress_type = zipfile.ZIP_DEFLATED
            if change is not None and (name, data) in entries:
                change(entry)
            archive.writestr(entry, data)
    return path


# fmt: off
NAMES = [
    "../evil.csv", "/etc/evil", "C:/evil", "C:evil", "a/../../evil", "..\\evil", "a\\b", "./x", "a//b", "a/b/c/d",
    "con", "NUL.csv", "aux.txt", "trailing.", "trailing ", " leading", ".hidden", "a/.hidden", "tab\there", "x" * 300,
    "READINGS.CSV", "Radio.toml", "readings.csv/x", "right\u202eto-left", "a:stream", "~/x/y", "que?ry", "st*r",
]
# fmt: on


@pytest.mark.filterwarnings("ignore:Duplicate name")
@pytest.mark.parametrize("name", NAMES)
def test_a_name_that_leads_elsewhere_refuses_the_whole_zip(tmp_path: Path, name: str) -> None:
    path = hostile(tmp_path / "x.zip", (name, b"evil"))

    with pytest.raises(UnpackError, match="Nothing was unpacked"):
        unpack(path, tmp_path / "b")

    assert tree(tmp_path / "b") == {} and {p.name for p in tmp_path.iterdir()} == {"x.zip", "b"}


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_the_same_name_twice_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UnpackError, match="twice"):
        unpack(hostile(tmp_path / "x.zip", ("readings.csv", b"other")), tmp_path / "b")


@pytest.mark.parametrize("kind", [stat.S_IFLNK, stat.S_IFCHR, stat.S_IFIFO])
def test_a_link_or_a_device_is_refused(tmp_path: Path, kind: int) -> None:
    def link(entry: zipfile.ZipInfo) -> None:
        entry.create_system, entry.external_attr = 3, (kind | 0o777) << 16

    with pytest.raises(UnpackError, match="a link or a device"):
        unpack(hostile(tmp_path / "x.zip", ("wire.csv", b"/etc/passwd"), change=link), tmp_path / "b")


def test_a_bomb_is_refused_by_what_it_says_and_by_what_it_holds(tmp_path: Path) -> None:
    path = hostile(tmp_path / "x.zip", ("wire.csv", bytes(5_000_000)))
    assert path.stat().st_size < 20_000
    with pytest.raises(UnpackError, match="would unpack to more than"):
        unpack(path, tmp_path / "b", most=1_000_000)

    data = bytearray(path.read_bytes())  # now it lies about its size, in the directory at its end
    at = data.rfind(b"wire.csv") - 46
    assert data[at : at + 4] == b"PK\x01\x02"
    data[at + 24 : at + 28] = struct.pack("<I", 10)
    path.write_bytes(data)
    with pytest.raises(UnpackError):
        unpack(path, tmp_path / "b", most=1_000_000)
    assert tree(tmp_path / "b") == {}


@given(cut=st.integers(0, 2000), flips=st.lists(st.tuples(st.integers(0, 2000), st.integers(1, 255)), max_size=4))
def test_a_broken_zip_is_one_line_and_never_half_unpacked(
    tmp_path_factory: pytest.TempPathFactory, cut: int, flips: list[tuple[int, int]]
) -> None:
    folder = tmp_path_factory.mktemp("zip")
    data = bytearray(hostile(folder / "x.zip", ("events.csv", b"time\r\n" * 50)).read_bytes())
    for at, bits in flips:
        data[at % len(data)] ^= bits
    (folder / "x.zip").write_bytes(data[: len(data) - cut % len(data)] if cut % 2 else data)

    try:
        made = unpack(folder / "x.zip", folder / "b")
    except UnpackError:
        assert tree(folder / "b") == {}
    else:
        assert (folder / "b" / made.radio / made.added[0] / "readings.csv").is_file()


@given(name=st.text(max_size=20) | st.sampled_from(NAMES))
def test_a_name_that_fits_is_one_plain_component(name: str) -> None:
    if fit(name):
        path = Path("somewhere") / name
        assert path.name == name and path.parent == Path("somewhere") and "\\" not in name and ":" not in name


def test_no_zip_no_radio_and_a_file_that_is_there_are_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    radio = a_radio(tmp_path / "a")
    (tmp_path / "there.zip").write_bytes(b"mine")
    with pytest.raises(PackError, match="is there already"):
        pack(radio, tmp_path / "there.zip")
    assert run(["unpack", str(tmp_path / "there.zip"), "--benchbook", str(tmp_path / "b")]) == 3
    assert run(["unpack", str(tmp_path / "none.zip")]) == 2
    assert run(["pack", "no-such", str(tmp_path / "y.zip"), "--benchbook", str(tmp_path / "a")]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 3
    assert run(["pack", "set-5", str(tmp_path / "y.zip"), "--benchbook", str(tmp_path / "a"), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["kind"] == "radio"
    assert not [path for path in tmp_path.iterdir() if path.suffix == ".part"]
