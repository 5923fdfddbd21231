"""The benchbook's index as one self-contained page: every radio one line, with links into its folder."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from analysis.report.palette import FIGURE, PAGE, SIGNAL
from analysis.report.text import SENTENCE, plain
from analysis.summary import Summary


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One radio with its links, relative to the page; empty where there is nothing to link to."""

    summary: Summary
    report: str = ""
    place: str = ""


def render_index(title: str, lines: Sequence[Line]) -> str:
    """The page. It names no time of its making: the same data give the same bytes."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("analysis.report"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True, keep_trailing_newline=True,
    )  # fmt: skip
    environment.globals.update(page=PAGE, figure=FIGURE, signal=SIGNAL)
    counts = {level: sum(line.summary.level == level for line in lines) for level in
              ("danger", "caution", "undecided", "within")}  # fmt: skip
    shown = [replace(line, summary=_shown(line.summary)) for line in lines]
    return environment.get_template("index.html").render(title=plain(title), lines=shown, counts=counts)


def _shown(summary: Summary) -> Summary:
    """The same with every text from outside fit to be shown."""
    return replace(
        summary, radio=plain(summary.radio), name=plain(summary.name), stage=plain(summary.stage),
        missing=tuple(plain(text, SENTENCE) for text in summary.missing), problem=plain(summary.problem, SENTENCE),
        last_sitting=plain(summary.last_sitting), calibration_due=plain(summary.calibration_due),
        calibration_meter=plain(summary.calibration_meter),
    )  # fmt: skip
