"""Figures large enough for two metres, and a trace of the last minute, from characters every terminal has."""

from __future__ import annotations

from collections.abc import Sequence

from drivers.reading import Reading, Status
from drivers.units import show
from logger.bench import MINUTE

ROWS = 5
_GLYPHS = {
    "0": ("█▀▀█", "█  █", "█  █", "█  █", "█▄▄█"), "1": ("  ▄█", "   █", "   █", "   █", "   █"),
    "2": ("▀▀▀█", "   █", "█▀▀▀", "█   ", "█▄▄▄"), "3": ("▀▀▀█", "   █", " ▀▀█", "   █", "▄▄▄█"),
    "4": ("█  █", "█  █", "▀▀▀█", "   █", "   █"), "5": ("█▀▀▀", "█   ", "▀▀▀█", "   █", "▄▄▄█"),
    "6": ("█▀▀▀", "█   ", "█▀▀█", "█  █", "█▄▄█"), "7": ("▀▀▀█", "   █", "   █", "   █", "   █"),
    "8": ("█▀▀█", "█  █", "█▀▀█", "█  █", "█▄▄█"), "9": ("█▀▀█", "█  █", "▀▀▀█", "   █", "▄▄▄█"),
    ".": (" ", " ", " ", " ", "▄"), "-": ("    ", "    ", "▀▀▀▀", "    ", "    "),
    "O": ("█▀▀█", "█  █", "█  █", "█  █", "█▄▄█"), "L": ("█   ", "█   ", "█   ", "█   ", "█▄▄▄"),
    "V": ("█  █", "█  █", "█  █", "▀▄▄▀", " ▀▀ "), "A": ("█▀▀█", "█  █", "█▀▀█", "█  █", "█  █"),
    "E": ("█▀▀▀", "█   ", "█▀▀ ", "█   ", "█▄▄▄"), "R": ("█▀▀▄", "█  █", "█▀▀▄", "█  █", "█  █"),
    " ": ("  ", "  ", "  ", "  ", "  "),
}  # fmt: skip
_BARS = "▁▂▃▄▅▆▇█"


def large(text: str, scale: int = 1) -> list[str]:
    """A value in large figures; a character without one is left out."""
    glyphs = [_GLYPHS[c] for c in text if c in _GLYPHS]
    rows = [" ".join(glyph[row] for glyph in glyphs) for row in range(ROWS)]
    return rows if scale == 1 else [line for row in rows for line in _twice(row)]


def _twice(row: str) -> tuple[str, str]:
    """One row as two of twice the width: half blocks become whole ones in the half that they fill."""
    upper = "".join("█" if c in "█▀" else " " for c in row for _ in (0, 1))
    lower = "".join("█" if c in "█▄" else " " for c in row for _ in (0, 1))
    return upper, lower


def value_and_unit(reading: Reading | None) -> tuple[str, str]:
    """The figures and the unit of a reading; OVER for an overload, dashes where there is none."""
    if reading is None or (reading.value is None and reading.status is not Status.OVERLOAD):
        return "----", ""
    if reading.value is None:
        return "OVER", show(0.0, reading.unit).partition(" ")[2]
    number, _, unit = show(reading.value, reading.unit, reading.resolution).partition(" ")
    return number, unit


def trace(points: Sequence[tuple[float, float, float]], width: int) -> str:
    """The last minute as bars, newest at the right; where nothing was read, a blank."""
    if not points or width < 1:
        return ""
    now = points[-1][0]
    low, high = min(p[1] for p in points), max(p[2] for p in points)
    cells: list[float | None] = [None] * width
    for at, least, most in points:
        cell = width - 1 - int((now - at) / MINUTE * width)
        if 0 <= cell < width:
            # Of what falls into one cell the part farthest from the middle is kept: a spike must not vanish.
            middle = (low + high) / 2
            here = most if abs(most - middle) >= abs(least - middle) else least
            kept = cells[cell]
            far = kept is None or (abs(here - middle), here) > (abs(kept - middle), kept)
            cells[cell] = here if far else kept
    span = (high - low) or 1.0
    return "".join(" " if c is None else _BARS[min(7, int((c - low) / span * 8)) if high > low else 3] for c in cells)
