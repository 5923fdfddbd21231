"""How commands show what they found: JSON documents, and lines for people with levels in words."""

from __future__ import annotations

import codecs
import json
import math
import os
import sys
from typing import Annotated, Any

import typer

from analysis.report.text import escaped_controls, one_line
from logger.radio import Benchbook, default_benchbook

BenchbookOption = Annotated[
    str, typer.Option("--benchbook", metavar="DIR", help="Folder that holds all radios.", show_default=False)
]
StageOption = Annotated[
    str, typer.Option(metavar="STAGE", help="before-fit, after-fit or your own; else that of the last session.")
]
FeedOption = Annotated[str, typer.Option(metavar="FEED", help="mains, isolating-transformer, variac or lamp-limiter.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON document.")]

_COLOURS = {"danger": "red", "caution": "yellow", "undecided": "magenta", "within": "green"}

#: Name of the handler of signs that a stream cannot show.
SPELLED = "chassislog-spelled"
#: What stands for them. A lost µ would be a thousand times another reading, a lost minus its opposite.
_SPELLING = {"µ": "u", "μ": "u", "Ω": "ohm", "\u2126": "ohm", "±": "+-", "°": "deg", "℃": "degC", "×": "x", "−": "-",
             "–": "-", "—": "-", "·": "-", "…": "...", "≥": ">=", "≤": "<=", "≈": "~", "√": "sqrt", "²": "^2",
             "’": "'", "‘": "'", "“": '"', "”": '"', "→": "->"}  # fmt: skip


def spelled(exc: UnicodeError) -> tuple[str, int]:
    """The error handler: each sign that cannot be shown is spelled, else it is a question mark."""
    if not isinstance(exc, UnicodeEncodeError):
        raise exc
    return "".join(_SPELLING.get(sign, "?") for sign in exc.object[exc.start : exc.end]), exc.end


codecs.register_error(SPELLED, spelled)


def benchbook_of(folder: str) -> Benchbook:
    """The benchbook that was named, else the default one."""
    from pathlib import Path

    return Benchbook(Path(folder) if folder else default_benchbook())


def _finite(value: Any) -> Any:
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, dict):
        return {key: _finite(inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [_finite(inner) for inner in value]
    return value


def say_json(document: Any) -> None:
    """One JSON document on standard output; what is not finite is null, and controls are escaped."""
    print(escaped_controls(json.dumps(_finite(document), indent=1, ensure_ascii=False, allow_nan=False)))


def say(text: str = "", *, level: str = "", before: str = "") -> None:
    """One line of an answer for people on standard output, after its level."""
    print(f"{before}{level_word(level)} {one_line(text)}" if level else f"{before}{one_line(text)}")


def tell(text: str) -> None:
    """A message for people in one line, beside the answer."""
    print(one_line(text), file=sys.stderr)


def level_word(level: str) -> str:
    """A level in capitals, coloured where a terminal shows it and nobody asked for none."""
    word = level.upper().ljust(9)
    if sys.stdout.isatty() and not os.environ.get("NO_COLOR"):
        return typer.style(word, fg=_COLOURS.get(level), bold=True)
    return word
