"""Ports of every kind: opened exclusively, refused in one clear line, listed without being touched."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers import portlist
from drivers.opening import opening_failed, register_handlers
from drivers.port import Port, PortError, PortLostError, wire_bytes
from drivers.portlist import PortInfo
from drivers.profile import PortSettings

needs_pty = pytest.mark.skipif(not hasattr(os, "openpty"), reason="this system has no pseudo-terminals")
linux = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="who holds a file is read from Linux's /proc")


@pytest.fixture
def pty() -> Iterator[tuple[int, str]]:
    master, slave = os.openpty()
    yield master, os.ttyname(slave)
    os.close(slave)
    os.close(master)


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("/dev/no-such-port", "was not found"),
        ("", "not the name of a port"),
        ("no\0name", "not the name of a port"),
        ("morse://x", r"no kind of port called morse://.*socket://"),
        ("../up://x", "no kind of port"),
        ("socket://10.0.0.7", "has a host and a port number"),
        ("socket://10.0.0.7:99999", "has a host and a port number"),
        ("socket://127.0.0.1:1", "Nothing answers"),
        ("socket://no-such-host.invalid:5025", "not known on this network"),
        ("rfc2217://127.0.0.1:1", "Nothing answers"),
        ("loop://?x=1", "not written as"),
        ("hwgrep://(", "not written as"),
        ("usbtmc:///dev/no-such-usbtmc", "was not found"),
        ("visa://", "needs a resource name"),
        ("visa://X?speed=1", "no option 'speed'"),
        ("replay://wire.csv?sped=1", "no option 'sped'"),
        ("replay://wire.csv?speed=fast", "not a number"),
        ("replay://", "needs the path"),
        ("replay://no-such-folder/wire.csv", "no wire log"),
    ],
)
def test_a_port_that_cannot_be_opened_is_one_line(name: str, said: str) -> None:
    with pytest.raises(PortError, match=said) as caught:
        Port(name).open()
    assert "\n" not in str(caught.value) and "Error" not in str(caught.value) and "Errno" not in str(caught.value)


@pytest.mark.skipif(os.name != "posix", reason="these are files of POSIX systems")
def test_a_file_that_is_no_port_is_said_to_be_none(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").touch()
    for name in (str(tmp_path), str(tmp_path / "notes.txt"), os.devnull):
        with pytest.raises(PortError, match="not a serial port"):
            Port(name).open()


@needs_pty
@pytest.mark.skipif(hasattr(os, "geteuid") and os.geteuid() == 0, reason="root may open every port")
def test_a_port_without_rights_says_what_to_do(tmp_path: Path) -> None:
    path = tmp_path / "port"
    path.touch(mode=0o000)
    with pytest.raises(PortError, match="group"):
        Port(str(path)).open()


@settings(max_examples=100, deadline=None)
@given(
    scheme=st.sampled_from(["", "socket://", "rfc2217://", "loop://", "replay://", "usbtmc://", "visa://", "alt://", "x://"]),
    rest=st.text(st.characters(exclude_characters="/", exclude_categories=["Cs"]), max_size=12),
)  # fmt: skip
def test_any_port_name_at_all_opens_or_is_refused(scheme: str, rest: str) -> None:
    if scheme in ("socket://", "rfc2217://"):
        rest = rest.replace(":", "")  # no address of anybody else
    port = Port(scheme + rest)
    try:
        port.open()
    except PortError as exc:
        assert "\n" not in str(exc)
    port.close()


def test_a_handler_that_lacks_a_package_is_not_called_unknown(monkeypatch: pytest.MonkeyPatch) -> None:
    """pyserial itself hides an ImportError in a handler behind 'protocol not known'."""
    monkeypatch.setattr("drivers.opening.HANDLERS", "tests.urls")
    with pytest.raises(PortError, match="a_module_that_nobody_has"):
        Port("broken://x").open()
    serial.protocol_handler_packages.remove("tests.urls")


def test_the_handlers_are_registered_once() -> None:
    register_handlers()
    register_handlers()

    assert serial.protocol_handler_packages.count("drivers.urls") == 1


@needs_pty
def test_a_second_program_on_the_same_port_is_one_clear_line(pty: tuple[int, str]) -> None:
    program = "import serial, sys, time; p = serial.Serial(sys.argv[1], exclusive=True); print('open', flush=True)"
    program += "; time.sleep(60)"
    with subprocess.Popen([sys.executable, "-c", program, pty[1]], stdout=subprocess.PIPE) as other:
        assert other.stdout is not None and other.stdout.readline() == b"open\n"
        with pytest.raises(PortError, match="is in use by") as caught:
            Port(pty[1]).open()
        other.kill()
    if sys.platform.startswith("linux"):
        assert f"(process {other.pid})" in caught.value.what
    assert "Close that program" in str(caught.value)


@linux
@needs_pty
def test_the_listing_says_who_holds_a_port_without_opening_it(pty: tuple[int, str]) -> None:
    before = len(list(Path("/proc/self/fd").iterdir()))
    found = portlist.ports(lambda: [PortInfo(name=pty[1], vid=1, pid=2), PortInfo(name="/dev/ttyNONE9")])

    assert "this program itself" in found[0].held_by and found[0].vid == 1 and found[1].held_by == ""
    assert len(list(Path("/proc/self/fd").iterdir())) == before


def test_the_systems_own_listing_can_be_read() -> None:
    assert all(isinstance(port, PortInfo) and port.name for port in portlist.ports())


@needs_pty
def test_what_arrives_while_the_lines_settle_is_dropped_and_not_logged(pty: tuple[int, str]) -> None:
    port = Port(pty[1], PortSettings(settle_ms=120))
    import threading

    boot = threading.Timer(0.03, os.write, (pty[0], b"boot text\n"))
    boot.start()
    port.open()
    boot.join()
    os.write(pty[0], b"1.0\n")

    assert port.read(1.0) == b"1.0\n" and [piece.data for piece in port.drained()] == [b"1.0\n"]
    port.close()


@needs_pty
def test_a_reading_is_handed_over_at_once_and_not_after_a_timeout(pty: tuple[int, str]) -> None:
    port = Port(pty[1])
    port.open()
    late = []
    for _ in range(50):
        start = time.perf_counter()
        os.write(pty[0], b"1.0\n")
        assert port.read(1.0) == b"1.0\n"
        late.append(time.perf_counter() - start)
    port.close()

    assert sorted(late)[25] < 0.005


def test_what_is_written_to_a_loop_comes_back_whole() -> None:
    port = Port("loop://")
    port.open()
    port.write(b"abc" * 100)
    got = b""
    while len(got) < 300:
        got += port.read(0.5)

    assert got == b"abc" * 100 and port.read(0.0) == b""
    assert port.drained()[0].direction == "tx"
    port.close()


def test_a_closed_port_is_a_lost_one() -> None:
    port = Port("loop://")
    with pytest.raises(PortLostError):
        port.read(0.1)
    port.open()
    port.close()
    with pytest.raises(PortLostError):
        port.write(b"x")


def test_what_the_system_says_is_told_without_its_numbers() -> None:
    refused = OSError(errno.EIO, f"write failed: [Errno {errno.EIO}] {os.strerror(errno.EIO)}")
    assert str(opening_failed("COM4", refused)) == (
        f"Port COM4 cannot be opened: write failed: {os.strerror(errno.EIO)}."
    )


def test_profile_text_becomes_the_bytes_that_it_stands_for() -> None:
    assert [wire_bytes(text) for text in ("\\n", "\\x03", "D", "\\r\\n", "\n")] == [
        b"\n",
        b"\x03",
        b"D",
        b"\r\n",
        b"\n",
    ]
    with pytest.raises(PortError, match="cannot be sent"):
        wire_bytes("\\x0")
