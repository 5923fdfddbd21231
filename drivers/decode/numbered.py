"""14 bytes whose high nibbles count 1 to 14 and whose low nibbles are the segments of an LCD."""

from __future__ import annotations

from itertools import product

from drivers.decode.showing import Display, Fit, no_fit, words
from drivers.decode.tables import Numbered
from drivers.framing import Skipped
from drivers.reading import Reading

#: Segments g c b a / d e f of each character, as (bits 2..0 of the first nibble) · 16 + second nibble.
SEGMENTS = {"0": 0x7D, "1": 0x05, "2": 0x5B, "3": 0x1F, "4": 0x27, "5": 0x3E, "6": 0x7E, "7": 0x15, "8": 0x7F,
            "9": 0x3F, "L": 0x68, " ": 0x00}  # fmt: skip
CHARACTERS = {code: character for character, code in SEGMENTS.items()}
LENGTH = 14
_LARGEST_CACHE = 4096


def _pair(place: int, character: str, *, bit_3: bool) -> bytes:
    """The two bytes of the digit at `place` 0..3; bit 3 of the first is the minus sign or a decimal point."""
    code = SEGMENTS[character]
    first = 2 * place + 2  # numbers of the bytes, which their high nibbles hold
    return bytes([first << 4 | bit_3 << 3 | code >> 4, (first + 1) << 4 | code & 15])


def _left_half() -> dict[bytes, tuple[int, int, int, bool]]:
    """Bytes 1 to 4 -> sign, number, places after the point, whether blank up to its end."""
    table = {}
    for a, b, minus, point in product("0123456789 ", "0123456789 ", (False, True), (False, True)):
        if b == " " and (a != " " or point):
            continue  # a blank or a point with nothing behind it inside a number
        key = _pair(0, a, bit_3=minus) + _pair(1, b, bit_3=point)
        table[key] = (-1 if minus else 1, int((a + b).strip() or 0), 3 if point else 0, b == " ")
    return table


def _right_half() -> dict[bytes, tuple[int, int, bool]]:
    """Bytes 5 to 8 -> number, places after the point, whether both digits are lit."""
    table = {}
    for a, b, point_2, point_3 in product("0123456789 ", "0123456789", (False, True), (False, True)):
        if (point_2 and point_3) or (a == " " and point_2):
            continue
        key = _pair(2, a, bit_3=point_2) + _pair(3, b, bit_3=point_3)
        table[key] = (int((a + b).strip()), 2 if point_2 else 1 if point_3 else 0, a != " ")
    return table


_LEFT, _RIGHT = _left_half(), _right_half()


class NumberedDecoder:
    """Decodes one frame after another; it keeps what each set of annunciators meant."""

    def __init__(self, table: Numbered | None = None, fit: Fit = no_fit) -> None:
        self._table = table or Numbered()
        self._fit = fit
        self._displays: dict[tuple[int, bytes], Display] = {}

    def __call__(self, raw: bytes, elapsed: float) -> list[Reading | Skipped]:
        display = self._displays.get((raw[0], raw[9:])) if len(raw) == LENGTH else None
        if display is None:
            found = self._display(raw)
            if isinstance(found, Skipped):
                return [found]
            display = found
        left, right = _LEFT.get(raw[1:5]), _RIGHT.get(raw[5:9])
        if left is None or right is None or not (right[2] or left[3]) or (left[2] and right[1]):
            return [self._no_number(raw, elapsed, display)]
        return [display.reading(elapsed, left[0] * (left[1] * 100 + right[0]), left[2] or right[1])]

    def _display(self, raw: bytes) -> Display | Skipped:
        if len(raw) != LENGTH or any(byte >> 4 != n for n, byte in enumerate(raw, 1)):
            return Skipped(raw, "not 14 bytes numbered 1 to 14")
        table = self._table
        rows = (table.flags, table.byte_9, table.byte_10, table.byte_11, table.byte_12, table.byte_13)
        lit = {word for row, byte in zip(rows, raw[:1] + raw[9:], strict=True)
               for bit, word in enumerate(row) if word and byte & 8 >> bit}  # fmt: skip
        display = Display(lit, table.full_scale_counts, self._fit)
        if display.quantity is None:
            return Skipped(raw, "no unit is lit")
        if len(self._displays) >= _LARGEST_CACHE:  # noise has many faces; a meter has a few
            self._displays.clear()
        self._displays[raw[0], raw[9:]] = display
        return display

    @staticmethod
    def _no_number(raw: bytes, elapsed: float, display: Display) -> Reading:
        """Overload, or characters that no number has: a menu, a self-test, a digit caught as it changed."""
        shown = [CHARACTERS.get((raw[i] & 7) << 4 | raw[i + 1] & 15) for i in (1, 3, 5, 7)]
        points = [places for places, i in ((3, 3), (2, 5), (1, 7)) if raw[i] & 8]
        if None in shown or "L" not in shown or len(points) > 1:
            return display.invalid(elapsed)
        return display.overload(elapsed, points[0] if points else None)


def encode(display: str, shows: str, table: Numbered | None = None) -> bytes:
    """The frame for a display such as "-023.4" or " 0.L " and annunciators such as "mV ac auto".

    Raises: ValueError: the display cannot show it, or an annunciator has no place in the table.
    """
    table = table or Numbered()
    minus, text = display.startswith("-"), display.removeprefix("-")
    whole, _, after = text.partition(".")
    characters = (whole + after).rjust(4)
    point = len(characters) - len(after) if "." in text else 0
    if len(characters) != 4 or any(c not in SEGMENTS for c in characters) or ("." in text and point not in (1, 2, 3)):
        raise ValueError(f"a display of four digits cannot show {display!r}")
    bit_3 = [minus, point == 1, point == 2, point == 3]
    digits = b"".join(_pair(i, c, bit_3=bit) for i, (c, bit) in enumerate(zip(characters, bit_3, strict=True)))
    return _annunciators(words(shows), table, digits)


def _annunciators(lit: frozenset[str], table: Numbered, digits: bytes) -> bytes:
    rows = (table.flags, table.byte_9, table.byte_10, table.byte_11, table.byte_12, table.byte_13)
    if missing := lit - {word for row in rows for word in row}:
        raise ValueError(f"the display has no sign for {', '.join(sorted(missing))}")
    low = [sum(8 >> bit for bit, word in enumerate(row) if word in lit or word == "rs232") for row in rows]
    return bytes([0x10 | low[0]]) + digits + bytes(n << 4 | nibble for n, nibble in enumerate(low[1:], 10))
