"""A restorer at the bench with a simulated radio: rows, takes and trips, and whatever goes wrong."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial

from drivers.reading import Status
from tests.simulated_circuit import Source, State, pin_ohms, solve
from tests.simulated_meter import Meter, Row, air_reading, random_meter, reading_of
from tests.simulated_radio import Burden, SimulatedRadio, Sitting, Taken

Tags = Mapping[str, str]


def volts(meter: Meter, true: float, rng: random.Random) -> Callable[[], Row]:
    """Makes readings of a true voltage."""
    return partial(meter.volts, true, rng)


class Bench:
    """Records one sitting: rows with the tags in force, takes, trips."""

    def __init__(self, sitting: Sitting, rng: random.Random, *, takes: bool) -> None:
        self.sitting, self.rng, self.takes = sitting, rng, takes
        self.clock, self.take_id = 0.5, 0

    def rows(self, make: Callable[[], Row], count: int, tags: Tags) -> list[Row]:
        made = []
        for _ in range(count):
            row = make()
            self.clock += self.rng.uniform(0.2, 0.45)
            row["elapsed_s"] = self.clock
            row.update(tags)
            made.append(row)
        self.sitting.rows += made
        self.sitting.end = self.clock
        return made

    def event(self, kind: str, detail: str, meter: str = "") -> None:
        self.clock += 0.01
        self.sitting.events.append(
            {"time": "", "elapsed_s": self.clock, "kind": kind, "meter": meter, "detail": detail}
        )

    def take(self, rows: list[Row], first: int) -> float | None:
        """A take of settled rows (the last ones given), if this sitting has takes; the value that counts."""
        values = sorted(float(str(row["value"])) for row in rows if row["value"] is not None)
        if not values or rows[-1]["status"] != "ok":
            return None
        value = values[len(values) // 2]
        if self.takes:
            self.take_id += 1
            last = rows[-1]
            self.event(
                "take",
                f"id={self.take_id}; quantity={last['quantity']}; coupling={last['coupling']}; value={value:.9g}; "
                f"unit={last['unit']}; scatter={values[-1] - values[0]:.3g}; rows={first}-{first + len(rows) - 1}",
                str(last["meter"]),
            )
            return value
        return sum(values) / len(values)

    def settled(self, make: Callable[[], Row], tags: Tags, count: int = 0) -> float | None:
        first = len(self.sitting.rows)
        return self.take(self.rows(make, count or self.rng.choice([3, 4, 5]), tags), first)

    def pause(self) -> None:
        self.clock += self.rng.uniform(1, 5)


class Sitter:
    """One restorer measuring one radio, with whatever goes wrong."""

    def __init__(self, radio: SimulatedRadio, rng: random.Random, *, takes: bool, policy: str) -> None:
        self.radio, self.rng, self.takes, self.policy = radio, rng, takes, policy
        self.circuit = radio.made.circuit
        self.frequency = self.circuit.frequency
        self.meter = radio.meter
        self.second = random_meter(rng, "w")
        self.rcd = rng.choice([None, None, rng.uniform(0.015, 0.030), rng.uniform(0.004, 0.006)])
        stray = rng.uniform(15e-12, 80e-12)
        self.loose = 1 / (2j * math.pi * self.frequency * stray)
        self.collapsed = ""  #: `socket` or `clip`, once a fault of it has come
        feed = (rng.uniform(200e-12, 800e-12), rng.uniform(200e-12, 800e-12))
        isolated = "isolating-transformer" in radio.faults
        #: What the bench really has before it: the radio on the mains, or on an isolating transformer.
        self.sources = solve(replace(self.circuit, floating_feed=feed)) if isolated else radio.sources

    def truevolts(self, source: Source, burden: float | None = None) -> float:
        if self.collapsed == "socket":  # both contacts hang on the neutral
            return self.circuit.neutral * abs(source.volts) / (self.circuit.mains + self.circuit.neutral)
        clip = self.loose if self.collapsed == "clip" else None
        return reading_of(source, self.meter, self.frequency, burden, clip)

    def proof(self, bench: Bench, index: int) -> None:
        """Line, neutral, and line to neutral of the socket."""
        radio, circuit = self.radio, self.circuit
        if "no-proof" in radio.faults:
            return
        meter = self.second if "other-meter-proof" in radio.faults else self.meter
        dead, loose = self.collapsed == "socket", self.loose if self.collapsed == "clip" else None
        line = Source(complex(circuit.neutral if dead else circuit.mains + circuit.neutral), 0.5)
        low = Source(complex(circuit.neutral), 0.5)
        if "isolating-transformer" in radio.faults:  # the socket of the isolating transformer floats
            line = low = Source(complex(circuit.mains * 0.5), 1 / (2j * math.pi * self.frequency * 1e-9))
        at_line = reading_of(line, meter, self.frequency, clip=loose)
        at_neutral = reading_of(low, meter, self.frequency, clip=loose)
        rng = self.rng
        read = bench.settled(volts(meter, at_line, rng), {"point": "mains-line"})
        neutral = bench.settled(volts(meter, at_neutral, rng), {"point": "mains-neutral"})
        if self.rng.random() < 0.5:
            bench.settled(volts(meter, 0.0 if dead else circuit.mains, rng), {"point": "mains"})
        if read is not None and neutral is not None:
            radio.proof[index][meter.role] = (read, neutral)

    def pins(self, bench: Bench) -> None:
        words = {"p1": "pin-1-to-chassis", "p2": "pin-2-to-chassis", "pe": "earth-pin-to-chassis"}
        for (pin, switch), ohms in pin_ohms(self.circuit).items():
            if (pin == "pe" and self.radio.made.plug != "earthed") or (
                self.radio.made.switch == "none" and switch == "off"
            ):
                continue
            read = partial(self.meter.resistance, ohms, self.rng)
            bench.settled(read, {"point": words[pin], "switch": switch}, 3)

    def look(self, bench: Bench, point: str, *, touches: bool) -> None:
        """Ohms between the clip and the metal beside it, plug out: as the guided plan asks."""
        if self.radio.looked:
            ohms = self.rng.uniform(0.05, 1.5) if touches else 1e12
            bench.settled(partial(self.meter.resistance, ohms, self.rng), {"point": point}, 3)

    def state(self, bench: Bench, index: int, point: str, state: State, fault: str) -> Taken:
        """The unloaded rows of one state."""
        tags = {"point": point, "plug": state[0], "switch": state[1]}
        true = self.truevolts(self.sources[point][state])
        air = air_reading(self.circuit.mains, self.meter, self.frequency)
        bench.pause()
        done = Taken(status="collapsed" if self.collapsed else "ok", sitting=index, role=self.meter.role)
        first = len(bench.sitting.rows)
        if fault == "missing":
            return replace(done, status="missing")
        if fault == "air":
            return replace(done, status="air", value=bench.settled(volts(self.meter, air, self.rng), tags))
        if fault == "late":
            value = bench.settled(volts(self.meter, air, self.rng), tags)
            rows = bench.rows(volts(self.meter, true, self.rng), self.rng.choice([2, 4]), tags)
            shown = [float(str(r["value"])) for r in rows if r["value"] is not None]
            return replace(done, status="late", value=max([value or 0.0, *shown]))
        if fault == "held":
            for row in bench.rows(volts(self.meter, true * self.rng.random(), self.rng), 3, tags):
                if row["value"] is not None:
                    row.update(status=str(Status.HELD), flags="auto hold")
            return replace(done, status="held")
        if fault == "noisy":
            for _ in range(6):
                wild = true * self.rng.uniform(0.3, 1.0) + self.rng.uniform(0.0, 2.0)
                bench.rows(volts(self.meter, wild, self.rng), 1, tags)
            return replace(done, status="unsettled")
        value = bench.settled(volts(self.meter, true, self.rng), tags)
        if bench.sitting.rows[first:][-1]["status"] == str(Status.OVERLOAD):
            return replace(done, status="overload")
        return replace(done, value=value)

    def burden_rows(self, bench: Bench, point: str, state: State, taken: Taken, limit: float) -> Taken:
        """Readings with burdens, from the largest down, as far as the box's ratings and the answer ask for."""
        source = self.sources[point][state]
        last = taken.value if taken.value is not None else self.radio.made.nominal
        read: list[tuple[Burden, float]] = []
        tags = {"point": point, "plug": state[0], "switch": state[1]}
        for burden in self.radio.burdens:
            if self.policy == "some" and self.rng.random() < 0.35:
                continue
            if last * last / burden.nominal > burden.power or last > burden.voltage:
                break
            true = self.truevolts(source, burden.true)
            bench.pause()
            if self.rcd is not None and true / burden.true > self.rcd and not self.collapsed:
                bench.rows(volts(self.meter, 0.0, self.rng), 2, {**tags, "burden": burden.text})
                detail = "; ".join(f"{key}={value}" for key, value in (*tags.items(), ("burden", burden.text)))
                bench.event("trip", detail, self.meter.role)
                return replace(taken, burdens=tuple(read), trip=True)
            value = bench.settled(volts(self.meter, true, self.rng), {**tags, "burden": burden.text})
            if value is None:
                break
            read.append((burden, value))
            last = value
            if value / burden.nominal >= 0.006 or (self.policy == "some" and self.rng.random() < 0.3):
                break
        return replace(taken, burdens=tuple(read))

    def sit(self, sittings: list[tuple[Sitting, tuple[State, ...]]]) -> None:
        """All sittings of the radio's latest stage, each with its share of the states."""
        radio, rng = self.radio, self.rng
        points = list(self.sources)
        faulty = self._faulty_states(points)
        if "dead-socket" in radio.faults:
            self.collapsed = "socket"
        if "clip-off" in radio.faults:
            self.collapsed = "clip"
        total = len(points) * len(radio.states)
        breaks_at = rng.randrange(total) if radio.faults & {"socket-dies", "clip-falls"} else total + 1
        done = 0
        for index, (sitting, states) in enumerate(sittings):
            bench = Bench(sitting, rng, takes=self.takes)
            bench.event("start", "")
            radio.proof.append({})
            if radio.pins_taken and index == 0:
                self.pins(bench)
            proves = len(sittings) == 1 or index in radio.lined
            if proves:
                self.proof(bench, index)
            for point in points:
                self.look(bench, point, touches=faulty.get((point, states[0])) != "air")
                for state in states:
                    if done == breaks_at:
                        self.collapsed = "socket" if "socket-dies" in radio.faults else "clip"
                    done += 1
                    fault = faulty.get((point, state), "")
                    radio.taken[point, state] = self.state(bench, index, point, state, fault)
                self.look(bench, point, touches=faulty.get((point, states[-1])) != "air")
            self._burdens(bench, index)
            if proves and (breaks_at <= total or rng.random() < 0.5):
                self.proof(bench, index)
            if sitting.closed:
                bench.event("end", "")
            radio.sittings.append(sitting)

    def _burdens(self, bench: Bench, index: int) -> None:
        """Burden readings of the states above the limit; if none is, one of the highest state to tell the kind."""
        radio = self.radio
        if self.policy == "none":
            return
        limit = radio.own_limits.get("touch_voltage_ac", 25.0 if radio.strict else 30.0)
        here = {
            k: t for k, t in radio.taken.items() if t.sitting == index and t.status in ("ok", "overload", "collapsed")
        }
        guard = 1 + 120e3 * abs((self.meter if self.meter.knows_input else Meter(ohms=1e6)).admittance(self.frequency))
        high = [k for k, t in here.items() if t.value is None or t.value * guard + 2 * self.meter.u(t.value) >= limit]
        if self.policy == "one":
            high = high[:1]
        if not high and here:
            high = [max(here, key=lambda k: here[k].value or 0.0)]
        clipped = ""
        for point, state in high:
            if point != clipped and not any(k[0] == point and t.status == "air" for k, t in radio.taken.items()):
                self.look(bench, point, touches=True)
                clipped = point
            radio.taken[point, state] = self.burden_rows(bench, point, state, here[point, state], limit)

    def _faulty_states(self, points: list[str]) -> dict[tuple[str, State], str]:
        """Which states the faults of single states fall on."""
        rng, found = self.rng, {}
        words = {
            "air": "air",
            "late-contact": "late",
            "missing-states": "missing",
            "held": "held",
            "never-settles": "noisy",
        }
        for fault, word in words.items():
            if fault in self.radio.faults:
                point = rng.choice(points)
                states = list(self.radio.states)
                several = rng.randint(1, len(states))
                # A clip that fell off stays off, and who looks sees it; a probe in the hand misses now and then.
                fell = word == "air" and self.radio.looked
                for state in states[-several:] if fell else rng.sample(states, several):
                    found[point, state] = word
        return found
