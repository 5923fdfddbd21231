"""What was recorded, looked after: checked, mended, decoded again; on sessions that the program itself recorded.

Longer than other files, since all of them start from one recorded session.
"""

from __future__ import annotations

import hashlib
import json
import resource
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import msgspec
import pandas as pd
import pytest
from filelock import FileLock

from analysis.table import load_radio, load_session
from drivers.meter import Batch
from drivers.overheard import overheard, pieces_of
from drivers.port import WirePiece
from drivers.profile import Profile, load
from logger.cli import run
from logger.keeping import KeepError, State, check_session
from logger.mending import mend
from logger.recorder import Recorder, Tags
from logger.redecoding import redecode
from logger.scan import scan
from logger.session import SessionHeader, SessionWriter
from tests.sessions import write_card

START = datetime(2026, 3, 2, 14, 25, 1, tzinfo=UTC)
NUMBERED = "text-line"


class PlayedMeter:
    """Bytes with their times, through the decoders; a batch a piece."""

    def __init__(self, role: str, profile: Profile, pieces: Sequence[tuple[float, str, bytes]]) -> None:
        self.role, self._pieces = role, list(pieces)
        self._heard = overheard(profile)

    @property
    def finished(self) -> bool:
        return not self._pieces

    def read(self) -> Batch:
        piece = WirePiece(*self._pieces.pop(0))
        return Batch(readings=pieces_of(piece, self._heard), events=self._heard.faults.drained(), wire=[piece])

    def close(self) -> Batch:
        return Batch(readings=self._heard.cut(), events=self._heard.faults.drained(), wire=[])


def lines(count: int, first: float = 0.0, text: str = "{:.1f} mV ac\n") -> list[tuple[float, str, bytes]]:
    """One line a piece, ten a second; the first is the one that may have lost its head."""
    return [(first + n / 10, "rx", text.format(100 + n % 7 / 10).encode()) for n in range(count)]


def record(
    radio: Path, pieces: Sequence[tuple[float, str, bytes]], *, close: bool = True, profile: str = NUMBERED,
    events: Callable[[Recorder], None] = lambda _: None,
) -> Path:  # fmt: skip
    """A session of one meter `v` that the program recorded."""
    if not (radio / "radio.toml").exists():
        write_card(radio)
    loaded = load(profile)
    meters = [{"role": "v", "profile": profile, "port": "pty"}]
    writer = SessionWriter(radio, SessionHeader(radio=radio.name, start=START, stage="before-fit", meters=meters))
    tags = Tags()
    meter = PlayedMeter("v", loaded, pieces)
    recorder = Recorder(writer, [meter], tags, clock=lambda: 0.0, wall=None, in_order=True)
    recorder.note("start", {"radio": radio.name}, elapsed=0.0)
    recorder.set_tags({"point": "chassis", "plug": "1", "switch": "on"}, elapsed=0.0)
    events(recorder)
    recorder.start()
    while recorder.running:
        pass
    recorder.finish()
    if close:
        writer.close(START + timedelta(seconds=pieces[-1][0] + 1))
    else:
        writer.sync()
        writer.abandon()
    return writer.folder


@pytest.fixture
def radio(tmp_path: Path) -> Path:
    return tmp_path / "set-5"


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_a_session_that_was_closed_is_whole_and_its_rows_are_what_the_bytes_say(radio: Path) -> None:
    folder = record(radio, lines(50))

    report = check_session(folder)

    assert report.ok and report.state is State.CLOSED
    assert report.rows == 49 and report.compared == {"v": 49}  # 50 lines, less the one without a head
    (readings, *_) = report.files
    assert readings.sha256 == hashlib.sha256((folder / "readings.csv").read_bytes()).hexdigest()


def test_pandas_opens_it_with_no_options_and_frictionless_finds_a_valid_package(radio: Path) -> None:
    from frictionless import Package

    folder = record(radio, lines(30))

    frame = pd.read_csv(folder / "readings.csv")
    assert len(frame) == 29 and frame["value"].dtype == float and frame["point"].iloc[0] == "chassis"
    report = Package(str(folder / "datapackage.json")).validate()
    assert report.valid, report.flatten(["title", "note"])


def _change(folder: Path, name: str, old: bytes, new: bytes) -> None:
    """Edit a file and its hash, as somebody would who wants it to pass."""
    path = folder / name
    data = path.read_bytes()
    assert old in data
    path.write_bytes(data.replace(old, new, 1))
    told = json.loads((folder / "datapackage.json").read_text())
    for entry in told["resources"]:
        found = scan(folder / entry["path"])
        entry.update(bytes=found.size, rows=found.rows, hash=f"sha256:{found.digest}")
    (folder / "datapackage.json").write_text(json.dumps(told))


@pytest.mark.parametrize(
    ("name", "old", "new", "said"),
    [
        ("readings.csv", b",0.1002,", b",0.0102,", "wire.csv says 0.1002"),
        ("readings.csv", b",ok,", b",fine,", "status 'fine' is not known"),
        ("readings.csv", b",V,ok", b",mV,ok", "unit 'mV' is none of voltage"),
        ("readings.csv", b"elapsed_s", b"seconds", "columns are not"),
        ("readings.csv", b",0.700000,", b",0.100000,", "runs backwards"),
        ("readings.csv", b"14:25:01.300000Z", b"15:25:01.300000Z", "time jumps"),
        ("readings.csv", b"2026-03-02T14:25:01.300000Z", b"yesterday", "not RFC 3339"),
        ("events.csv", b"point=chassis", b"point=chassis\r\nshort,row", "events.csv, row 2: cannot be read"),
    ],
)
def test_what_was_changed_is_found_even_with_its_hash_made_to_fit(
    radio: Path, name: str, old: bytes, new: bytes, said: str
) -> None:
    folder = record(radio, lines(20))
    _change(folder, name, old, new)

    report = check_session(folder)

    assert not report.ok and any(said in text for text in report.problems), report.problems


def test_a_row_taken_out_or_put_in_shows_against_the_bytes(radio: Path) -> None:
    folder = record(radio, lines(20))
    row = next(line for line in (folder / "readings.csv").read_bytes().splitlines(keepends=True) if b",0.5" in line)
    _change(folder, "readings.csv", row, b"")

    assert any("lost here" in text for text in check_session(folder).problems)

    other = record(radio.with_name("set-6"), lines(20))
    _change(other, "readings.csv", row, row + row.replace(b"0.500000", b"0.510000"))
    assert any("holds no such reading" in text for text in check_session(other).problems)


def test_a_changed_byte_shows_by_its_hash(radio: Path) -> None:
    folder = record(radio, lines(20))
    path = folder / "wire.csv"
    path.write_bytes(path.read_bytes()[:-4] + b"0b\r\n")

    report = check_session(folder)

    assert any("wire.csv: hash" in text for text in report.problems) and report.files[2].agrees is False


def test_a_descriptor_that_names_files_elsewhere_opens_none_of_them(radio: Path) -> None:
    folder = record(radio, lines(20))
    told = json.loads((folder / "datapackage.json").read_text())
    told["resources"].append({"name": "x", "path": "../../../../etc/passwd"})
    (folder / "datapackage.json").write_text(json.dumps(told))

    assert any("which is no file of the session" in text for text in check_session(folder).problems)


def test_an_interrupted_session_is_said_to_be_so_and_mends_into_a_whole_copy(radio: Path) -> None:
    folder = record(radio, lines(40), close=False)
    before = contents(folder)

    assert check_session(folder).state is State.INTERRUPTED and not check_session(folder).ok
    made = mend(folder)

    assert made.folder == folder.with_name(f"{folder.name}-mended") and not made.whole and made.lost == ()
    assert check_session(made.folder).ok and made.rows == 39
    assert contents(folder) == before
    assert load_session(made.folder).close == "2026-03-02T14:25:04.900000Z"
    assert mend(made.folder).whole and mend(made.folder).folder == made.folder


@pytest.mark.parametrize("name", ["readings.csv", "events.csv", "wire.csv"])
def test_a_torn_last_row_is_all_that_mending_loses(radio: Path, name: str) -> None:
    folder = record(radio, lines(40), close=False)
    path = folder / name
    whole = path.read_bytes()
    last = whole.splitlines(keepends=True)[-1]
    for cut in range(1, len(last)):
        path.write_bytes(whole[:-cut])
        if cut > 3 and cut % 7:
            continue
        made = mend(folder)
        left = len(last) - cut
        assert made.lost == (f"{name}: the torn last row ({left} byte{'s' if left > 1 else ''})",)
        report = check_session(made.folder)
        # A row of the readings whose bytes were torn off cannot be borne out; nothing else may be missing.
        assert report.ok or (name == "wire.csv" and len(report.problems) == 1), report.problems
        rest = whole[: -len(last)]
        assert (made.folder / name).read_bytes().startswith(rest)


def test_a_last_row_torn_after_a_line_end_within_quotes_is_torn(radio: Path) -> None:
    """RFC 4180 allows a line end in a quoted cell: a file that ends there ends within a row."""
    folder = record(radio, lines(10), close=False)
    path = folder / "events.csv"
    whole = path.read_bytes()
    path.write_bytes(whole + b'2026-03-02T14:25:02.000000Z,1.000000,note,v,"text=two\r\n')

    made = mend(folder)

    assert made.lost and "events.csv: the torn last row" in made.lost[0] and check_session(made.folder).ok


def test_what_a_power_cut_leaves_is_mended_too(radio: Path) -> None:
    """Blocks of zeros at the end of a file, no descriptor, no events."""
    folder = record(radio, lines(40), close=False)
    path = folder / "readings.csv"
    rows = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join(rows[:30]) + bytes(4096))
    (folder / "datapackage.json").unlink()
    (folder / "events.csv").unlink()

    made = mend(folder)

    assert made.rows == 29 and check_session(made.folder).ok
    session = load_session(made.folder)
    assert session.radio == "set-5" and session.start == "2026-03-02T14:25:01.000000Z" and list(session.meters) == ["v"]


def test_takes_keep_their_rows_when_a_row_before_them_is_lost(radio: Path) -> None:
    def take(recorder: Recorder) -> None:
        detail = {"id": "1", "quantity": "voltage", "coupling": "ac", "value": "0.1", "unit": "V", "rows": "10-12"}
        recorder.note("take", detail, meter="v", elapsed=1.5)

    folder = record(radio, lines(40), close=False, events=take)
    path = folder / "readings.csv"
    rows = path.read_bytes().splitlines(keepends=True)
    rows[4] = b"no,row\r\n"
    path.write_bytes(b"".join(rows))

    made = mend(folder)

    (found,) = load_session(made.folder).takes
    assert (found.first, found.last) == (9, 11) and "1 row that could not be read" in made.lost[0]


def test_a_second_program_on_a_session_is_refused(radio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_card(radio)
    writer = SessionWriter(radio, SessionHeader(radio="set-5", start=START))

    with pytest.raises(KeepError, match="Another program holds this session"):
        mend(writer.folder)
    assert check_session(writer.folder).state is State.RECORDING
    assert run(["mend", str(writer.folder)]) == 2
    assert "Another program holds" in capsys.readouterr().err
    writer.close(START)
    assert check_session(writer.folder).state is State.CLOSED and not (writer.folder / ".lock").exists()


def test_a_session_locked_by_its_file_alone_is_held(radio: Path) -> None:
    folder = record(radio, lines(10), close=False)
    with FileLock(folder / ".lock"), pytest.raises(KeepError, match="Another program"):
        mend(folder)


def test_the_mended_copy_is_judged_in_place_of_the_interrupted_one(radio: Path) -> None:
    folder = record(radio, lines(40), close=False)
    made = mend(folder)

    loaded = load_radio(radio)

    assert [session.name for session in loaded.sessions] == [made.folder.name]
    assert any("stands in place of" in remark for remark in loaded.sessions[0].remarks)


def _corrected(**changes: object) -> Profile:
    """The text profile, with volts where it has what is written."""
    profile = load(NUMBERED)
    return msgspec.structs.replace(profile, name="corrected", **changes)


def test_decoding_again_gives_new_values_with_tags_takes_and_events_of_the_time(radio: Path) -> None:
    """The profile's pattern was wrong: it read millivolts as volts."""
    wrong = lines(40, text="{:.1f}\n")

    def sitting(recorder: Recorder) -> None:
        detail = {"id": "1", "step": "s", "quantity": "voltage", "coupling": "", "value": "100.3", "unit": "V",
                  "rows": "10-14"}  # fmt: skip
        recorder.note("take", detail, meter="v", elapsed=1.6)
        recorder.tags.set({"point": "aerial", "plug": "2"}, 2.0)
        recorder.note("tag", {"point": "aerial", "plug": "2"}, elapsed=2.0)

    folder = record(radio, wrong, events=sitting)
    before = contents(folder)
    table = load(NUMBERED).decode
    pattern = r"^(?P<value>[0-9.]+)$"
    channels = {"*": msgspec.structs.replace(next(iter(table.channels.values())), unit="mV")}  # type: ignore[union-attr]
    corrected = _corrected(decode=msgspec.structs.replace(table, pattern=pattern, channels=channels))

    made = redecode(folder, {"v": corrected})

    assert contents(folder) == before and made.by_meter == made.before == {"v": 39}
    old, new = load_session(folder).readings.frame, load_session(made.folder).readings.frame
    assert list(new["value"]) == pytest.approx([value / 1000 for value in old["value"]])
    assert list(new["elapsed_s"]) == list(old["elapsed_s"]) and list(new["time"]) == list(old["time"])
    assert list(new["point"]) == list(old["point"]) and set(new["point"]) == {"chassis", "aerial"}
    (take,) = load_session(made.folder).takes
    rows = new.iloc[take.first : take.last + 1]["value"]
    assert (take.first, take.last) == (10, 14) and take.value == pytest.approx(rows.median())
    assert check_session(made.folder, {"v": corrected}).ok
    assert [s.name for s in load_radio(radio).sessions] == [made.folder.name]


def test_rows_that_came_while_tags_changed_keep_theirs_when_decoded_again(radio: Path) -> None:
    """The event tells of 2.0 s, but rows up to 2.4 s bear the tags of before: the writer had them already."""

    def sitting(recorder: Recorder) -> None:
        recorder.note("tag", {"point": "aerial", "plug": "2"}, elapsed=2.0)
        recorder.tags.set({"point": "aerial", "plug": "2"}, 2.45)

    folder = record(radio, lines(40), events=sitting)

    made = redecode(folder, {"v": load(NUMBERED)})

    old, new = load_session(folder).readings.frame, load_session(made.folder).readings.frame
    assert list(new["point"]) == list(old["point"]) and list(new["switch"]) == list(old["switch"])
    assert next(iter(old[old["point"] == "aerial"]["elapsed_s"])) == 2.5


def test_typed_readings_stay_when_another_meter_is_decoded_again(radio: Path) -> None:
    from drivers.reading import Quantity, Reading, Status

    def typed(recorder: Recorder) -> None:
        reading = Reading(elapsed=1.05, quantity=Quantity.RESISTANCE, status=Status.OK, unit="Ohm", value=4700.0)
        recorder.accept("t", Batch(readings=[reading], events=[], wire=[]))

    folder = record(radio, lines(40), events=typed)

    made = redecode(folder, {"v": load(NUMBERED)})

    frame = load_session(made.folder).readings.frame
    assert list(frame[frame["meter"] == "t"]["value"]) == [4700.0] and len(frame) == 40
    assert list(frame["elapsed_s"]) == sorted(frame["elapsed_s"])


def test_what_cannot_be_decoded_again_is_refused_in_one_line(radio: Path) -> None:
    folder = record(radio, lines(10), close=False)
    with pytest.raises(KeepError, match="interrupted"):
        redecode(folder, {"v": load(NUMBERED)})
    whole = record(radio.with_name("set-6"), lines(10))
    with pytest.raises(KeepError, match="no bytes"):
        redecode(whole, {"w": load(NUMBERED)})
    assert not [path for path in whole.parent.iterdir() if path.name.startswith(".")]


def test_bytes_before_a_lost_port_never_join_those_after_it(radio: Path) -> None:
    """Half a line, the lead is pulled, the other half of another line: `30.1` is no reading."""
    pieces = [(0.0, "rx", b"1.0 V\n"), (0.1, "rx", b"2.0 V\n12"), (5.0, "rx", b"30.1 V\n"), (5.1, "rx", b"4.0 V\n")]
    heard = overheard(load(NUMBERED))
    found = []
    for at, way, data in pieces:
        if at == 5.0:
            found += heard.cut()
        found += pieces_of(WirePiece(at, way, data), heard)

    assert [reading.value for reading in found] == [2.0, 4.0]


def test_each_command_answers_in_json_and_by_its_status(radio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = record(radio, lines(10), close=False)
    assert run(["check", str(folder), "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["state"] == "interrupted"
    assert run(["mend", str(folder), "--json"]) == 0
    mended = json.loads(capsys.readouterr().out)["session"]
    assert run(["check", Path(mended).name, "--benchbook", str(radio.parent)]) == 0
    assert run(["redecode", mended, "--meter", "v=text-line", "--json"]) == 0
    assert run(["redecode", mended, "--meter", "v"]) == 2
    assert run(["check", str(radio / "nothing")]) == 2
    assert run(["about", "--json"]) == 0
    assert "There is no session" in capsys.readouterr().err


def test_checking_a_long_log_takes_no_more_memory_than_a_short_one(radio: Path) -> None:
    """An hour of ten readings a second, after a minute of it: the peak may not grow with the log, which has 8 MB."""
    check_session(record(radio, lines(600)))
    folder = record(radio.with_name("set-6"), lines(36_000))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    report = check_session(folder)
    grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024  # Linux counts kB

    assert report.ok and report.rows == 35_999 and grown < 4
