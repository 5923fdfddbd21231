"""Cells of a session's CSV files: quoting, guarding against formulas, time stamps."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import lru_cache

#: A text cell that begins so gets one ' in front, so that no spreadsheet runs it.
_GUARDED = ("=", "+", "-", "@", "\t", "\r", "'")


def cell(text: str) -> str:
    """A text cell: guarded, and quoted where RFC 4180 wants it. NUL, which no CSV reader takes, becomes U+FFFD."""
    text = text.replace("\0", "�")
    if text.startswith(_GUARDED):
        text = "'" + text
    if any(c in text for c in ',"\r\n'):
        return '"' + text.replace('"', '""') + '"'
    return text


@lru_cache(maxsize=256)
def _second(whole: int) -> str:
    return datetime.fromtimestamp(whole, UTC).strftime("%Y-%m-%dT%H:%M:%S")


def stamp(seconds: float) -> str:
    """RFC 3339 in UTC with microseconds. [s since 1970]"""
    whole, micros = divmod(round(seconds * 1e6), 1_000_000)
    return f"{_second(whole)}.{micros:06d}Z"
