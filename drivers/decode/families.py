"""A profile becomes the framer and the decoder that read its meter."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

from drivers.accuracy import Accuracies
from drivers.decode.numbered import NumberedDecoder
from drivers.decode.scpi_numbers import ScpiDecoder
from drivers.decode.tables import Numbered, Scpi
from drivers.framing import Framer, LineFramer, Skipped, numbered_framer
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
        case Scpi():
            # A list of many readings is one line: 20 bytes hold one with its comma.
            return LineFramer(end=table.line_end, limit=4096 + 20 * table.samples), ScpiDecoder(table, fit)
    raise ValueError(f"profile {profile.name!r}: its family has no frames of its own")
