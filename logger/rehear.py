"""A session's wire log decoded again, meter by meter, in step with whoever asks: memory stays flat."""

from __future__ import annotations

import csv
from collections import deque
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

from drivers.overheard import Overheard, overheard, pieces_of
from drivers.port import WirePiece
from drivers.profile import Profile
from drivers.reading import Reading
from logger.scan import rows
from logger.session import WIRE_COLUMNS


class Rehearing:
    """Readings out of `wire.csv`, in the order of the wire.

    Args:
        path, end: the wire log, and where its last whole row ends.
        profiles: of the meters to listen to, by role; others are passed over.
        cuts: when the port of a role was lost, in order of time. [s]
    """

    def __init__(
        self, path: Path, end: int, profiles: Mapping[str, Profile], cuts: Iterable[tuple[str, float]] = ()
    ) -> None:
        self.problems: list[str] = []
        self.roles: dict[str, int] = {}  #: pieces of each role
        self._listeners: dict[str, Overheard] = {role: overheard(profile) for role, profile in profiles.items()}
        self._cuts: dict[str, deque[float]] = {role: deque() for role in profiles}
        for role, elapsed in cuts:
            if role in self._cuts:
                self._cuts[role].append(elapsed)
        self._waiting: dict[str, deque[Reading]] = {role: deque() for role in profiles}
        self._stream = self._heard(path, end)

    def next_of(self, role: str) -> Reading | None:
        """The next reading of one meter, or None at the end of the wire."""
        waiting = self._waiting[role]
        while not waiting:
            found = next(self._stream, None)
            if found is None:
                return None
            self._waiting[found[0]].append(found[1])
        return waiting.popleft()

    def put_back(self, role: str, reading: Reading) -> None:
        """It was one too far."""
        self._waiting[role].appendleft(reading)

    def all(self) -> Iterator[tuple[str, Reading]]:
        """Every reading that was not asked for yet, with its role."""
        for role, waiting in self._waiting.items():
            while waiting:
                yield role, waiting.popleft()
        yield from self._stream

    def resyncs(self) -> list[tuple[str, float, dict[str, str]]]:
        """Stretches that no decoder could read: role, elapsed, detail."""
        found = []
        for role, listener in self._listeners.items():
            found += [(role, e.elapsed, e.detail) for e in listener.faults.drained() if e.kind == "resync"]
        return found

    def _heard(self, path: Path, end: int) -> Iterator[tuple[str, Reading]]:
        for piece, role in self._pieces(path, end):
            self.roles[role] = self.roles.get(role, 0) + 1
            listener = self._listeners.get(role)
            if listener is None:
                continue
            cuts = self._cuts[role]
            while cuts and cuts[0] < piece.elapsed:
                cuts.popleft()
                yield from ((role, reading) for reading in listener.cut())
            yield from ((role, reading) for reading in pieces_of(piece, listener))
        for role, listener in self._listeners.items():
            yield from ((role, reading) for reading in listener.cut())

    def _pieces(self, path: Path, end: int) -> Iterator[tuple[WirePiece, str]]:
        try:
            stream = rows(path, end)
            header = next(stream, [])
            if header != list(WIRE_COLUMNS):
                self.problems.append(f"wire.csv: its columns are not {', '.join(WIRE_COLUMNS)}")
                return
            for number, row in enumerate(stream):
                try:
                    elapsed, role, direction, text = row
                    piece = WirePiece(float(elapsed), direction, bytes.fromhex(text))
                    if direction not in ("rx", "tx"):
                        raise ValueError(direction)
                except ValueError:
                    self.problems.append(f"wire.csv, row {number}: cannot be read")
                    continue
                yield piece, role
        except (OSError, csv.Error) as exc:
            self.problems.append(f"wire.csv cannot be read: {exc}")
