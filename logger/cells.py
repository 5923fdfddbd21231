"""Cells of a session's CSV files: quoting, guarding against formulas, time stamps."""

from __future__ import annotations

import re
from collections.abc import Container
from datetime import UTC, datetime
from functools import lru_cache
from urllib.parse import unquote

_NO_TEXT = re.compile("[\0\ud800-\udfff]")
#: A text cell that begins so gets one ' in front, so that no spreadsheet runs it.
_GUARDED = ("=", "+", "-", "@", "\t", "\r", "'")

_MOST_DIGITS = 15  #: of a row's number


def cell(text: str) -> str:
    """A text cell: guarded, and quoted where RFC 4180 wants it.

    NUL, which no CSV reader takes, and half of a surrogate pair, which is no text, become U+FFFD.
    """
    text = _NO_TEXT.sub("\ufffd", text)
    if text.startswith(_GUARDED):
        text = "'" + text
    if any(c in text for c in ',"\r\n'):
        return '"' + text.replace('"', '""') + '"'
    return text


def uncell(text: str) -> str:
    """A text cell, already unquoted, as it was before writing."""
    return text[1:] if text.startswith("'") and text[1:].startswith(_GUARDED) else text


def detail_of(text: str) -> dict[str, str]:
    """The detail of an event: `key=value; key=value`, with ; and % in a value percent-encoded."""
    pairs = (part.partition("=") for part in text.split(";") if "=" in part)
    return {key.strip(): unquote(value.strip(), errors="replace") for key, _, value in pairs}


def span_of(text: str) -> tuple[int, int] | None:
    """The rows that a take names, `12-15` or `12`; None where they can be none of a file."""
    first, _, last = text.partition("-")
    last = last or first
    if not (first.isdecimal() and last.isdecimal() and max(len(first), len(last)) <= _MOST_DIGITS):
        return None
    return int(first), int(last)


@lru_cache(maxsize=256)
def second(whole: int) -> str:
    """RFC 3339 in UTC up to the second. [s since 1970]"""
    return datetime.fromtimestamp(whole, UTC).strftime("%Y-%m-%dT%H:%M:%S")


def stamp(seconds: float) -> str:
    """RFC 3339 in UTC with microseconds. [s since 1970]"""
    whole, micros = divmod(round(seconds * 1e6), 1_000_000)
    return f"{second(whole)}.{micros:06d}Z"


def meter_of(name: str, roles: Container[str]) -> tuple[str, str]:
    """The meter and the channel that a row's meter cell names: `v`, or `v.U1` for one of several values of `v`."""
    if name in roles:
        return name, ""
    role, _, channel = name.rpartition(".")
    return (role, channel) if role in roles else (name, "")
