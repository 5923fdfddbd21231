"""Recordings in processes of their own, ended in every way that a bench can end one."""

from __future__ import annotations

import errno
import json
import os
import shutil
import signal
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from analysis.table import load_session
from logger.keeping import State, check_session
from logger.mending import mend
from tests.eight_hours import played
from tests.kill import MOST_MISSING, MOST_MISSING_WHEN_BUSY, killed
from tests.recording import PtyMeter, Recording
from tests.sessions import write_card

pytestmark = pytest.mark.skipif(os.name == "nt", reason="it needs pseudo-terminals and POSIX signals")


@pytest.fixture
def meter() -> Iterator[PtyMeter]:
    """One that sends a hundred lines a second."""
    made = PtyMeter(pace=0.01)
    yield made
    made.close()


def kinds(session: Path) -> list[str]:
    return [event.kind for event in load_session(session).events]


def test_twenty_kills_at_full_speed_cost_no_flushed_row(tmp_path: Path) -> None:
    """kill -9 at random moments of a recording of three meters: at most one torn line, and mended it is whole."""
    runs = killed(tmp_path, 20)

    assert [run.problem for run in runs if run.problem] == []
    # A machine that does other work may not give the recorder its turn; `make bench` holds every run to 200 ms.
    assert statistics.median(run.missing for run in runs) <= MOST_MISSING
    assert max(run.missing for run in runs) <= MOST_MISSING_WHEN_BUSY


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_ctrl_c_a_plain_kill_and_a_closed_window_close_the_session(
    tmp_path: Path, meter: PtyMeter, number: signal.Signals
) -> None:
    meter.start()
    recording = Recording(tmp_path, [meter])
    session = recording.session()

    status, _, err = recording.end(number)

    report = check_session(session)
    assert status == 0 and report.ok and report.state is State.CLOSED, (err, report.problems)
    assert kinds(session)[-1] == "end" and "Traceback" not in err


def test_a_second_ctrl_c_while_it_closes_does_not_cost_the_close(tmp_path: Path, meter: PtyMeter) -> None:
    meter.start()
    recording = Recording(tmp_path, [meter])
    session = recording.session()
    for _ in range(6):
        if recording.process.poll() is None:
            recording.process.send_signal(signal.SIGINT)
        time.sleep(0.004)

    recording.wait()

    assert check_session(session).ok


def test_a_window_that_goes_with_its_terminal_still_leaves_a_closed_session(tmp_path: Path, meter: PtyMeter) -> None:
    """The terminal is gone: what the program prints fails, and the hang-up comes."""
    meter.start()
    write_card(tmp_path / "set-5")
    master, slave = os.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "chassislog", "log", "set-5", "--benchbook", str(tmp_path), "--plain",
         "--link-isolated", f"--meter=m0=text-line@{meter.path}"],
        stdin=slave, stdout=slave, stderr=slave, start_new_session=True,
    )  # fmt: skip
    os.close(slave)
    deadline = time.monotonic() + 20
    while not [p for p in tmp_path.glob("set-5/2*/readings.csv") if p.stat().st_size > 2000]:
        assert time.monotonic() < deadline and process.poll() is None
        time.sleep(0.01)
    os.close(master)
    process.send_signal(signal.SIGHUP)
    process.wait(20)

    (session,) = tmp_path.glob("set-5/2*")
    assert check_session(session).ok


def test_a_process_that_was_stopped_and_goes_on_records_on(tmp_path: Path, meter: PtyMeter) -> None:
    """The lid: stopped in mid-session; the bytes waited in the port meanwhile."""
    meter.start()
    recording = Recording(tmp_path, [meter])
    session = recording.session()
    recording.process.send_signal(signal.SIGSTOP)
    time.sleep(0.8)
    before = (session / "readings.csv").stat().st_size
    recording.process.send_signal(signal.SIGCONT)
    deadline = time.monotonic() + 10
    while (session / "readings.csv").stat().st_size <= before + 500 and time.monotonic() < deadline:
        time.sleep(0.01)
    status, _, _ = recording.end(signal.SIGINT)

    values = [int(value) for value in load_session(session).readings.frame["value"]]
    assert status == 0 and check_session(session).ok
    assert values == list(range(values[0], values[0] + len(values)))


def test_a_folder_deleted_in_mid_session_is_one_line_and_status_3(tmp_path: Path, meter: PtyMeter) -> None:
    meter.start()
    recording = Recording(tmp_path, [meter])
    session = recording.session()
    shutil.rmtree(session)
    time.sleep(1.3)  # a sync looks for the files once a second
    assert recording.process.poll() is None

    status, out, err = recording.end(signal.SIGINT)

    (line,) = [line for line in err.splitlines() if line.startswith("chassislog:")]
    assert status == 3 and "its folder is gone" in line and "Traceback" not in err
    assert [line for line in out.splitlines() if " DISK " in line and "no longer in the session folder" in line]


def test_a_folder_that_cannot_be_written_is_one_line_and_status_3(tmp_path: Path, meter: PtyMeter) -> None:
    """A bind mount, read-only: that holds for root too."""
    radio = write_card(tmp_path / "set-5")
    meter.start()
    try:
        _remount_read_only(radio)
    except OSError as exc:
        pytest.skip(f"no read-only mount here: {exc}")
    try:
        status, _, err = Recording(tmp_path, [meter]).wait()
    finally:
        subprocess.run(["umount", str(radio)], check=True)

    lines = [line for line in err.splitlines() if line.startswith("chassislog:")]
    assert status == 3 and len(lines) == 1 and "cannot be written" in lines[0] and "Traceback" not in err


def _remount_read_only(folder: Path) -> None:
    if os.geteuid() != 0 or shutil.which("mount") is None:
        raise OSError(errno.EPERM, "only root can mount")
    for command in (["mount", "--bind", str(folder), str(folder)],
                    ["mount", "-o", "remount,ro,bind", str(folder)]):  # fmt: skip
        done = subprocess.run(command, capture_output=True, text=True)
        if done.returncode:
            raise OSError(errno.EPERM, done.stderr.strip())


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 200 kB, where root may mount one."""
    folder = tmp_path / "small"
    folder.mkdir()
    if os.geteuid() != 0 or shutil.which("mount") is None:
        pytest.skip("only root can mount a small disk; the recorder's own tests refuse writes in its place")
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=200k", "small", str(folder)], capture_output=True)
    if done.returncode:
        pytest.skip(f"no small disk here: {done.stderr.decode().strip()}")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def test_a_disk_that_fills_up_is_one_line_the_screen_goes_on_and_what_is_there_is_whole(small_disk: Path) -> None:
    meter = PtyMeter(pace=0.0005)
    meter.start()
    recording = Recording(small_disk, [meter])
    session = recording.session()
    deadline = time.monotonic() + 20
    sizes = [-1, 0]
    while sizes[-1] != sizes[-2] and time.monotonic() < deadline:
        time.sleep(0.4)
        sizes.append((session / "readings.csv").stat().st_size)
    assert recording.process.poll() is None

    status, out, err = recording.end(signal.SIGINT)
    meter.close()

    assert status == 3 and "Traceback" not in err
    assert len([line for line in out.splitlines() if " DISK " in line]) == 1
    assert [line for line in err.splitlines() if line.startswith("chassislog:") and "space" in line.lower()]
    shutil.copytree(session, small_disk.parent / session.name)
    made = mend(small_disk.parent / session.name)
    assert made.lost == () and check_session(made.folder).ok and made.rows > 100


def test_a_session_that_lacks_rows_is_not_closed_as_whole(small_disk: Path) -> None:
    meter = PtyMeter(pace=0.0005)
    meter.start()
    recording = Recording(small_disk, [meter])
    session = recording.session()
    time.sleep(2.0)
    recording.end(signal.SIGINT)
    meter.close()

    told = json.loads((session / "datapackage.json").read_text())
    assert "close" not in told and not check_session(session).ok


def test_forty_minutes_of_a_night_are_all_there_and_memory_stays_flat(tmp_path: Path) -> None:
    """The bench plays eight hours; memory may not grow with what was recorded, which has some 3 MB here."""
    count, night = played(tmp_path, hours=2 / 3)

    assert night.rows == count == 24_000 and night.whole, night.problems
    assert night.late - night.early < 3e6


def test_the_session_says_when_it_began_and_ended(tmp_path: Path, meter: PtyMeter) -> None:
    begin = datetime.now(UTC)
    meter.start()
    recording = Recording(tmp_path, [meter], "--for=0.5s")
    status, out, _ = recording.wait()
    (session,) = (tmp_path / "set-5").glob("2*")

    loaded = load_session(session)
    assert status == 0 and loaded.close is not None
    assert begin <= datetime.fromisoformat(loaded.start) <= datetime.fromisoformat(loaded.close) <= datetime.now(UTC)
    assert f"{len(loaded.readings)} readings" in out
