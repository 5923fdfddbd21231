"""The report and the radio's card as one self-contained page each: no scripts, nothing fetched from anywhere."""

from __future__ import annotations

import re
from functools import cache
from typing import TYPE_CHECKING

from analysis.report.content import Content
from analysis.report.palette import FIGURE, PAGE, SIGNAL

if TYPE_CHECKING:
    from jinja2 import Environment

    from analysis.report.plots import Plot


@cache
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("analysis.report"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True, keep_trailing_newline=True,
    )  # fmt: skip
    environment.globals.update(page=PAGE, figure=FIGURE, signal=SIGNAL)
    environment.filters.update(joined=_joined, units=_units)
    return environment


def _joined(words: str) -> str:
    """A figure with its unit in one line; several figures break between them."""
    return re.sub(r"(?<![;:]) ", "\u00a0", words)


def _units(words: str) -> str:
    """A sentence whose numbers keep their units."""
    return re.sub(r"(?<=\d) (?=(?:[mkMµ]?[VAWΩ]|dB|s)\b)", "\u00a0", words)


def render_html(content: Content) -> str:
    """The report as an HTML document."""
    from markupsafe import Markup

    from analysis.report.figures import draw
    from analysis.report.svg import inline

    def picture(plot: Plot) -> Markup:
        return Markup(inline(draw(plot), plot.alt))

    return _environment().get_template("report.html").render(content=content, picture=picture)


def render_card_html(content: Content) -> str:
    """The card that stays with the radio as an HTML document."""
    return _environment().get_template("card.html").render(content=content, card=content.card)
