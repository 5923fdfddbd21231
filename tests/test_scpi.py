"""A SCPI instrument behind a pty, TCP, VISA and a USBTMC device file: one conversation, the same readings."""

from __future__ import annotations

import os
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import msgspec
import pytest

from drivers.decode.tables import Scpi
from drivers.meter import Batch, Meter
from drivers.port import PortError
from drivers.profile import Poll, Profile
from drivers.reading import Coupling, Quantity, Reading, Status
from drivers.urls import protocol_usbtmc
from tests.instruments import PtyEnd, Rfc2217End, ScpiInstrument, TcpEnd, behind

needs_pty = pytest.mark.skipif(not hasattr(os, "openpty"), reason="this system has no pseudo-terminals")
VALUES = ("+1.00000000E+00", "-.00002", "+9.90000000E+37", "9.91E37", "230")
SEEN = [(Status.OK, 1.0), (Status.OK, -2e-5), (Status.OVERLOAD, None), (Status.INVALID, None), (Status.OK, 230.0)]


def profile(*, timeout: str = "0.25 s", **keys: object) -> Profile:
    table = msgspec.convert({"family": "scpi", "coupling": "dc", **keys}, Scpi)
    return Profile(schema=1, title="bench", decode=table, poll=Poll(timeout=timeout))


def run(meter: Meter, enough: Callable[[Batch], bool], limit: float = 8.0) -> Batch:
    """Everything that the meter gives until `enough` of all that came, or the time is over."""
    total = meter.open()
    end = time.monotonic() + limit
    while not enough(total) and time.monotonic() < end:
        _add(total, meter.read())
    _add(total, meter.close())
    return total


def _add(total: Batch, more: Batch) -> None:
    total.readings += more.readings
    total.events += more.events
    total.wire += more.wire


def readings(count: int) -> Callable[[Batch], bool]:
    return lambda batch: len(batch.readings) >= count


@contextmanager
def pty(instrument: ScpiInstrument) -> Iterator[str]:
    with behind(PtyEnd, instrument) as name:
        yield name


@contextmanager
def tcp(instrument: ScpiInstrument) -> Iterator[str]:
    with behind(TcpEnd, instrument) as name:
        yield name


@contextmanager
def rfc2217(instrument: ScpiInstrument) -> Iterator[str]:
    with behind(Rfc2217End, instrument) as name:
        yield name


@contextmanager
def visa(instrument: ScpiInstrument) -> Iterator[str]:
    """The same instrument inside the VISA simulator, whose own dialogues cannot lose an answer."""
    pyvisa = pytest.importorskip("pyvisa", reason="PyVISA is not installed")
    devices = pytest.importorskip("pyvisa_sim.devices", reason="pyvisa-sim is not installed")

    class Simulated(devices.Device):  # type: ignore[misc,name-defined]  # an untyped package
        def __init__(self) -> None:
            super().__init__("bench", b";")
            self.output: list[tuple[bytes, bool]] = []

        def write(self, data: bytes) -> None:
            message = b"".join(instrument.take(data))
            self.output += [(message[at : at + 1], at + 1 == len(message)) for at in range(len(message))]

        def read(self) -> tuple[bytes, bool]:
            return self.output.pop(0) if self.output else (b"", False)

    resource = f"TCPIP::bench-{id(instrument)}::INSTR"
    manager = pyvisa.ResourceManager("@sim")
    device = Simulated()
    device.add_eom("TCPIP INSTR", "\n", "\n")
    manager.visalib.devices.add_device(pyvisa.rname.to_canonical_name(resource), device)
    yield f"visa://{resource}?backend=@sim"


@contextmanager
def usbtmc(instrument: ScpiInstrument) -> Iterator[str]:
    """A device file that is a raw pseudo-terminal: whole messages, and silence as the kernel's driver reports it."""
    instrument.piece = 4096
    end = PtyEnd(instrument)
    tty.setraw(end._slave)
    try:
        yield f"usbtmc://{end.name}"
    finally:
        end.close()


class PatientDevice(protocol_usbtmc.KernelDevice):
    """The kernel's part of a USBTMC read that a pseudo-terminal does not play: the timeout."""

    seconds = 1.0

    def patience(self, seconds: float) -> None:
        super().patience(seconds)
        self.seconds = seconds

    def read(self) -> bytes:
        import select

        if not select.select([self._fd], [], [], self.seconds)[0]:
            raise TimeoutError(110, "Connection timed out")
        return super().read()


@needs_pty
@pytest.mark.parametrize("far_end", [pty, tcp, rfc2217, visa, usbtmc])
def test_a_whole_conversation_gives_the_same_readings_over_every_kind_of_port(
    far_end: Callable[[ScpiInstrument], Iterator[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """With a setting that the instrument does not know (-113) and a query whose answer is lost (-410)."""
    monkeypatch.setattr(protocol_usbtmc, "KernelDevice", PatientDevice)
    instrument = ScpiInstrument(VALUES, interrupted=[2])
    with far_end(instrument) as name:  # type: ignore[attr-defined]  # a context manager
        meter = Meter("v", profile(setup=["FOO:BAR 1"]), name, clock=time.monotonic)
        got = run(meter, readings(5))

    assert [(each.status, each.value) for each in got.readings[:5]] == SEEN
    assert meter.identity == "BENCH WORKS,METER 5,0,1.0"
    errors = [
        (event.detail["code"], event.detail["command"]) for event in got.events if event.kind == "instrument-error"
    ]
    assert errors == [("-113", "FOO:BAR 1"), ("-410", "READ?")]
    assert instrument.heard[-1] == "READ?" and instrument.function == "VOLT:DC"


@needs_pty
def test_read_unknown_to_the_instrument_gives_way_to_measure() -> None:
    instrument = ScpiInstrument(["+5.0E+00"], unknown=["READ"])
    with pty(instrument) as name:
        got = run(Meter("v", profile(), name, clock=time.monotonic), readings(3))

    assert [each.value for each in got.readings[:3]] == [5.0] * 3
    assert "MEAS:VOLT:DC?" in instrument.heard and instrument.heard.count("READ?") == 1


@needs_pty
def test_an_instrument_silent_on_all_but_measure_is_still_read() -> None:
    """No error queue, no identity: only silence tells, and it costs about a second a question."""
    instrument = ScpiInstrument(["+5.0E+00"], unknown=["READ", "*IDN"], quiet_errors=True)
    started = time.monotonic()
    with pty(instrument) as name:
        got = run(Meter("v", profile(), name, clock=time.monotonic), readings(1))

    assert [each.value for each in got.readings[:1]] == [5.0]
    assert time.monotonic() - started < 4.0


@needs_pty
def test_a_refused_function_never_labels_another_functions_readings() -> None:
    """CONF:CURR:AC is unknown: READ? would go on giving volts, so it is not asked."""
    instrument = ScpiInstrument(["+230.0E+00"], unknown=["CONF:CURR", "MEAS:CURR"])
    with pty(instrument) as name:
        meter = Meter("v", profile(), name, clock=time.monotonic)
        meter.open()
        before = meter.measure(Quantity.CURRENT, Coupling.AC).readings
        after = [reading for _ in range(5) for reading in meter.read().readings]
        back = meter.measure(Quantity.VOLTAGE, Coupling.DC)
        volts = [reading for _ in range(5) for reading in meter.read().readings]
        meter.close()

    assert before == [] and after == [] and back.readings == []
    assert {(each.quantity, each.coupling) for each in volts} == {(Quantity.VOLTAGE, Coupling.DC)}


@needs_pty
def test_measure_sets_the_function_and_the_readings_say_so() -> None:
    instrument = ScpiInstrument(["+1.0E+02"])
    with pty(instrument) as name:
        meter = Meter("v", profile(range="10 V", resolution="1 mV"), name, clock=time.monotonic)
        first = run_some(meter)
        meter.measure(Quantity.RESISTANCE, Coupling.NONE)
        second = [reading for _ in range(3) for reading in meter.read().readings]
        meter.close()

    assert first.range == 10.0 and first.unit == "V"
    assert {(each.quantity, each.unit, each.range) for each in second} == {(Quantity.RESISTANCE, "Ohm", None)}
    assert "CONF:RES" in instrument.heard


def run_some(meter: Meter) -> Reading:
    meter.open()
    while not (batch := meter.read()).readings:
        continue
    return batch.readings[0]


@needs_pty
@pytest.mark.parametrize("piece", [1, 7])
def test_a_list_of_readings_comes_value_by_value(piece: int) -> None:
    instrument = ScpiInstrument([f"+{n}.0E+00" for n in range(1, 30)], piece=piece)
    with pty(instrument) as name:
        got = run(Meter("v", profile(samples=5), name, clock=time.monotonic), readings(20))

    assert [each.value for each in got.readings[:20]] == [float(n) for n in range(1, 21)]
    assert instrument.heard.count("SAMP:COUN 5") == 1


class Unquoted(ScpiInstrument):
    """Its error texts have no quotes."""

    def answer(self, message: str) -> str:
        return super().answer(message).replace('"', "")


@needs_pty
def test_errors_without_quotes_are_read_too() -> None:
    with pty(Unquoted(["+1.0E+00"])) as name:
        got = run(Meter("v", profile(setup=["FOO 1"]), name, clock=time.monotonic), readings(1))

    assert [(event.kind, event.detail["code"], event.detail["text"]) for event in got.events] == [
        ("instrument-error", "-113", "Undefined header")
    ]


class LateAnswer(ScpiInstrument):
    """Its second reading comes only after the next message has come in."""

    late: bytes = b""

    def take(self, data: bytes) -> list[bytes]:
        out, self.late = ([self.late] if self.late else []), b""
        answers = super().take(data)
        if self.reads == 2 and b"READ?" in data:
            self.late = b"".join(answers)
            return out
        return out + answers


@needs_pty
def test_a_late_answer_never_answers_the_next_question() -> None:
    instrument = LateAnswer(["+1.0E+00", "+2.0E+00", "+3.0E+00", "+4.0E+00"])
    with pty(instrument) as name:
        got = run(Meter("v", profile(), name, clock=time.monotonic), readings(3))

    assert [each.value for each in got.readings[:3]] == [1.0, 3.0, 4.0]
    assert [event.detail["bytes"] for event in got.events if event.kind == "resync"] == [str(len("+2.0E+00"))]


class Prompting(ScpiInstrument):
    """A prompt after every command, and the command itself echoed before it."""

    def take(self, data: bytes) -> list[bytes]:
        return [data.strip() + b"\r\n", *super().take(data), b"=>\r\n"]


@needs_pty
def test_prompts_and_an_echo_are_no_readings() -> None:
    with pty(Prompting(["+1.0E+00", "+2.0E+00"])) as name:
        got = run(Meter("v", profile(prompts=["=>"]), name, clock=time.monotonic), readings(4))

    assert [each.value for each in got.readings[:4]] == [1.0, 2.0, 2.0, 2.0]
    assert [event for event in got.events if event.kind == "resync"] == []


@needs_pty
def test_a_meter_switched_off_and_on_is_set_up_again_before_it_is_read() -> None:
    """A bench meter wakes up on DC volts: readings after that must not pass for the AC that was asked for."""
    instrument = ScpiInstrument(["+1.0E+00"])
    awake = instrument.answer
    with pty(instrument) as name:
        meter = Meter("v", profile(), name, clock=time.monotonic)
        run_some(meter)
        instrument.answer = lambda message: ""  # type: ignore[method-assign]  # switched off
        for _ in range(4):
            meter.read()
        instrument.heard.clear()
        instrument.answer = awake  # type: ignore[method-assign]
        end = time.monotonic() + 5
        while not meter.read().readings and time.monotonic() < end:
            continue
        meter.close()

    assert "CONF:VOLT:DC" in instrument.heard
    assert instrument.heard.index("CONF:VOLT:DC") < instrument.heard.index("READ?")


class Panel(ScpiInstrument):
    """It says which function is on, and somebody can turn it."""

    def answer(self, message: str) -> str:
        return f'"{self.function}"' if message == "FUNC?" else super().answer(message)


@needs_pty
def test_a_function_turned_at_the_front_panel_never_passes_for_the_one_that_was_set() -> None:
    instrument = Panel(["+1.0E+00"])
    with pty(instrument) as name:
        meter = Meter("v", profile(verify="FUNC?"), name, clock=time.monotonic)
        run_some(meter)
        instrument.function, instrument.values = "VOLT:AC", ["+9.0E+00"]
        turned = meter.read()
        while not turned.events:
            add = meter.read()
            turned.events += add.events
            turned.readings += add.readings
        instrument.values = ["+2.0E+00"]
        while not (after := meter.read().readings):
            continue
        meter.close()

    assert {each.value for each in turned.readings} <= {1.0}
    assert [event.detail["code"] for event in turned.events] == ["function-changed"]
    assert instrument.function == "VOLT:DC" and after[0].value == 2.0


@needs_pty
def test_an_instrument_that_does_not_know_the_question_for_its_function_is_read_as_ever() -> None:
    instrument = ScpiInstrument(["+1.0E+00"])
    with pty(instrument) as name:
        meter = Meter("v", profile(verify="FUNC?"), name, clock=time.monotonic)
        first, then = run_some(meter), meter.read()
        meter.close()

    assert "FUNC?" in instrument.heard and first.value == 1.0 and not then.events and not instrument.errors


def test_a_missing_visa_package_is_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "pyvisa", None)

    with pytest.raises(PortError, match=r"pip install 'chassislog\[visa\]'"):
        Meter("v", profile(), "visa://TCPIP::10.0.0.7::INSTR", clock=time.monotonic).open()


def test_an_unknown_visa_resource_is_one_line() -> None:
    pytest.importorskip("pyvisa_sim", reason="pyvisa-sim is not installed")

    with pytest.raises(PortError, match="takes messages") as caught:
        Meter("v", profile(), "visa://NONSENSE?backend=@sim", clock=time.monotonic).open()
    assert "\n" not in str(caught.value)


@needs_pty
def test_an_unplugged_usbtmc_device_is_a_lost_port(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Gone(PatientDevice):
        def write(self, message: bytes) -> None:
            if unplugged:
                raise OSError(19, "No such device")
            super().write(message)

    unplugged: list[bool] = []
    monkeypatch.setattr(protocol_usbtmc, "KernelDevice", Gone)
    with usbtmc(ScpiInstrument(["+1.0E+00"])) as name:
        meter = Meter("v", profile(), name, clock=time.monotonic)
        run_some(meter)
        unplugged.append(True)
        events = [event.kind for _ in range(4) for event in meter.read().events]
        unplugged.clear()
        end = time.monotonic() + 5
        while "port-back" not in events and time.monotonic() < end:
            events += [event.kind for event in meter.read().events]
        meter.close()

    assert events == ["port-lost", "port-back"]
