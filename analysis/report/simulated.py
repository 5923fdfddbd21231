"""Whether a record's readings came from a radio at all, or from a practice bench or a constructed wire log."""

from __future__ import annotations

from analysis.card import RadioCard
from analysis.descriptor import PRACTICE
from analysis.table import Radio, Session

#: Stands on every sheet and on the card of a radio with such readings.
BAND = "SIMULATED. Says nothing of any radio."
PART = "PARTLY SIMULATED. Says nothing of any radio."
#: A port behind which no instrument is, but bytes played from a file.
_PLAYED = "replay://"
#: What a practice meter answers when it is asked who it is; nothing that is sold answers so.
_IDENTITY = "PRACTICE,"
#: What the program itself writes into the card of a practice radio, and into the demo's.
_NOTES = ("practice scenario ", "its readings are constructed")


def why_simulated(card: RadioCard, session: Session) -> str:
    """What tells that a sitting's readings are no radio's; empty where nothing does.

    The port and the identity stand in the sitting's own record and outweigh the card. The card's note counts only
    where every meter was played from a file or typed: a practice card may later serve a real radio.
    """
    meters = list(session.meters.values())
    if session.practised:
        return f"a meter’s port is {PRACTICE}, a bench that the program itself makes up"
    if any(meter.identity.upper().startswith(_IDENTITY) for meter in meters):
        return "a meter names itself a practice meter"
    note = next((note for note in _NOTES if note in card.notes.lower()), "")
    if note and meters and all(not meter.port or meter.port.lower().startswith(_PLAYED) for meter in meters):
        return "the radio’s card says so, and no meter of the sitting was at a port"
    return ""


def only_simulated(radio: Radio) -> bool:
    """Whether everything that was judged is no radio's."""
    return bool(radio.judged) and all(why_simulated(radio.card, session) for session in radio.judged)


def band(radio: Radio) -> str:
    """What every sheet and the card of the radio has to bear; empty for readings of a radio."""
    told = [bool(why_simulated(radio.card, session)) for session in radio.sessions]
    return (BAND if all(told) else PART) if any(told) else ""
