"""The report and the radio's card as PDF, typeset in this process from the same content as the page.

Every text goes to the typesetter as data and is set as text, never read as markup. The faces are those that come with
the typesetter and the drawing library, so that a machine's own fonts change nothing; only where a text needs letters
that they lack are the machine's fonts looked at.
"""

from __future__ import annotations

import dataclasses
import json
import unicodedata
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any

from analysis.report.content import Content
from analysis.report.palette import PAGE, SIGNAL
from analysis.report.text import plain

if TYPE_CHECKING:
    from typst import Compiler

PAPERS = {"a4": "a4", "letter": "us-letter", "us-letter": "us-letter"}
_ISOLATE, _END = "\u2068", "\u2069"


def render_pdf(content: Content, paper: str = "a4") -> bytes:
    """The report as PDF, on `a4` or `letter`. Raises: ValueError: another paper."""
    from analysis.report.figures import draw

    _size(paper)
    plots = [*content.matrix_plots, *content.plots]
    pictures = {plot.key: {"svg": draw(plot), "alt": _set(plot.alt)} for plot in plots}
    data = {name: _ready(getattr(content, name)) for name in content.__dataclass_fields__ if name not in _DRAWN}
    for name in _DRAWN:
        data[name] = [_about(plot) for plot in getattr(content, name)]
    return _typeset("report.typ", data | {"pictures": pictures, "running": _set(plain(content.title, 60))}, paper)


def render_card_pdf(content: Content, paper: str = "a4") -> bytes:
    """The card that stays with the radio, on the upper half of a page. Raises: ValueError: unknown paper."""
    return _typeset("card.typ", {"card": _ready(content.card)}, paper)


#: Lists of pictures: their points are drawn before, and only their words go to the typesetter.
_DRAWN = ("matrix_plots", "plots")


def _about(plot: Any) -> dict[str, str]:
    return {"key": plot.key, "title": _set(plot.title), "caption": _set(plot.caption)}


def _ready(value: Any) -> Any:
    """Content as JSON can carry it, each text with the marks that the typesetter needs."""
    if isinstance(value, str):
        return _set(str(value))
    if dataclasses.is_dataclass(value):
        return {part.name: _ready(getattr(value, part.name)) for part in dataclasses.fields(value)}
    return [_ready(part) for part in value] if isinstance(value, tuple) else value


def _set(text: str) -> str:
    """Text that runs from right to left, kept from turning its neighbours round."""
    turned = any(unicodedata.bidirectional(letter) in ("R", "AL") for letter in text)
    return f"{_ISOLATE}{text}{_END}" if turned or "\u200f" in text or "\u061c" in text else text


def _size(paper: str) -> str:
    if paper not in PAPERS:
        raise ValueError(f"unknown paper {paper!r}: expected one of {', '.join(PAPERS)}")
    return PAPERS[paper]


def _typeset(template: str, data: dict[str, Any], paper: str) -> bytes:
    colours = {role: pair[0] for role, pair in PAGE.items()}
    told = json.dumps(data | {"paper": _size(paper), "colours": colours, "signals": SIGNAL}, ensure_ascii=False)
    folder = resources.files("analysis.report") / "templates"
    source = "\n".join((folder / name).read_text("utf-8") for name in ("sheet.typ", template))
    lacking = not set(told) <= _letters() | set("\n\u200b\u200e\u200f\u061c\u2068\u2069")
    compiler = _compiler(lacking)
    made = compiler.compile(
        input=source.encode(), format="pdf", sys_inputs={"data": told}, timestamp=0, pdf_standards="ua-1"
    )
    if not isinstance(made, bytes):
        raise TypeError(f"the typesetter gave {type(made).__name__}: expected bytes")
    return made


@cache
def _compiler(system_fonts: bool) -> Compiler:
    from pathlib import Path

    import matplotlib
    import typst

    faces = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    return typst.Compiler(input=b"", font_paths=typst.Fonts(system_fonts, True, [str(faces)]))


@cache
def _letters() -> frozenset[str]:
    """Letters that the faces which come along have."""
    from pathlib import Path

    import matplotlib
    from matplotlib.ft2font import FT2Font

    face = FT2Font(str(Path(matplotlib.get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf"))
    return frozenset(chr(code) for code in face.get_charmap())
