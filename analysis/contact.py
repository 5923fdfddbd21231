"""Whether the probe was seen to touch its point: ohms or continuity read at the point with the plug out.

A probe in the air reads as low as a dead part. What was read of its contact before and after a state speaks for that
state or against it; where nothing was read of it, the statement says so.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.readings import BoolArray, IntArray
from analysis.states import Chunk, Value, lowest, settle

#: Less than this between the clip and the bare metal beside it is contact. [Ω] Source: own choice; wire, clip and
#: metal have some tenths of an ohm, a film of paint or oxide has kilohms and more.
CONTACT = 10.0
_OHMS = ("resistance", "continuity")


@dataclass(frozen=True, slots=True)
class Looks:
    """When contact was looked for at one point in one session, in order of time, and whether it was there."""

    moments: tuple[float, ...] = ()  #: [s since 1970]
    found: tuple[bool, ...] = ()

    def around(self, value: Value) -> tuple[bool | None, bool | None]:
        """What was seen last before a value was read and first after it; None: nothing was."""
        place = bisect_right(self.moments, value.ended)
        before = self.found[place - 1] if place else None
        return before, self.found[place] if place < len(self.found) else None


#: By session and point.
Contacts = Mapping[tuple[str, str], Looks]


def contacts(found: Mapping[str, Sequence[Chunk]]) -> Contacts:
    """What each session's rows say of the probe's contact with each point.

    Args: found: chunks by session; of each touched point those of ohms and of volts.
    """
    looks: dict[tuple[str, str], list[tuple[float, bool]]] = {}
    for session, several in found.items():
        for chunk in several:
            if chunk.key.quantity in _OHMS:
                volts = _volts(several, chunk.key.point)
                looks.setdefault((session, chunk.key.point), []).extend(_looks(chunk, volts))
    return {place: Looks(*zip(*sorted(seen), strict=True)) for place, seen in looks.items() if seen}


def _volts(found: Iterable[Chunk], point: str) -> IntArray:
    """Rows of readings.csv in which volts of a point stand, in order."""
    rows = [chunk.rows for chunk in found if chunk.key.point == point and chunk.key.quantity == "voltage"]
    return np.sort(np.concatenate(rows)) if rows else np.zeros(0, dtype=np.int64)


def _looks(chunk: Chunk, volts: IntArray) -> list[tuple[float, bool]]:
    """What was seen between two stretches of volts: each take, else what the rows came to.

    An ohmmeter shows an open circuit until its lead touches and when it is lifted, so an overload alone speaks against
    contact only where nothing else was seen. Ohms that are a film of paint are no lifted lead.
    """
    stretch = np.searchsorted(volts, chunk.rows)
    looks = []
    for number in np.unique(stretch):
        part = _part(chunk, stretch == number)
        looks += _taken(part) or _by_rows(part)
    return looks


def _by_rows(part: Chunk) -> list[tuple[float, bool]]:
    """By the rows of a stretch that nobody took: contact where they settled on it, paint before it where they did too.

    Fingers on the leads and a meter that changes its range show ohms in passing; without contact, any row speaks.
    """
    moments, least = part.began + part.elapsed, lowest(part)
    if least is None or least >= CONTACT:
        against = part.overload.any() or (np.abs(part.value[part.ok]) >= CONTACT).any()
        return [(float(moments[-1]), False)] if against else []
    found = [(float(moments[-1]), True)]
    highest = settle(_part(part, part.ok))
    if highest is not None and highest.magnitude >= CONTACT:
        found.insert(0, (float(moments[0]), False))
    return found


def _taken(part: Chunk) -> list[tuple[float, bool]]:
    return [
        (part.began + float(part.elapsed[inside][-1]), take.value is not None and abs(take.value) < CONTACT)
        for take in part.session.takes
        if take.meter == part.meter and take.quantity in _OHMS
        and (inside := (part.rows >= take.first) & (part.rows <= take.last)).any()
    ]  # fmt: skip


def _part(chunk: Chunk, mask: BoolArray) -> Chunk:
    return replace(
        chunk, rows=chunk.rows[mask], turn=chunk.turn[mask], elapsed=chunk.elapsed[mask], value=chunk.value[mask],
        ok=chunk.ok[mask], overload=chunk.overload[mask], u=chunk.u[mask], range=chunk.range[mask],
        resolution=chunk.resolution[mask], take=None, memo={},
    )  # fmt: skip
