"""14 characters on request: mode, space, sign, value with its point, unit, CR."""

from __future__ import annotations

import re

from drivers.decode.showing import QUANTITIES, Display, Fit, no_fit
from drivers.decode.tables import PolledText
from drivers.framing import STRIP, Skipped
from drivers.reading import Quantity, Reading

_FRAME = re.compile(r"(?P<mode>[A-Z]{2}) (?P<sign>[ -])(?P<value>[ 0-9.OL-]{5})(?P<unit>[ A-Za-z%]{4})[\r\n]")
_VALUE = re.compile(r" *(\d+)(?:\.(\d*))?|\.(\d+)")
#: Units without regard to case; M stays the one letter that case decides.
_UNITS = {"v": "volt", "a": "ampere", "ohm": "ohm", "hz": "hertz", "f": "farad", "c": "celsius", "%": "percent"}
_PREFIXES = {"": "", "n": "nano", "u": "micro", "m": "milli", "k": "kilo"}
#: Letters come in either case, so the unit tells mega from milli: no such meter shows milliohms, or megavolts.
_BIG = ("ohm", "hertz")


class PolledTextDecoder:
    """Decodes one answer after another; it keeps what each mode and unit meant."""

    def __init__(self, table: PolledText | None = None, fit: Fit = no_fit) -> None:
        self._table = table or PolledText()
        self._fit = fit
        self._displays: dict[tuple[str, str], Display] = {}

    def __call__(self, raw: bytes, elapsed: float) -> list[Reading | Skipped]:
        # The second stop bit of a 7-bit line read as 8N1 puts bit 7 into every byte or none.
        if len({byte & 0x80 for byte in raw}) != 1:
            return [Skipped(raw, "the top bit differs between bytes")]
        match = _FRAME.fullmatch(raw.translate(STRIP).decode("ascii"))
        if match is None:
            return [Skipped(raw, "not mode, sign, value and unit in 14 characters")]
        display = self._display(match["mode"], match["unit"].strip())
        if isinstance(display, str):
            return [Skipped(raw, display)]
        return [self._reading(match["sign"], match["value"], elapsed, display)]

    @staticmethod
    def _reading(sign: str, value: str, elapsed: float, display: Display) -> Reading:
        if "L" in value:
            return display.overload(elapsed)
        found = _VALUE.fullmatch(value)
        if found is None:
            return display.invalid(elapsed)
        whole, after = found[1] or "", found[2] or found[3] or ""
        count = int(whole + after)
        return display.reading(elapsed, -count if sign == "-" else count, len(after))

    def _display(self, mode: str, unit: str) -> Display | str:
        """What mode and unit show together, or why they show nothing."""
        known = self._displays.get((mode, unit))
        if known is not None:
            return known
        says = self._table.modes.get(mode)
        if says is None:
            return f"unknown mode {mode}"
        lit = _lit(unit)
        if lit is None:
            return f"unknown unit {unit or '(blank)'}"
        display = Display(lit | {says}, self._table.full_scale_counts, self._fit)
        if says in ("ac", "dc"):
            fits = display.quantity in (Quantity.VOLTAGE, Quantity.CURRENT)
        else:
            fits = display.quantity == says
        if not fits:
            return f"mode {mode} with unit {unit}"
        self._displays[mode, unit] = display
        return display


def _lit(unit: str) -> set[str] | None:
    for name, word in _UNITS.items():
        prefix = unit[: len(unit) - len(name)].lower()
        if unit.lower().endswith(name) and prefix in _PREFIXES:
            return {word, "mega" if prefix == "m" and word in _BIG else _PREFIXES[prefix]} - {""}
    return None


def encode(display: str, shows: str, table: PolledText | None = None, *, stop_bit: bool = False) -> bytes:
    """The answer for a display such as "-399.9" or "O.L" and a text such as "mV dc"; `stop_bit` as read at 8N1.

    Raises: ValueError: it does not fit into the frame, or no mode says it.
    """
    table = table or PolledText()
    unit, *rest = shows.split()
    text = display.removeprefix("-")
    lit = _lit(unit)
    if lit is None or len(text) > 5 or len(unit) > 4 or not re.fullmatch(r"[0-9.OL]+", text):
        raise ValueError(f"14 characters cannot show {display!r} {shows!r}")
    quantity = str(next(q for word, q in QUANTITIES.items() if word in lit))
    says = {"ac", "dc", "diode"}.intersection(rest) or {quantity}
    mode = next((mode for mode, word in table.modes.items() if word in says), None)
    if mode is None:
        raise ValueError(f"no mode says {shows!r}")
    raw = f"{mode} {'-' if display.startswith('-') else ' '}{text:>5}{unit:>4}\r".encode("ascii")
    return bytes(byte | 0x80 for byte in raw) if stop_bit else raw
