"""7-bit packets of 0x30 to 0x3F: range, digits, function, status and two option packets, ended by CR LF."""

from __future__ import annotations

import re

from drivers.decode.showing import PREFIXES, Display, Fit, no_fit, words
from drivers.decode.tables import Packed, PackedFunction
from drivers.framing import STRIP, Skipped
from drivers.reading import Coupling, Quantity, Reading
from drivers.units import parse

_ODD = bytes(value.bit_count() & 1 for value in range(256))
_SCALE = re.compile(r"\s*(\d+)(?:\.(\d+))?\s*(\S+)\s*")
_WORDS = {
    Quantity.VOLTAGE: {"volt"}, Quantity.CURRENT: {"ampere"}, Quantity.RESISTANCE: {"ohm"},
    Quantity.CONTINUITY: {"ohm", "continuity"}, Quantity.DIODE: {"volt", "diode"}, Quantity.FREQUENCY: {"hertz"},
    Quantity.CAPACITANCE: {"farad"}, Quantity.TEMPERATURE: {"celsius"}, Quantity.POWER: {"watt"},
    Quantity.RATIO: {"percent"},
}  # fmt: skip
_LARGEST_CACHE = 4096


class _Face:
    """What range, function, status and options show together."""

    __slots__ = ("display", "minus", "overload", "places")

    def __init__(self, display: Display, places: int, *, minus: bool, overload: bool) -> None:
        self.display, self.places, self.minus, self.overload = display, places, minus, overload


class PackedDecoder:
    """Decodes one block after another, and drops the second sending of a block.

    Each block is sent twice for a conversion. Only one repetition is dropped for each block that was kept: a third
    equal block is the next conversion's, even where the port gives both conversions at once.
    """

    def __init__(self, table: Packed | None = None, fit: Fit = no_fit) -> None:
        self._table = table or Packed()
        self._fit = fit
        self._window = parse(self._table.repeat_window, "s")
        self._length = self._table.digits + 7
        self._faces: dict[bytes, _Face | str] = {}
        self._last: tuple[bytes, float] | None = None

    def __call__(self, raw: bytes, elapsed: float) -> list[Reading | Skipped]:
        block = raw.translate(STRIP)
        reason = self._wrong(raw, block)
        if reason:
            self._last = None
            return [Skipped(raw, reason)]
        if self._last is not None and self._last[0] == block and elapsed - self._last[1] <= self._window:
            self._last = None
            return []
        self._last = (block, elapsed)
        split = 1 + self._table.digits
        face = self._face(block[:1] + block[split:])
        if isinstance(face, str):
            return [Skipped(raw, face)]
        digits = block[1:split]
        if face.overload:
            return [face.display.overload(elapsed, face.places)]
        if not digits.isdigit():
            return [face.display.invalid(elapsed)]
        return [face.display.reading(elapsed, -int(digits) if face.minus else int(digits), face.places)]

    def _wrong(self, raw: bytes, block: bytes) -> str:
        if len(raw) != self._length or block[-2:] != b"\r\n" or not all(0x30 <= b <= 0x3F for b in block[:-2]):
            return "not a block of packed digits"
        if raw[-1] & 0x80:  # LF has an even number of ones, so that with odd parity its top bit is set
            return "" if all(raw.translate(_ODD)) else "wrong parity"
        return "" if raw == block else "wrong parity"

    def _face(self, key: bytes) -> _Face | str:
        face = self._faces.get(key)
        if face is None:
            if len(self._faces) >= _LARGEST_CACHE:
                self._faces.clear()
            face = self._faces[key] = self._read(key)
        return face

    def _read(self, key: bytes) -> _Face | str:
        table = self._table
        range_code, function, status, option_1, option_2 = key[:5]
        lit = {word for row, packet in ((table.status, status), (table.option_1, option_1), (table.option_2, option_2))
               for bit, word in enumerate(row) if word and packet & 8 >> bit}  # fmt: skip
        if "dc-else-ac" in (*table.option_1, *table.option_2):
            lit.add("dc" if "dc-else-ac" in lit else "ac")
        found = table.functions.get(f"{function:02X}") or table.functions.get(f"{function:02x}") or []
        entry = next((f for f in found if f.when_judge is None or f.when_judge == ("judge" in lit)), None)
        if entry is None:
            return f"unknown function code {function:02X}"
        scale = entry.ranges.get(f"{range_code:02X}") or entry.ranges.get(f"{range_code:02x}")
        if scale is None:
            return f"unknown range code {range_code:02X} of function {function:02X}"
        return self._scaled(entry, scale, lit)

    def _scaled(self, entry: PackedFunction, scale: str, lit: set[str]) -> _Face | str:
        match = _SCALE.fullmatch(scale)
        if match is None:
            return f"range {scale!r} of the profile is no full scale"
        shown = lit | _WORDS[entry.quantity] | (words(match[3]) & PREFIXES.keys())
        if entry.coupling is not Coupling.NONE:
            shown |= {"ac", "dc"} if entry.coupling is Coupling.ACDC else {str(entry.coupling)}
        display = Display(shown, int(match[1] + (match[2] or "")), self._fit)
        return _Face(display, len(match[2] or ""), minus="sign" in lit,
                     overload=any(word.startswith("overload") for word in lit))  # fmt: skip


def encode(digits: str, range_code: int, function: int, lit: str, table: Packed, *, parity: bool = False) -> bytes:
    """The block for digits such as "1234", two codes and lit bits such as "dc auto sign"; `parity` as read at 8N1.

    Raises: ValueError: the digits do not fit, or a bit has no place in the table.
    """
    names = set(lit.split())
    rows = (table.status, table.option_1, table.option_2)
    if len(digits) != table.digits or not (digits.isascii() and digits.isdigit()):
        raise ValueError(f"{table.digits} digits cannot show {digits!r}")
    if missing := names - {word for row in rows for word in row}:
        raise ValueError(f"the block has no bit for {', '.join(sorted(missing))}")
    bits = [0x30 + sum(8 >> bit for bit, word in enumerate(row) if word in names) for row in rows]
    block = bytes([range_code]) + digits.encode() + bytes([function, *bits]) + b"\r\n"
    return bytes(byte if _ODD[byte] else byte | 0x80 for byte in block) if parity else block
