"""Words from outside (names, notes, tags, a meter's own identity) made fit to be shown as text, and values shown.

The outputs escape; this takes out what no escaping helps against: control characters, marks that turn the reading
direction of the text round them, lone surrogates, and ten thousand characters where a name is expected.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable
from datetime import UTC, datetime

from analysis.finding import Evidence
from drivers.units import counted, show, show_pm

REPLACEMENT = "\N{REPLACEMENT CHARACTER}"
#: C0 and C1 controls, bidirectional embeddings, overrides and isolates, line separators, lone surrogates, tags of the
#: supplementary planes and code points that are no characters. Source: Unicode 15, chapters 2.4, 23.1, 23.2 and 23.9.
_CONTROLS = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ufdd0-\ufdef\ufff9-\ufffb\ufffe\uffff"
    "\ud800-\udfff\U000e0000-\U000e0fff]"
)
_BREAKS = re.compile("[\t-\r\x85\u2028\u2029]+")
_SPACE = re.compile(r"\s+")
#: Lengths in characters from which a text is cut, with a note.
NAME, SENTENCE, NOTE = 120, 1200, 2000


def without_controls(text: object) -> str:
    """All of `text`, its lines and tabs too, with each control as the replacement character."""
    return _CONTROLS.sub(REPLACEMENT, str(text))


def one_line(text: object) -> str:
    """All of `text` as one line of a terminal: no name or tag in it can begin another, turn one round or wipe one."""
    return without_controls(_BREAKS.sub(" ", str(text)))


def escaped_controls(document: str) -> str:
    r"""A JSON document that says the same with each control in its texts as \uXXXX."""
    return _CONTROLS.sub(lambda found: json.dumps(found[0])[1:-1], document)


def plain(text: object, limit: int = NAME, *, lines: bool = False) -> str:
    """`text` as it can be shown anywhere: controls as the replacement character, cut visibly at `limit` characters.

    Args:
        lines: keep line breaks; else every run of white space becomes one space.
    """
    found = str(text).replace("\r\n", "\n").replace("\r", "\n")
    length = len(found)
    found = without_controls(found[: 2 * limit + 2])
    found = found.strip() if lines else _SPACE.sub(" ", found).strip()
    if length <= 2 * limit + 2 and len(found) <= limit:
        return found
    return f"{found[:limit]}… [cut: {length:,} characters]"


def slug(text: str) -> str:
    """An anchor of `text`: a-z, 0-9 and -."""
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")[:40] or "x"


def moment(stamp: str, *, clock: bool = True) -> str:
    """An RFC 3339 time for a person, in UTC; text that is no time comes back as it is."""
    try:
        found = datetime.fromisoformat(stamp)
        # A bare date or time is taken as it stands: where the report is made must change nothing in it.
        found = found.replace(tzinfo=UTC) if found.tzinfo is None else found.astimezone(UTC)
    except (ValueError, OverflowError):
        return plain(stamp, 40)
    months = ("January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
              "November", "December")  # fmt: skip
    day = f"{found.day} {months[found.month - 1]} {found.year}"
    return f"{day}, {found:%H:%M} UTC" if clock else day


def duration(seconds: float) -> str:
    """A length of time for a person."""
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"


def amount(value: float | None, expanded: float | None, unit: str | None) -> str:
    """A value with its U where there is one; a dash where there is no value."""
    if value is None:
        return "–"
    if unit == "V" and 0.01 <= max(abs(value), expanded or 0.0) < 1:  # beside 118 V, 0.8 V tells more than 800 mV
        if not expanded:
            return f"{value:.2f} V"
        places = max(0, 1 - math.floor(math.log10(expanded)))
        return f"{value:.{places}f} ± {expanded:.{places}f} V"
    if unit == "1":  # a plain number, such as a gain, has neither prefix nor unit
        places = max(0, 1 - math.floor(math.log10(expanded))) if expanded else 2
        return f"{value:.{places}f} ± {expanded:.{places}f}" if expanded else f"{value:.{places}f}"
    return show_pm(value, expanded, unit or "")


def exactly(value: float, unit: str) -> str:
    """A limit or a nominal value, without trailing zeros: 30 V, 0.5 mA."""
    if unit == "1":
        return f"{value:.3g}"
    text, _, name = show(value, unit).partition(" ")
    return f"{text.rstrip('0').rstrip('.') if '.' in text else text} {name}"


def rounded(value: float, unit: str) -> str:
    """A computed figure to three significant digits."""
    return show(value, unit, 10.0 ** (math.floor(math.log10(abs(value))) - 2) if value else None)


def runs(numbers: Iterable[int]) -> str:
    """Row numbers as runs: 3–5, 9."""
    parts: list[list[int]] = []
    for number in sorted(set(numbers)):
        if parts and number == parts[-1][1] + 1:
            parts[-1][1] = number
        else:
            parts.append([number, number])
    shown = [str(a) if a == b else f"{a}–{b}" for a, b in parts[:12]]
    return ", ".join(shown) + (f" and {counted(len(parts) - 12, 'more stretch')}" if len(parts) > 12 else "")


def evidence(entry: Evidence) -> str:
    """Where a finding's rows are, for a person."""
    take = f", take {entry.take}" if entry.take is not None else ""
    rows = f": rows {runs(entry.rows)}" if entry.rows else ""
    return f"{plain(entry.session)}{rows}{take}"


def listed(words: Iterable[str], *, most: int = 8) -> str:
    """Words as a list in a sentence; a long one ends in a count."""
    found = list(words)
    if len(found) > most:
        found = [*found[:most], f"{len(found) - most} more"]
    return found[0] if len(found) == 1 else ", ".join(found[:-1]) + f" and {found[-1]}" if found else ""
