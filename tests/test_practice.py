"""The practice bench: its meters through real pyserial, decoded as any meter is, against a network solved elsewhere.

Longer than other files, since every scenario is held against the same solved networks.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from dataclasses import replace

import pytest
import serial

from drivers import practice_scenario
from drivers.decode.families import build
from drivers.practice import PracticeBench, at_speed, bench_of, meters_of, put_bench, truth
from drivers.practice_meters import FreeVoice
from drivers.practice_scenario import PracticeError, read_scenario, shipped
from drivers.profile import load as load_profile
from drivers.reading import Coupling, Quantity, Reading, Status
from tests.simulated_circuit import STATES, Circuit, Element, body_current, pin_ohms, solve
from tests.simulated_meter import Meter, reading_of

NAMES = sorted(shipped())
LEAD = 60e-12


class BenchClock:
    """Time that passes only by waiting for it."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.now += max(0.0, seconds)


@pytest.fixture(autouse=True)
def _handlers() -> None:
    if "drivers.urls" not in serial.protocol_handler_packages:
        serial.protocol_handler_packages.append("drivers.urls")


def fresh(name: str, seed: int = 1) -> tuple[PracticeBench, BenchClock]:
    """A bench of its own at full speed, shared with the ports that are opened on it."""
    clock = BenchClock()
    return put_bench(PracticeBench(practice_scenario.load(name), seed=seed, clock=clock, sleep=clock.sleep)), clock


def circuit_of(name: str) -> Circuit:
    """A scenario's circuit for the other solver, which shares no code with the bench."""
    scenario = practice_scenario.load(name)
    words = {"leg-a": "a", "leg-b": "b", "chassis": "c", "earth": "e", "earth-pin": "pe"}
    return Circuit(
        elements=tuple(
            Element(words.get(b.one, b.one), words.get(b.other, b.other),
                    b.resistance, b.capacitance, b.inductance, b.cold)
            for b in scenario.branches()
        ),
        points={point: words.get(point, point) for point in scenario.radio.points},
        mains=float(scenario.mains.level.removesuffix(" V")),
        frequency=float(scenario.radio.frequency.removesuffix(" Hz")),
        neutral=float(scenario.mains.neutral.removesuffix(" V")),
        leg_a=scenario.circuit.leg_a_pin,
        switched_a="a" in scenario.circuit.switch_breaks,
        switched_b="b" in scenario.circuit.switch_breaks,
    )  # fmt: skip


class Reader:
    """A port of the practice bench with the decoder of its profile."""

    def __init__(self, name: str, role: str) -> None:
        self.port = serial.serial_for_url(f"practice://{name}?meter={role}", timeout=0.5)
        self.framer, self.decode = build(load_profile(meters_of(name)[role]))
        self.asks = meters_of(name)[role] == "scpi-bench"

    def ask(self, text: str) -> bytes:
        self.port.write(text.encode() + b"\n")
        got = b""
        while not got.endswith(b"\n") and (data := self.port.read(64)):
            got += data
        return got

    def readings(self, count: int = 3) -> list[Reading]:
        found: list[Reading] = []
        for _ in range(40 * count):
            if self.asks:
                data = self.ask("READ?")
                found += [r for r in self.decode(data.strip(), 0.0) if isinstance(r, Reading)]
            else:
                for item in self.framer.feed(self.port.read(3)):
                    found += [r for r in self.decode(item.raw, 0.0) if isinstance(r, Reading)]
            if len(found) >= count:
                return found
        raise AssertionError("the meter sent no reading")


def mean(readings: list[Reading]) -> float:
    assert all(r.status is Status.OK and r.value is not None for r in readings), readings
    return sum(r.value or 0.0 for r in readings) / len(readings)


def test_there_is_a_scenario_of_each_kind_of_set() -> None:
    kinds = [truth(name).chassis_kind for name in NAMES]

    assert len(NAMES) >= 7
    assert set(kinds) >= {"tied", "tied-through-switch", "rc-coupled", "line-capacitor", "isolated"}
    assert any("leak" in practice_scenario.load(name).title for name in NAMES)
    assert all(set(truth(n).levels) == set(practice_scenario.load(n).radio.points) for n in NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_the_stated_levels_follow_from_the_circuit(name: str) -> None:
    """Below 30 V within; else by the current through the IEC 60990 network: below 0.5 mA within, from 5 mA danger."""
    circuit = circuit_of(name)
    nominal = float(practice_scenario.load(name).radio.nominal_mains.removesuffix(" V"))
    scale = max(1.0, 1.1 * nominal / circuit.mains)
    order = ["within", "caution", "danger"]
    for point, sources in solve(circuit).items():
        worst = "within"
        for source in sources.values():
            amperes = body_current(source, circuit.frequency)
            if abs(source.volts) * scale >= 30 and amperes * scale >= 0.5e-3:
                worst = max(worst, "danger" if amperes >= 5e-3 else "caution", key=order.index)
        assert truth(name).levels[point] == worst, point


@pytest.mark.parametrize("name", NAMES)
def test_the_bench_meter_reads_every_state_as_the_circuit_has_it(name: str) -> None:
    bench, _ = fresh(name)
    circuit = circuit_of(name)
    meter = Meter(ohms=1e6, farads=100e-12, lead=LEAD)
    reader = Reader(name, "v")
    reader.ask("CONF:VOLT:AC\n*IDN?")
    for point, sources in solve(circuit).items():
        for (plug, switch), burden in ((s, b) for s in STATES for b in (None, 1e6, 100e3)):
            tags = {"point": point, "plug": plug, "switch": switch, "burden": f"{burden or 0:g} ohm" if burden else ""}
            bench.set_tags(tags)
            true = reading_of(sources[plug, switch], meter, circuit.frequency, burden)
            if not bench.tripped:
                shown = mean(reader.readings(2))
                assert bench.tripped or shown == pytest.approx(true, rel=2e-3, abs=2.5e-3), tags


@pytest.mark.parametrize("name", NAMES)
def test_the_handheld_reads_the_pins_with_the_plug_out(name: str) -> None:
    bench, _ = fresh(name)
    reader = Reader(name, "i")
    for (pin, switch), ohms in pin_ohms(circuit_of(name)).items():
        point = {"p1": "pin-1-to-chassis", "p2": "pin-2-to-chassis", "pe": "earth-pin-to-chassis"}[pin]
        bench.set_tags({"point": point, "switch": switch})
        reader.readings(1)  # the display that was under way when the clip moved
        reading = reader.readings(1)[0]
        assert reading.quantity is Quantity.RESISTANCE
        if ohms > 40e6:
            assert reading.status is Status.OVERLOAD, point
        else:
            assert reading.value == pytest.approx(ohms, rel=0.005, abs=0.25), point


@pytest.mark.parametrize("name", NAMES)
def test_the_auxiliary_transformer_gives_current_and_sagging_volts(name: str) -> None:
    bench, _ = fresh(name)
    scenario = practice_scenario.load(name)
    amperes, volts = [], []
    hand, bench_meter = Reader(name, "i"), Reader(name, "v")
    bench_meter.ask("CONF:VOLT:AC\n*IDN?")
    for load in ("none", "idle", "pairing", "playing", "loudest"):
        bench.set_tags({"point": "secondary", "load": load})
        hand.readings(1)
        amperes.append(mean(hand.readings(8)))
        volts.append(mean(bench_meter.readings(8)))
    assert scenario.secondary is not None
    stated = float(scenario.load["loudest"].current.removesuffix(" mA")) / 1e3
    assert amperes[0] == pytest.approx(0, abs=2e-4) and amperes == sorted(amperes)
    assert amperes[-1] == pytest.approx(stated, rel=0.03)
    # the winding's drop is what the current makes in its resistance
    winding = float(scenario.secondary.resistance.removesuffix(" ohm"))
    assert volts[0] - volts[-1] == pytest.approx(stated * winding, rel=0.1)


def test_rails_are_direct_volts_and_hum_depends_on_the_arrangement() -> None:
    name = "chassis-leg-120"
    bench, _ = fresh(name)
    reader = Reader(name, "v")
    bench.set_tags({"point": "rail-negative", "load": "playing"})
    reader.ask("CONF:VOLT:DC\n*IDN?")
    rail = reader.readings(1)[0]
    reader.ask("CONF:VOLT:AC\n*IDN?")
    hum = []
    for arrangement in ("A", "B"):
        bench.set_tags({"point": "speaker", "arrangement": arrangement})
        hum.append(mean(reader.readings(20)))

    assert rail.value is not None and rail.value == pytest.approx(-12.06, abs=0.03)
    assert hum == pytest.approx([2.1e-3, 1.05e-3], abs=6e-4)


def test_the_asked_meter_keeps_an_error_queue_and_is_silent_to_the_unknown() -> None:
    name = NAMES[0]
    bench, clock = fresh(name)
    reader = Reader(name, "v")

    assert reader.ask("*IDN?").count(b",") == 3
    assert reader.ask("SYST:ERR?") == b'+0,"No error"\r\n'
    assert reader.ask("BLAH:FOO?") == b""
    assert reader.ask(":system:error?").startswith(b"-113,")
    bench.set_tags({"point": "pin-1-to-chassis", "switch": "off", "plug": "1"})
    assert reader.ask("MEASure:RESistance?") == b"+9.90000000E+37\r\n"
    before = clock.now
    reader.ask("MEAS:VOLT:AC?")
    assert 0.15 < clock.now - before < 0.6


def test_the_free_running_meter_sends_three_to_four_displays_a_second_in_pieces() -> None:
    name = NAMES[0]
    _, clock = fresh(name)
    port = serial.serial_for_url(f"practice://{name}?meter=i", timeout=0.5)
    began = clock.now
    pieces = [port.read(64) for _ in range(40)]

    assert b"".join(pieces)[0::14] == bytes([b"".join(pieces)[0]]) * 20
    assert 3.0 < 20 / (clock.now - began) < 4.0
    assert len({len(piece) for piece in pieces}) > 3


def test_a_user_who_confirms_but_never_turns_the_plug_keeps_the_first_way_round() -> None:
    name = "far-leg-230"  # live with plug 2 in the first way: leg A is on pin 2
    bench, _ = fresh(name)
    reader = Reader(name, "v")
    reader.ask("CONF:VOLT:AC\n*IDN?")
    bench.set_tags({"point": "chassis", "plug": "2", "switch": "on"})
    live = mean(reader.readings())
    bench.do("plug", "1")
    bench.set_tags({"point": "chassis", "plug": "1", "switch": "on"})
    low = mean(reader.readings())
    bench.set_tags({"point": "chassis", "plug": "2", "switch": "on"})

    assert live > 200 > 5 > low
    assert mean(reader.readings()) < 5
    bench.follow_tags()
    assert mean(reader.readings()) > 200
    bench.by_hand("switch")
    bench.set_tags({"point": "chassis", "plug": "2"})
    assert bench.seen("v").value == pytest.approx(live, rel=0.01)


@pytest.mark.parametrize(
    ("hazard", "point", "below"),
    [("dead_socket", "mains-line", 5), ("earth_clip_off", "mains-line", 40), ("probe_in_air", "chassis", 3),
     ("dead_socket", "chassis", 5), ("trip", "chassis", 5)],
)  # fmt: skip
def test_what_goes_wrong_reads_low_on_a_live_chassis(hazard: str, point: str, below: float) -> None:
    name = "far-leg-230"
    bench, _ = fresh(name)
    reader = Reader(name, "v")
    reader.ask("CONF:VOLT:AC\n*IDN?")
    bench.set_tags({"point": point, "plug": "2", "switch": "on"})
    assert mean(reader.readings(1)) > 200
    bench.do(hazard, True)
    assert mean(reader.readings(1)) < below
    bench.do(hazard, False)
    assert mean(reader.readings(1)) > 200


def test_a_small_burden_trips_the_device_until_somebody_goes_on() -> None:
    name = "leaking-capacitor-230"
    bench, _ = fresh(name)
    live = {"point": "chassis", "plug": "1", "switch": "on"}
    bench.set_tags(live | {"burden": "100 kohm"})
    assert bench.seen("v").value == pytest.approx(180, abs=15) and not bench.tripped
    fresh_name = "far-leg-230"
    bench, _ = fresh(fresh_name)
    bench.set_tags({"point": "chassis", "plug": "2", "switch": "on", "burden": "2 kohm"})
    bench.seen("v")
    assert bench.tripped and (bench.seen("v").value or 0) < 5
    bench.set_tags({"point": "chassis", "plug": "2", "switch": "on"})
    assert not bench.tripped


def test_continuity_of_clip_to_point_tells_a_probe_in_the_air() -> None:
    bench, _ = fresh("far-leg-230")
    bench.set_tags({"point": "chassis", "quantity": "resistance"})
    assert bench.seen("i").value == pytest.approx(0.2)
    bench.do("probe_in_air", True)
    assert bench.seen("i").value is None


def test_a_function_that_the_handheld_has_not_gives_silence_and_a_word_that_no_knob_has_changes_nothing() -> None:
    bench, clock = fresh("far-leg-230")
    port = serial.serial_for_url("practice://far-leg-230?meter=i", timeout=0.5)
    bench.set_tags({"point": "air", "load": "cold"})
    began = clock.now
    assert [port.read(64) for _ in range(10)] == [b""] * 10 and 1 < clock.now - began < 6
    assert Reader("far-leg-230", "v").ask("MEAS:TEMP?").startswith(b"+2.1")
    bench, _ = fresh("far-leg-230")
    bench.set_tags({"point": "chassis", "quantity": "heaviness"})
    assert bench.function("i") == (Quantity.VOLTAGE, Coupling.AC)


def test_the_tags_turn_the_knob_of_the_meter_that_is_asked() -> None:
    bench, _ = fresh("chassis-leg-120")
    bench.set_tags(
        {"point": "chassis", "plug": "1", "switch": "on", "quantity": "voltage", "coupling": "ac", "meter": "i"}
    )

    assert bench.function("i") == (Quantity.VOLTAGE, Coupling.AC)
    bench.turn_knob("v", Quantity.RESISTANCE, Coupling.NONE)
    assert bench.function("v") == (Quantity.RESISTANCE, Coupling.NONE)


def test_a_bench_may_run_faster_than_the_clock_on_the_wall() -> None:
    """Ten displays of the free-running meter take about 2.9 s of the bench's time, here 29 ms."""
    clock, sleep = at_speed(100)
    put_bench(PracticeBench(practice_scenario.load("rc-coupled-120"), clock=clock, sleep=sleep))
    began = time.monotonic()
    assert len(Reader("rc-coupled-120", "i").readings(10)) == 10
    assert 0.02 < time.monotonic() - began < 1.5
    with pytest.raises(ValueError, match="speed"):
        at_speed(0)


def test_a_seed_gives_the_same_bytes_again() -> None:
    def bytes_of(seed: int) -> bytes:
        bench, _ = fresh("line-capacitor-230", seed)
        bench.set_tags({"point": "chassis", "plug": "1", "switch": "on"})
        port = serial.serial_for_url("practice://line-capacitor-230?meter=i", timeout=0.5)
        return b"".join(port.read(64) for _ in range(20))

    assert bytes_of(3) == bytes_of(3) != bytes_of(4)


def test_every_display_can_be_shown() -> None:
    """Ohms from milliohms to open, volts from microvolts: always a frame, decoded to within a count and the noise."""
    bench, _ = fresh(NAMES[0])
    voice = FreeVoice(bench, "i")
    decode = build(load_profile("numbered-lcd"))[1]
    for exponent in range(-6, 9):
        for quantity, coupling in ((Quantity.RESISTANCE, Coupling.NONE), (Quantity.VOLTAGE, Coupling.AC),
                                   (Quantity.VOLTAGE, Coupling.DC), (Quantity.CURRENT, Coupling.AC)):  # fmt: skip
            for digits in (1.0, 3.9994, 3.9996, 9.9996):
                value = digits * 10.0**exponent
                bench.seen = lambda role, q=quantity, c=coupling, v=value: replace(  # type: ignore[method-assign,misc]
                    PracticeBench.seen(bench, role), quantity=q, coupling=c, value=v
                )
                (reading,) = decode(voice.frame(), 0.0)
                assert isinstance(reading, Reading) and reading.quantity is quantity
                if reading.status is Status.OK:
                    assert reading.value is not None and reading.resolution is not None
                    assert reading.value == pytest.approx(value, rel=4e-3, abs=1.4 * reading.resolution)
                else:
                    top = {Quantity.RESISTANCE: 3.9e7, Quantity.VOLTAGE: 990.0, Quantity.CURRENT: 9.9}[quantity]
                    assert reading.status is Status.OVERLOAD and value > top


def test_ports_of_one_process_share_a_bench_and_may_be_used_at_once() -> None:
    fresh("rc-coupled-120")
    assert bench_of("rc-coupled-120") is bench_of("rc-coupled-120")
    failures: list[BaseException] = []

    def hammer(role: str) -> None:
        try:
            for n in range(60):
                bench_of("rc-coupled-120").set_tags({"point": "chassis", "plug": str(1 + n % 2), "switch": "on"})
                bench_of("rc-coupled-120").seen(role)
        except BaseException as exc:  # noqa: BLE001  # whatever it was, the test reports it
            failures.append(exc)

    threads = [threading.Thread(target=hammer, args=(role,)) for role in ("v", "i", "v")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not failures


@pytest.mark.parametrize(
    ("url", "words"),
    [("practice://nowhere?meter=v", "chassis-leg-120"), ("practice://far-leg-230?meter=x", "v, i"),
     ("practice://far-leg-230?metre=v", "metre"), ("practice://", "SCENARIO")],
)  # fmt: skip
def test_a_mistyped_port_is_refused_in_one_line(url: str, words: str) -> None:
    with pytest.raises(PracticeError) as told:
        serial.serial_for_url(url)
    assert words in str(told.value) and "\n" not in str(told.value)


def good() -> str:
    return shipped()["far-leg-230"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("schema = 2\n" + good().partition("\n")[2], "Schema 2"),
        (good().replace("233.8 V", "233.8 A"), "mains.level"),
        (good().replace('role = "v"', 'roll = "v"'), "roll"),
        (good().replace('"2300 ohm"', '"many ohm"'), "part"),
        ("[[[", "TOML"),
    ],
)
def test_a_bad_scenario_names_its_file_and_key(text: str, words: str) -> None:
    with pytest.raises(PracticeError, match=r"own\.toml") as told:
        read_scenario(text, "own", "own.toml")
    assert words in str(told.value)


@pytest.mark.parametrize(("action", "value"), [("dance", "1"), ("plug", "3"), ("switch", True)])
def test_an_action_that_the_bench_does_not_have_is_refused(action: str, value: str | bool) -> None:
    with pytest.raises(PracticeError):
        fresh("far-leg-230")[0].do(action, value)


@pytest.fixture(autouse=True, scope="module")
def _forget_benches() -> Iterator[None]:
    yield
    for name in NAMES:
        put_bench(PracticeBench(practice_scenario.load(name)))
