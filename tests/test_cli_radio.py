"""Cards and the benchbook from the command line: what is spoiled or missing is told, in one line, everywhere alike."""

from __future__ import annotations

import errno
import json
import os
import shlex
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from logger.cli import run
from tests.sessions import SessionWriter, write_card

Run = Callable[..., tuple[int, str, str]]
#: Every command that reads a radio's card.
READERS = (
    ("radio", "show", "set-5"), ("assess", "set-5"), ("report", "set-5"), ("supply", "set-5"),
    ("log", "set-5", "--meter", "v=typed", "--count", "1"), ("walk", "set-5", "--meter", "v=typed"),
)  # fmt: skip


@pytest.fixture
def book(tmp_path: Path) -> Path:
    """A benchbook with one radio and one session."""
    sitting = SessionWriter()
    sitting.read([117.2] * 5, point="chassis", plug="1", switch="on")
    sitting.write(write_card(tmp_path / "book" / "set-5").joinpath("20260302T142501Z-log"))
    return tmp_path / "book"


@pytest.fixture
def call(capfd: pytest.CaptureFixture[str]) -> Run:
    """Run one command line; its status, standard output and standard error."""

    def called(*arguments: str) -> tuple[int, str, str]:
        status = run(arguments)
        told = capfd.readouterr()
        return status, told.out, told.err

    return called


def spoil(path: Path, change: Callable[[bytes], bytes]) -> None:
    """Other bytes in place of a file's own."""
    path.write_bytes(change(path.read_bytes()))


def test_a_card_and_a_burden_box_with_a_mark_before_the_text_are_read(book: Path, call: Run) -> None:
    """Some editors write U+FEFF before UTF-8 (Unicode, chapter 2.13); what they saved is the card all the same."""
    (book / "burdens.toml").write_bytes(b'\xef\xbb\xbf[[burden]]\nvalue = "10 kohm"\ntolerance = "1 %"\n')
    spoil(book / "set-5" / "radio.toml", lambda data: b"\xef\xbb\xbf" + data.replace(b"\n", b"\r\n"))

    assert call("radio", "show", "set-5", "--benchbook", str(book))[:2] == (
        0, (book / "set-5" / "radio.toml").read_text("utf-8-sig")
    )  # fmt: skip
    status, out, _ = call("assess", "set-5", "--json", "--benchbook", str(book))
    assert status == 1 and json.loads(out)["radio"] == "set-5"  # 117.2 V on the chassis is a danger


@pytest.mark.parametrize("spoiled", [
    pytest.param("name = \"Küchengerät\"".encode("latin-1"), id="latin-1"),
    pytest.param("schema = 1".encode("utf-16"), id="utf-16"),
    pytest.param(bytes(range(256)), id="binary"),
])  # fmt: skip
@pytest.mark.parametrize("reader", READERS, ids=lambda words: words[0])
def test_a_card_that_is_no_text_is_refused_alike_wherever_it_is_read(
    book: Path, call: Run, reader: tuple[str, ...], spoiled: bytes
) -> None:
    spoil(book / "set-5" / "radio.toml", lambda _: spoiled)

    status, out, err = call(*reader, "--benchbook", str(book))

    assert (status, out, err.count("\n")) == (2, "", 1)
    assert "radio.toml is not UTF-8 text." in err and str(book / "set-5" / "radio.toml") in err


@pytest.mark.parametrize("reader", [r for r in READERS if r[0] in ("assess", "report", "walk")], ids=lambda w: w[0])
def test_a_burden_box_that_is_no_text_is_refused_alike(book: Path, call: Run, reader: tuple[str, ...]) -> None:
    (book / "burdens.toml").write_bytes(b"\xff\xfe\x00[[burden]]")

    status, out, err = call(*reader, "--benchbook", str(book))

    assert (status, out, err.count("\n")) == (2, "", 1) and "burdens.toml is not UTF-8 text." in err


@pytest.mark.parametrize("reader", READERS, ids=lambda words: words[0])
def test_a_card_that_the_disk_does_not_give_is_a_failure(
    book: Path, call: Run, reader: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    read = Path.read_bytes

    def refuse(path: Path) -> bytes:
        if path.name == "radio.toml":
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return read(path)

    monkeypatch.setattr(Path, "read_bytes", refuse)
    status, out, err = call(*reader, "--benchbook", str(book))

    assert (status, out, err.count("\n")) == (3, "", 1) and os.strerror(errno.EIO) in err


@pytest.mark.parametrize("line", [
    ("log", "set-5", "--meter", "v=text-line@/dev/null", "--tag", "point=chassis"),  # its link is not isolated
    ("log", "set-5", "--meter", "v=typed", "--tag", "plug=3"),
    ("log", "set-5", "--meter", "v=typed", "--tag-column", "point"),
    ("log", "set-5", "--meter", "v=text-line@replay://nowhere.csv"),
    ("log", "set-6", "--meter", "v=typed"),
    ("walk", "set-5", "--meter", "v=text-line@replay://nowhere.csv"),
    ("walk", "set-5", "--meter", "v=typed", "--fed-from", "isolating-transformer"),
    ("walk", "set-6", "--meter", "v=typed"),
    ("supply", "set-6"), ("supply", "set-5", "--margin", "0.5"),
], ids=" ".join)  # fmt: skip
def test_a_refusal_stands_alone(book: Path, call: Run, line: tuple[str, ...]) -> None:
    """Cautions before it would bury the one line that says what to do."""
    status, out, err = call(*line, "--benchbook", str(book))

    assert status in (2, 3) and out == "" and err.startswith("chassislog: ") and err.count("\n") == 1


@pytest.mark.parametrize("line", [
    "touch --reading 5", "touch --reading 5V --accuracy much", "touch --reading '5 V@2 V'",
    "winding --cold 5 --cold-air 21degC --hot '6 ohm' --hot-air 23degC",
])  # fmt: skip
def test_a_calculators_refusal_stands_alone(call: Run, line: str) -> None:
    status, out, err = call(*shlex.split(line))

    assert (status, out, err.count("\n")) == (2, "", 1) and err.startswith("chassislog: ")


def test_one_spoiled_card_hides_no_other(book: Path, call: Run) -> None:
    for name, text in (("set-1", 'plug = "revers"'), ("set-2", "this is no card"), ("set-6", "")):
        card = f'{text}\nschema = 1\nid = "{name}"\nname = "The {name}"\npoints = ["chassis"]\n'
        write_card(book / name, card)
    (book / "set-7").mkdir()
    (book / "set-7" / "radio.toml").write_bytes(b"\xff\x00")

    status, out, err = call("radio", "list", "--benchbook", str(book))

    assert status == 0 and [line.split() for line in out.splitlines()] == [
        ["set-5", "Set", "5"], ["set-6", "The", "set-6"],
    ]  # fmt: skip
    told = err.splitlines()
    assert [line.split(" cannot be read: ")[0] for line in told] == ["Radio set-1", "Radio set-2", "Radio set-7"]
    assert "'reversible'" in told[0] and "TOML" in told[1] and "UTF-8" in told[2]

    status, out, err = call("radio", "list", "--json", "--benchbook", str(book))
    radios = {entry["radio"]: entry for entry in json.loads(out)["radios"]}
    assert status == 0 and err.splitlines() == told
    assert [name for name, entry in radios.items() if "problem" in entry] == ["set-1", "set-2", "set-7"]
    assert radios["set-6"] == {"radio": "set-6", "name": "The set-6"}


def test_one_spoiled_profile_hides_no_other(call: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    good = "schema = 1\ntitle = 'Mine'\n[decode]\nfamily = 'typed'\n"
    for name, data in (("bad", b"schema = 2"), ("binary", b"\xff\xfe"), ("mine", good.encode()),
                       ("marked", b"\xef\xbb\xbf" + good.encode())):  # fmt: skip
        (tmp_path / f"{name}.toml").write_bytes(data)
    monkeypatch.setattr("drivers.profile.user_folder", lambda: tmp_path)

    status, out, err = call("meters")

    assert status == 0 and {"typed", "scpi-bench", "mine", "marked"} <= {line.split()[0] for line in out.splitlines()}
    assert [line.split(" cannot be used: ")[0] for line in err.splitlines()] == ["Profile bad", "Profile binary"]

    status, out, _ = call("meters", "--json")
    profiles = json.loads(out)["profiles"]
    assert status == 0 and [each["profile"] for each in profiles if "problem" in each] == ["bad", "binary"]


@pytest.mark.parametrize("named", ["option", "environment"])
@pytest.mark.parametrize("is_file", [True, False], ids=["a file", "nothing there"])
@pytest.mark.parametrize("reader", [*READERS, ("radio", "list"), ("archive",), ("compare", "set-5"), ("check", "x"),
                                    ("pack", "set-5", "x.zip")], ids=lambda words: words[0])  # fmt: skip
def test_a_benchbook_that_is_none_is_not_silence(
    tmp_path: Path, call: Run, reader: tuple[str, ...], is_file: bool, named: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    wrong = tmp_path / "wrong"
    if is_file:
        wrong.write_bytes(b"")
    monkeypatch.setenv("CHASSISLOG_BENCHBOOK", str(wrong if named == "environment" else tmp_path))

    status, out, err = call(*reader, *(["--benchbook", str(wrong)] if named == "option" else []))

    assert (status, out, err.count("\n")) == (2, "", 1) and str(wrong) in err
    assert wrong.is_file() == is_file and wrong.exists() == is_file


@pytest.mark.parametrize("writer", [("radio", "add", "set-1"), ("walk", "set-1", "--practice", "transformer-230"),
                                    ("demo",)], ids=lambda words: words[0])  # fmt: skip
def test_a_benchbook_that_is_a_file_is_not_written_over(tmp_path: Path, call: Run, writer: tuple[str, ...]) -> None:
    wrong = tmp_path / "wrong"
    wrong.write_bytes(b"kept")
    option = "--out" if writer[0] == "demo" else "--benchbook"

    status, out, err = call(*writer, option, str(wrong))

    assert (status, out, err.count("\n")) == (2, "", 1) and wrong.read_bytes() == b"kept"


def test_a_benchbook_that_is_yet_to_come_is_made(tmp_path: Path, call: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """The first thing that somebody types is perhaps 'radio list': the usual folder need not be there."""
    usual = tmp_path / "documents" / "chassislog"
    monkeypatch.delenv("CHASSISLOG_BENCHBOOK", raising=False)
    monkeypatch.setattr("logger.cli_show.default_benchbook", lambda: usual)

    status, out, err = call("radio", "list")
    assert (status, out) == (0, "") and "Add one" in err and not usual.exists()
    assert call("radio", "add", "set-1")[0] == 0 and (usual / "set-1" / "radio.toml").is_file()


def test_radio_alone_prints_its_help(call: Run) -> None:
    status, out, err = call("radio")

    assert (status, err) == (0, "") and out.startswith("Usage: chassislog radio") and "  list " in out
    assert out == call("radio", "--help")[1]


@pytest.mark.parametrize("radio", ["", "Set-1", "set 1", "-set", "set-", "../set", "a" * 65, "sét", "set\n1"])
def test_what_is_no_id_is_told_what_one_looks_like(tmp_path: Path, call: Run, radio: str) -> None:
    status, out, err = call("radio", "add", "--benchbook", str(tmp_path / "book"), "--", radio)

    assert (status, out, err.count("\n")) == (2, "", 1) and "such as set-1" in err
    assert not (tmp_path / "book").exists()


#: Source: Microsoft, Naming Files, Paths, and Namespaces: reserved names.
@pytest.mark.parametrize(
    "radio", ["con", "prn", "aux", "nul", *(f"{d}{n}" for d in ("com", "lpt") for n in range(1, 10))]
)
def test_a_name_that_is_a_device_elsewhere_is_no_id(tmp_path: Path, call: Run, radio: str) -> None:
    book = tmp_path / "book"
    status, out, err = call("radio", "add", radio, "--benchbook", str(book))
    assert (status, out, err.count("\n")) == (2, "", 1) and "Windows" in err and not book.exists()

    with zipfile.ZipFile(tmp_path / "radio.zip", "w") as archive:
        archive.writestr("radio.toml", f'schema = 1\nid = "{radio}"\npoints = ["chassis"]\n')
    status, out, err = call("unpack", str(tmp_path / "radio.zip"), "--benchbook", str(book))
    assert (status, out, err.count("\n")) == (2, "", 1) and "Windows" in err and not (book / radio).exists()


def test_an_id_that_only_begins_so_is_one(tmp_path: Path, call: Run) -> None:
    for radio in ("console", "com10", "aux-1", "nul-set", "lpt"):
        assert call("radio", "add", radio, "--benchbook", str(tmp_path))[0] == 0
