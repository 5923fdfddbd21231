"""The practice bench's meters: what they show, in the bytes that such meters send.

A voice takes what the program writes and gives what the meter sends, in pieces, by the bench's clock.
"""

from __future__ import annotations

import re
from collections import deque
from typing import ClassVar, Protocol

from drivers.decode.numbered import encode
from drivers.practice import PracticeBench, Seen
from drivers.reading import Coupling, Quantity

IDENTITY = "PRACTICE,BENCH METER,0,1"
_READING_TIME = 0.2  #: of the asked meter [s]
_RHYTHM = 0.29  #: of the meter that sends by itself, about three and a half readings a second [s]
_CUT = 0.03  #: between the two pieces of a frame on a slow line [s]
_OVERLOAD = 9.9e37  #: source: SCPI-1999, volume 1, 7.2.1.4: what stands for infinity


class Voice(Protocol):
    """A meter as its port sees it."""

    def write(self, data: bytes) -> None:
        """Take bytes from the program."""

    def take(self, wait: float) -> bytes:
        """The next piece, if it is due within `wait` seconds of the bench's clock; else none."""

    def waiting(self) -> int:
        """Bytes that are due now."""


class _Line:
    """Pieces on their way, each with the time at which its last byte arrives."""

    def __init__(self, bench: PracticeBench, role: str) -> None:
        self.bench, self.role = bench, role
        self.meter = bench.meter(role)
        self._pieces: deque[tuple[float, bytes]] = deque()

    def _send(self, data: bytes, due: float) -> None:
        """In two pieces, cut anywhere: a program must not count on whole messages."""
        cut = self.bench.noise(self.role).randrange(1, len(data))
        self._pieces.append((due - _CUT, data[:cut]))
        self._pieces.append((due, data[cut:]))

    def _next(self, wait: float) -> bytes:
        now = self.bench.clock()
        if not self._pieces or self._pieces[0][0] > now + wait:
            self.bench.sleep(wait)
            return b""
        due, data = self._pieces[0]
        if due > now:
            self.bench.sleep(due - now)
        self._pieces.popleft()
        return data

    def waiting(self) -> int:
        """Bytes that are due now."""
        return len(self._pieces[0][1]) if self._pieces and self._pieces[0][0] <= self.bench.clock() else 0

    def shown(self, seen: Seen, floor: float) -> float | None:
        """What the meter makes of it: its own error, its noise (never below `floor`), and what the quantity moves."""
        if seen.value is None:
            return None
        rng = self.bench.noise(self.role)
        # A winding's volts move by the drop alone, about a tenth of what its current moves by.
        share = 1.0 if seen.quantity is Quantity.CURRENT else 0.1
        moved = seen.value * (1 + rng.gauss(0, 1) * self.bench.wander() * share)
        return moved * (1 + self.meter.gain) + rng.uniform(-1, 1) * (2e-4 * abs(moved) + floor)


class AskedVoice(_Line):
    """An instrument that answers SCPI. Source: command forms and error numbers of SCPI-1999."""

    _WORDS: ClassVar = {"CONFIGURE": "CONF", "MEASURE": "MEAS", "VOLTAGE": "VOLT", "CURRENT": "CURR",
              "RESISTANCE": "RES", "FRESISTANCE": "FRES", "CONTINUITY": "CONT", "FREQUENCY": "FREQ",
              "TEMPERATURE": "TEMP",
              "SYSTEM": "SYST", "ERROR": "ERR", "REMOTE": "REM", "LOCAL": "LOC", "SAMPLE": "SAMP",
              "COUNT": "COUN"}  # fmt: skip
    _FUNCTIONS: ClassVar[dict[str, tuple[Quantity, Coupling]]] = {
        "VOLT": (Quantity.VOLTAGE, Coupling.DC), "VOLT:DC": (Quantity.VOLTAGE, Coupling.DC),
        "VOLT:AC": (Quantity.VOLTAGE, Coupling.AC), "CURR": (Quantity.CURRENT, Coupling.DC),
        "CURR:DC": (Quantity.CURRENT, Coupling.DC), "CURR:AC": (Quantity.CURRENT, Coupling.AC),
        "RES": (Quantity.RESISTANCE, Coupling.NONE), "FRES": (Quantity.RESISTANCE, Coupling.NONE),
        "CONT": (Quantity.CONTINUITY, Coupling.NONE), "TEMP": (Quantity.TEMPERATURE, Coupling.NONE),
    }  # fmt: skip

    def __init__(self, bench: PracticeBench, role: str) -> None:
        super().__init__(bench, role)
        self._buffer = b""
        self._errors: deque[tuple[int, str]] = deque(maxlen=20)
        self._samples = 1

    def write(self, data: bytes) -> None:
        """Take commands; each whole line is carried out as it ends."""
        self._buffer += data.replace(b"\r", b"\n")
        *lines, self._buffer = self._buffer.split(b"\n")
        self._buffer = self._buffer[-200:]
        for line in lines:
            for command in line.decode("ascii", "replace").split(";"):
                if command.strip():
                    self._carry_out(command.strip().lstrip(":"))

    def _carry_out(self, command: str) -> None:
        header, _, argument = command.partition(" ")
        words = re.split(r":", header.upper().rstrip("?"))
        name = ":".join(self._WORDS.get(word, word) for word in words) + ("?" if header.endswith("?") else "")
        if name in ("*CLS", "*RST"):
            self._errors.clear()
            self._samples = 1
        elif name in ("SYST:REM", "SYST:LOC", "*WAI", "*OPC"):
            return
        elif name == "*IDN?":
            self._answer(IDENTITY)
        elif name == "*OPC?":
            self._answer("1")
        elif name in ("SYST:ERR?", "SYST:ERR:NEXT?"):
            code, text = self._errors.popleft() if self._errors else (0, "No error")
            self._answer(f'{code:+d},"{text}"')
        elif name == "SAMP:COUN" and argument.isdigit() and 1 <= int(argument) <= 1000:
            self._samples = int(argument)
        elif name == "READ?":
            self._read(self._samples)
        elif name == "FUNC?":
            self._answer(f'"{self._function()}"')
        elif name.startswith(("CONF:", "MEAS:")) and self._set(name[5:].rstrip("?")):
            if name.startswith("MEAS"):
                self._read(1)
        else:
            self._errors.append((-113, "Undefined header"))

    def _function(self) -> str:
        here = self.bench.function(self.role)
        return next((word for word, each in self._FUNCTIONS.items() if each == here), "VOLT")

    def _set(self, function: str) -> bool:
        if function not in self._FUNCTIONS:
            return False
        self.bench.turn_knob(self.role, *self._FUNCTIONS[function])
        return True

    def _answer(self, text: str, after: float = 0.04) -> None:
        self._send(text.encode("ascii") + b"\r\n", self.bench.clock() + after)

    def _read(self, count: int) -> None:
        values = [self._value() for _ in range(count)]
        self._answer(",".join(f"{value:+.8E}" for value in values), _READING_TIME * count)

    def _value(self) -> float:
        seen = self.bench.seen(self.role)
        value = self.shown(seen, {Quantity.RESISTANCE: 2e-3, Quantity.CURRENT: 2e-5}.get(seen.quantity, 1e-3))
        if value is None or abs(value) > 120e6:
            return _OVERLOAD
        if seen.coupling is Coupling.AC or seen.quantity is Quantity.RESISTANCE:
            value = max(0.0, value)
        step = max(1e-3 if seen.quantity is Quantity.RESISTANCE else 1e-4, abs(value) * 1e-6)
        return round(value / step) * step

    def take(self, wait: float) -> bytes:
        """The next piece of an answer."""
        return self._next(wait)


class FreeVoice(_Line):
    """A handheld meter that sends its display by itself: 14 bytes with numbered high nibbles."""

    _SCALES: ClassVar[dict[Quantity, tuple[tuple[float, float, str], ...]]] = {
        # full scale, one count, unit as lit
        Quantity.VOLTAGE: ((4, 1e-3, "V"), (40, 1e-2, "V"), (400, 0.1, "V"), (1000, 1, "V")),
        Quantity.CURRENT: ((0.04, 1e-5, "mA"), (0.4, 1e-4, "mA"), (10, 1e-2, "A")),
        Quantity.RESISTANCE: ((400, 0.1, "ohm"), (4e3, 1, "kohm"), (4e4, 10, "kohm"), (4e5, 100, "kohm"),
                              (4e6, 1e3, "Mohm"), (4e7, 1e4, "Mohm")),
        Quantity.CONTINUITY: ((400, 0.1, "ohm"),),
    }  # fmt: skip
    _FACTORS: ClassVar = {"V": 1.0, "mV": 1e-3, "mA": 1e-3, "A": 1.0, "ohm": 1.0, "kohm": 1e3, "Mohm": 1e6}

    def __init__(self, bench: PracticeBench, role: str) -> None:
        super().__init__(bench, role)
        self._due = bench.clock() + _RHYTHM

    def write(self, data: bytes) -> None:
        """It listens to nobody."""

    def take(self, wait: float) -> bytes:
        """The next piece of a display; displays that nobody read in time are gone."""
        if not self._pieces:
            now = self.bench.clock()
            if self._due - _CUT > now + wait:
                self.bench.sleep(wait)
                return b""
            if self._due - _CUT > now:
                self.bench.sleep(self._due - _CUT - now)
            self._due = max(self._due, self.bench.clock())
            if self.bench.function(self.role)[0] not in self._SCALES:  # it has no such function, and is left off
                self._due += _RHYTHM
                return b""
            self._send(self.frame(), self._due)
            self._due += _RHYTHM
        return self._next(wait)

    def waiting(self) -> int:
        """Bytes that are due now."""
        return super().waiting() or (14 if not self._pieces and self._due - _CUT <= self.bench.clock() else 0)

    def frame(self) -> bytes:
        """The display as it stands now."""
        seen = self.bench.seen(self.role)
        scales = self._scales(seen)
        value = self.shown(seen, 0.3 * next((c for full, c, _ in scales if abs(seen.value or 0) < full), scales[-1][1]))
        lit = {Coupling.AC: " ac auto", Coupling.DC: " dc auto"}.get(seen.coupling, " auto")
        for full, count, unit in scales:
            if value is not None and round(abs(value) / count) * count < full * (1 - 1e-9):
                if seen.coupling is Coupling.AC or seen.quantity is Quantity.RESISTANCE:
                    value = max(0.0, value)
                return encode(self._digits(value, count, self._FACTORS[unit]), unit + lit)
        return encode(" 0.L ", scales[-1][2] + lit)

    def _scales(self, seen: Seen) -> tuple[tuple[float, float, str], ...]:
        if seen.quantity is Quantity.VOLTAGE and seen.coupling is Coupling.DC:
            return ((0.4, 1e-4, "mV"), *self._SCALES[Quantity.VOLTAGE])
        if seen.quantity is Quantity.VOLTAGE and abs(seen.value or 1) < 0.38:
            return ((0.04, 1e-5, "mV"), (0.4, 1e-4, "mV"), *self._SCALES[Quantity.VOLTAGE])
        return self._SCALES[seen.quantity]

    @staticmethod
    def _digits(value: float, count: float, factor: float) -> str:
        """A display of four digits, as "-023.4"."""
        step = count / factor
        places = next(p for p in range(4) if round(step * 10**p) >= 1)
        number = f"{abs(round(value / count)) * step:0{5 if places else 4}.{places}f}"
        return ("-" if round(value / count) < 0 else "") + number


def voice_of(bench: PracticeBench, role: str) -> Voice:
    """The voice of a role's meter. Raises: PracticeError: the bench has no such meter."""
    if bench.meter(role).profile == "scpi-bench":
        return AskedVoice(bench, role)
    return FreeVoice(bench, role)
