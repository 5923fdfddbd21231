"""14 bytes: sign, four digits, space, point code, four status bytes, bar, CR LF."""

from __future__ import annotations

from drivers.decode.showing import Display, Fit, no_fit, words
from drivers.decode.tables import AsciiStatus
from drivers.framing import Skipped
from drivers.reading import Reading

LENGTH = 14
_LARGEST_CACHE = 4096


class AsciiStatusDecoder:
    """Decodes one frame after another; it keeps what each set of status bytes meant."""

    def __init__(self, table: AsciiStatus | None = None, fit: Fit = no_fit) -> None:
        self._table = table or AsciiStatus()
        self._fit = fit
        self._points = {ord(code): places for code, places in self._table.points.items()}
        self._displays: dict[bytes, Display] = {}

    def __call__(self, raw: bytes, elapsed: float) -> list[Reading | Skipped]:
        if len(raw) != LENGTH or raw[5] != 0x20 or raw[0] not in b"+-" or raw[12:] != b"\r\n":
            return [Skipped(raw, "not sign, four digits, space, point, status, CR LF")]
        display = self._displays.get(raw[7:11]) or self._display(raw)
        if isinstance(display, Skipped):
            return [display]
        places = self._points.get(raw[6])
        digits = raw[1:5]
        if not digits.isdigit():
            return [display.overload(elapsed, places)]
        if places is None:
            return [display.invalid(elapsed)]
        return [display.reading(elapsed, -int(digits) if raw[0] == 0x2D else int(digits), places)]

    def _display(self, raw: bytes) -> Display | Skipped:
        table = self._table
        rows = (table.sb_1, table.sb_2, table.sb_3, table.sb_4)
        lit = {word for row, byte in zip(rows, raw[7:11], strict=True)
               for bit, word in enumerate(row) if word and byte & 0x80 >> bit}  # fmt: skip
        display = Display(lit, table.full_scale_counts, self._fit)
        if display.quantity is None:
            return Skipped(raw, "no unit is lit")
        if len(self._displays) >= _LARGEST_CACHE:
            self._displays.clear()
        self._displays[raw[7:11]] = display
        return display


def encode(display: str, shows: str, table: AsciiStatus | None = None, bar: int = 0) -> bytes:
    """The frame for a display such as "-045.6" or "OL" and annunciators such as "mV ac auto".

    Raises: ValueError: the display cannot show it, or an annunciator has no place in the table.
    """
    table = table or AsciiStatus()
    minus, text = display.startswith("-"), display.removeprefix("-")
    whole, _, after = text.partition(".")
    digits = "?0:?" if "L" in text else (whole + after).rjust(4, "0")
    places = 0 if "L" in text else len(after)
    codes = [code for code, n in table.points.items() if n == places]
    if len(digits) != 4 or not codes or ("L" not in text and not (digits.isascii() and digits.isdigit())):
        raise ValueError(f"a display of four digits cannot show {display!r}")
    lit = words(shows)
    rows = (table.sb_1, table.sb_2, table.sb_3, table.sb_4)
    if missing := lit - {word for row in rows for word in row}:
        raise ValueError(f"the display has no sign for {', '.join(sorted(missing))}")
    status = bytes(sum(0x80 >> bit for bit, word in enumerate(row) if word in lit) for row in rows)
    return (b"-" if minus else b"+") + f"{digits} {codes[-1]}".encode() + status + bytes([bar]) + b"\r\n"
