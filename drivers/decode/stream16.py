"""16 characters: 02, '4', display, unit code, sign, places after the point, eight digits, 0D."""

from __future__ import annotations

import re

from drivers.decode.showing import Display, Fit, no_fit, words
from drivers.decode.tables import Stream16
from drivers.framing import Skipped
from drivers.reading import Reading

_FRAME = re.compile(rb"\x024(\d)([ -~]{2})([01])(\d)([ -~]{8})\r")


class Stream16Decoder:
    """Decodes one frame after another; a meter with several displays gives each its channel."""

    def __init__(self, table: Stream16 | None = None, fit: Fit = no_fit) -> None:
        self._table = table or Stream16()
        self._fit = fit
        self._displays: dict[tuple[bytes, bytes], Display] = {}
        self._recorded = frozenset(name.encode() for name in self._table.displays)

    def __call__(self, raw: bytes, elapsed: float) -> list[Reading | Skipped]:
        match = _FRAME.fullmatch(raw)
        if match is None:
            return [Skipped(raw, "not 16 characters from 02 to 0D")]
        number, code, sign, places, digits = match.groups()
        if number not in self._recorded:
            return []
        display = self._displays.get((number, code)) or self._display(number, code)
        if isinstance(display, str):
            return [Skipped(raw, display)]
        if not digits.isdigit():
            return [display.overload(elapsed) if b"L" in digits.upper() else display.invalid(elapsed)]
        if places > b"3":
            return [display.invalid(elapsed)]
        return [display.reading(elapsed, -int(digits) if sign == b"1" else int(digits), int(places))]

    def _display(self, number: bytes, code: bytes) -> Display | str:
        text = self._table.units.get(code.decode("ascii"))
        if text is None:
            return f"unknown unit code {code.decode('ascii')}"
        if text.startswith("-"):
            return f"unit code {code.decode('ascii')} ({text[1:].strip()}) is not recorded"
        channel = number.decode() if len(self._recorded) > 1 else ""
        display = Display(words(text), self._table.full_scale_counts, self._fit, channel)
        self._displays[number, code] = display
        return display


def encode(display: str, code: str, number: int = 1) -> bytes:
    """The frame for a display such as "-5.67" and a unit code such as "37". Raises: ValueError: it does not fit."""
    whole, _, after = display.removeprefix("-").partition(".")
    digits = (whole + after).rjust(8, "0")
    if len(digits) != 8 or len(after) > 3 or len(code) != 2 or not (digits.isascii() and digits.isdigit()):
        raise ValueError(f"eight digits with up to three places cannot show {display!r}")
    return f"\x024{number}{code}{'1' if display.startswith('-') else '0'}{len(after)}{digits}\r".encode("ascii")
