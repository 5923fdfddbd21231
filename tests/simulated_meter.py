"""A simulated meter: its input, its ranges, an error inside its accuracy line, and the rows it leaves in a session."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

from drivers.reading import Coupling, Quantity, Status
from tests.simulated_circuit import Source

Row = dict[str, object]

#: The columns of readings.csv, in order.
COLUMNS = (
    "time", "elapsed_s", "meter", "quantity", "coupling", "value", "unit", "status", "u", "range", "resolution",
    "flags", "point", "plug", "switch", "load", "burden", "arrangement", "step",
)  # fmt: skip
#: The least that a state takes: what a probe in the air picks up from the mains around it. [F]
AIR_FARADS = 0.3e-12


@dataclass(frozen=True, slots=True, kw_only=True)
class Meter:
    """One meter. Its errors stay inside ±(of_reading · |x| + digits · count), as a maker's accuracy line promises."""

    role: str = "v"
    ohms: float = 10e6
    farads: float = 0.0  #: input
    lead: float = 0.0  #: leads [F]
    counts: int = 6000
    lowest: float = 0.6  #: full scale of the lowest range; each next is ten times that [V]
    of_reading: float = 0.008
    digits: int = 3
    gain: float = 0.0  #: where in its band this specimen sits, -1 to 1
    offset: float = 0.0
    coupling: Coupling = Coupling.AC
    fixed: float | None = None  #: full scale of the range that it was left in; None: it ranges by itself
    ohms_of_reading: float = 0.01
    ohms_top: float = 60e6
    knows_input: bool = True  #: whether the session's descriptor has the input
    knows_accuracy: bool = True

    def admittance(self, frequency: float) -> complex:
        return complex(1 / self.ohms, 2 * math.pi * frequency * (self.farads + self.lead))

    def range_of(self, value: float) -> tuple[float, float]:
        """Full scale and one count for a value in volts."""
        full = self.fixed or self.lowest
        while self.fixed is None and abs(value) > 0.97 * full and full < 1000:
            full *= 10
        return full, full / self.counts

    def half_width(self, value: float) -> float:
        """The accuracy line at a value. [V]"""
        return self.of_reading * abs(value) + self.digits * self.range_of(value)[1]

    def u(self, value: float) -> float:
        """Standard uncertainty that the judge has to count with: the line, or 3 % + 10 counts without one. [V]"""
        half = self.half_width(value) if self.knows_accuracy else 0.03 * abs(value) + 10 * self.range_of(value)[1]
        return half / math.sqrt(3)

    def volts(self, true: float, rng: random.Random, noise: float = 0.1) -> Row:
        """One reading of a true voltage; the noise is a share of the accuracy band, small enough to settle."""
        full, count = self.range_of(true)
        half = self.of_reading * true + self.digits * count
        # A reading settles inside 0.5 % or three counts, so the noise is held below half of that.
        wobble = min(noise * half, max(0.002 * true, count)) if noise <= 0.1 else noise * max(true, count)
        error = self.gain * 0.9 * self.of_reading * true + self.offset * 0.9 * (self.digits - 1) * count
        shown = round((true + error + rng.uniform(-wobble, wobble)) / count) * count
        if shown > full * 1.0001:
            return self._row(Quantity.VOLTAGE, self.coupling, "V", None, full, count)
        return self._row(Quantity.VOLTAGE, self.coupling, "V", max(0.0, shown), full, count)

    def resistance(self, true: float, rng: random.Random) -> Row:
        full = self.lowest * 1000
        while true > 0.97 * full and full < self.ohms_top:
            full = min(full * 10, self.ohms_top)
        count = full / self.counts
        half = self.ohms_of_reading * true
        shown = round((true + self.gain * 0.9 * half + self.offset * count) / count) * count
        over = shown > full * 1.0001
        row = self._row(Quantity.RESISTANCE, Coupling.NONE, "Ohm", None if over else max(0.0, shown), full, count)
        if not over and self.knows_accuracy:
            row["u"] = (half + 3 * count) / math.sqrt(3)
        return row

    def _row(
        self, quantity: Quantity, coupling: Coupling, unit: str, value: float | None, full: float, count: float
    ) -> Row:
        status = Status.OVERLOAD if value is None else Status.OK
        u = None
        if value is not None and self.knows_accuracy:
            u = (self.of_reading * value + self.digits * count) / math.sqrt(3)
        return {
            "time": "", "elapsed_s": 0.0, "meter": self.role, "quantity": str(quantity), "coupling": str(coupling),
            "value": value, "unit": unit, "status": str(status), "u": u, "range": full, "resolution": count,
            "flags": "" if self.fixed else "auto", "point": "", "plug": "", "switch": "", "load": "", "burden": "",
            "arrangement": "", "step": "",
        }  # fmt: skip

    def descriptor(self) -> dict[str, object]:
        """This meter as a session's datapackage.json names it."""
        accuracy: list[dict[str, object]] = []
        if self.knows_accuracy:
            full = self.lowest
            while full < 10_000:
                accuracy.append(
                    {"quantity": "voltage", "coupling": str(self.coupling), "range": full,
                     "of_reading": self.of_reading, "digits": self.digits, "resolution": full / self.counts}
                )  # fmt: skip
                full *= 10
            accuracy.append({"quantity": "resistance", "coupling": "", "range": None,
                             "of_reading": self.ohms_of_reading, "digits": 3, "resolution": None})  # fmt: skip
        inputs: list[dict[str, object]] = []
        if self.knows_input:
            inputs.append({"quantity": "voltage", "coupling": str(self.coupling), "resistance_ohm": self.ohms,
                           "capacitance_F": self.farads})  # fmt: skip
        return {
            "role": self.role, "profile": "simulated", "port": "simulated", "identity": "", "inputs": inputs,
            "rms": "true", "current_coupling": "ac", "isolation": "optical", "category": "CAT II 600 V",
            "accuracy": accuracy, "calibrated": None,
        }  # fmt: skip


def reading_of(
    source: Source, meter: Meter, frequency: float, burden: float | None = None, clip: complex | None = None
) -> float:
    """True voltage at the meter's terminals. [V]

    Args:
        burden: resistor across the meter. [Ω]
        clip: impedance in the earth clip's place, where the clip hangs loose; None: it is on. [Ω]
    """
    y = meter.admittance(frequency) + (1 / burden if burden else 0)
    if clip is None:
        return source.across(y)
    return abs(source.volts / (1 + (source.ohms + clip) * y))


def air_reading(mains: float, meter: Meter, frequency: float, burden: float | None = None) -> float:
    """What a probe in the air picks up. [V]"""
    pickup = 1 / (2j * math.pi * frequency * AIR_FARADS)
    return Source(complex(mains), pickup).across(meter.admittance(frequency) + (1 / burden if burden else 0))


def random_meter(rng: random.Random, role: str = "v") -> Meter:
    """A meter such as a bench may have, somewhere inside its accuracy."""
    bench = rng.random() < 0.3
    counts = rng.choice([20000, 60000, 120000]) if bench else rng.choice([2000, 4000, 6000, 20000])
    return Meter(
        role=role,
        ohms=rng.choice([1e6, 10e6, 10e6]) if bench else rng.choice([10e6, 10e6, 11e6, 1e6]),
        farads=rng.choice([0.0, 50e-12, 100e-12, 200e-12]) if rng.random() < 0.7 else rng.uniform(0, 200e-12),
        lead=rng.uniform(30e-12, 100e-12),
        counts=counts,
        lowest={2000: 0.2, 4000: 0.4, 6000: 0.6, 20000: 0.2, 60000: 0.6, 120000: 0.12}[counts],
        of_reading=rng.choice([0.001, 0.002, 0.005]) if bench else rng.choice([0.005, 0.008, 0.01, 0.015]),
        digits=rng.choice([3, 5, 10]) if bench else rng.choice([2, 3, 5]),
        gain=rng.uniform(-1, 1),
        offset=rng.uniform(-1, 1),
        coupling=Coupling.ACDC if rng.random() < 0.05 else Coupling.AC,
        ohms_top=rng.choice([20e6, 40e6, 60e6]),
        knows_input=rng.random() > 0.08,
        knows_accuracy=rng.random() > 0.06,
    )
