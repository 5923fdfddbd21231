"""A profile becomes the framer and the decoder that read its meter."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

from drivers.accuracy import Accuracies
from drivers.decode.ascii_status import AsciiStatusDecoder
from drivers.decode.numbered import NumberedDecoder
from drivers.decode.packed import PackedDecoder
from drivers.decode.polled_text import PolledTextDecoder
from drivers.decode.scpi_numbers import ScpiDecoder
from drivers.decode.stream16 import Stream16Decoder
from drivers.decode.tables import AsciiStatus, Numbered, Packed, PolledText, Scpi, Stream16, TextLine
from drivers.decode.text_line import TextLineDecoder, starts_with_a_label
from drivers.framing import (
    Framer,
    LineFramer,
    Skipped,
    ascii_status_framer,
    numbered_framer,
    packed_framer,
    polled_text_framer,
    stream_16_framer,
)
from drivers.profile import Profile
from drivers.reading import Reading

#: The bytes of one frame and the time of its last byte -> what it says.
Decode = Callable[[bytes, float], list[Reading | Skipped]]


def build(
    profile: Profile, *, ambient: float | None = None, on: date | None = None, frequency: float | None = None
) -> tuple[Framer, Decode]:
    """Framer and decoder of a profile, new and without history; readings carry their standard uncertainty.

    Args:
        ambient, on, frequency: the conditions of the sitting, where known, for the uncertainty
    Raises: ValueError: the family has no byte stream of its own (Modbus, typed).
    """
    fit = Accuracies.of(profile, ambient=ambient, on=on, frequency=frequency).fit
    table = profile.decode
    match table:
        case Numbered():
            return numbered_framer(), NumberedDecoder(table, fit)
        case AsciiStatus():
            return ascii_status_framer(), AsciiStatusDecoder(table, fit)
        case PolledText():
            return polled_text_framer(), PolledTextDecoder(table, fit)
        case Packed():
            return packed_framer(table.digits + 5), PackedDecoder(table, fit)
        case Stream16():
            return stream_16_framer(), Stream16Decoder(table, fit)
        case TextLine():
            return _line_framer(table, asked=bool(profile.poll.request)), TextLineDecoder(table, fit)
        case Scpi():
            # A list of many readings is one line: 20 bytes hold one with its comma.
            return LineFramer(end=table.line_end, limit=4096 + 20 * table.samples), ScpiDecoder(table, fit)
    raise ValueError(f"profile {profile.name!r}: its family has no frames of its own")


def _line_framer(table: TextLine, *, asked: bool) -> LineFramer:
    """The first line is kept where it must be whole: an answer, or one that its pattern ties to the line's start."""
    whole = asked or starts_with_a_label(table.pattern)
    keep = whole if table.first_line == "auto" else table.first_line == "keep"
    return LineFramer(end=table.line_end, limit=table.longest, keep_first=keep)
