"""How the picture of points by plug and switch is laid out: where words wrap, how high a line gets. In inches."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.report.plots import Cell

#: The picture's width, and what of it the points' names take.
WIDTH, NAMES = 6.7, 1.62
#: Height of the heads, of a line of type, and what a row has above and below its type.
HEAD, LINE, ROOM = 0.44, 0.15, 0.17
#: What a cell has beside its type.
_BESIDE = 0.12
#: Size of the type [in], and widths in it of narrow, broad and other letters; bold ones are a little broader.
_SIZE, _NARROW, _BROAD, _OTHER, _BOLD = 8 / 72, 0.36, 0.92, 0.64, 1.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A point's row, wrapped."""

    name: tuple[str, ...]
    level: tuple[str, ...]  #: the level's word, then why it is not what the volts alone would give
    cells: tuple[tuple[Cell, tuple[str, ...], tuple[str, ...]], ...]  #: cell, its value, its word
    height: float


def column(columns: int) -> float:
    """Width of one cell."""
    return (WIDTH - NAMES) / max(1, columns)


def lay(row: tuple[str, str, str, tuple[Cell, ...]]) -> Row:
    """The row of point, level, remark and cells."""
    point, level, remark, cells = row
    name = _wrapped(point, NAMES, bold=True)
    words = (*_wrapped(level, NAMES), *(_wrapped(remark, NAMES) if remark else ()))
    wide = column(len(cells))
    laid = []
    for cell in cells:
        # A unit stays with its coupling: "V" and "AC" apart are hard to read.
        value = _wrapped(cell.value.replace(" V ", " V\u00a0"), wide) if cell.value != cell.word else ()
        laid.append((cell, value, _wrapped(cell.word, wide, bold=True)))
    most = max([len(name) + len(words), *(len(value) + len(word) for _, value, word in laid)])
    return Row(name=name, level=words, cells=tuple(laid), height=max(2, most) * LINE + ROOM)


def _wrapped(text: str, wide: float, *, bold: bool = False) -> tuple[str, ...]:
    """Text in lines that are at most so wide; a word too long for a line is broken, at a hyphen where it has one."""
    room = wide - _BESIDE
    lines = [""]
    for word in text.split(" "):
        longer = f"{lines[-1]} {word}".strip()
        if _long(longer, bold=bold) <= room:
            lines[-1] = longer
            continue
        lines.append("")
        for letter in word:
            if lines[-1] and _long(lines[-1] + letter, bold=bold) > room:
                cut = lines[-1].rfind("-") + 1 or len(lines[-1])
                lines[-1:] = [lines[-1][:cut], lines[-1][cut:]]
            lines[-1] += letter
    return tuple(line for line in lines if line) or ("–",)


def within(text: str, wide: float) -> tuple[str, ...]:
    """Text in lines that are at most so wide [in], words unbroken; nothing where a word is too long for that."""
    lines: list[str] = []
    for word in text.split(" "):
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and _long(longer, bold=False) <= wide:
            lines[-1] = longer
        elif _long(word, bold=False) <= wide:
            lines.append(word)
        else:
            return ()
    return tuple(lines)


def _long(text: str, *, bold: bool) -> float:
    """About how long a line of type is. [in]"""
    narrow = sum(letter in " \u00a0.,:;()-|!'iljtfrI" for letter in text)
    broad = sum(letter in "mwMWΩ±µ<%—" or ord(letter) > 0x2E7F for letter in text)
    width = narrow * _NARROW + broad * _BROAD + (len(text) - narrow - broad) * _OTHER
    return width * _SIZE * (_BOLD if bold else 1.0)
