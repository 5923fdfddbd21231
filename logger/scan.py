"""One file of a session, read in pieces: size, hash, whole rows, and where a torn last row begins."""

from __future__ import annotations

import csv
import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from logger.cells import uncell

_PIECE = 1 << 20
#: Longest cell that is read; the program itself writes pieces of 32 kB at most. [characters]
_LONGEST = 1 << 24


@dataclass(frozen=True, slots=True, kw_only=True)
class Scan:
    """What a file holds."""

    size: int
    digest: str  #: SHA-256 of all of it, as hex
    rows: int  #: whole rows without the header
    end: int  #: where the last whole row ends; what follows is torn


def scan(path: Path) -> Scan:
    """Read a file once, in pieces. Raises: OSError."""
    digest = hashlib.sha256()
    size = rows = end = 0
    quoted = False
    with path.open("rb") as file:
        while piece := file.read(_PIECE):
            digest.update(piece)
            if quoted or b'"' in piece:
                quoted, count, last = _ends_between_quotes(piece, quoted=quoted)
            else:
                count, last = piece.count(b"\n"), piece.rfind(b"\n")
            rows += count
            if last >= 0:
                end = size + last + 1
            size += len(piece)
    return Scan(size=size, digest=digest.hexdigest(), rows=max(0, rows - 1), end=end)


def _ends_between_quotes(piece: bytes, *, quoted: bool) -> tuple[bool, int, int]:
    """A line's end within quotes ends no row: whether the quotes are open, row ends, and the last one's place."""
    count, last, at = 0, -1, 0
    for line in _lines(piece):
        at += len(line)
        quoted ^= bool(line.count(b'"') & 1)
        if not quoted and line.endswith(b"\n"):
            count, last = count + 1, at - 1
    return quoted, count, last


def _lines(piece: bytes) -> Iterator[bytes]:
    """Lines by LF alone."""
    at = 0
    while (found := piece.find(b"\n", at)) >= 0:
        yield piece[at : found + 1]
        at = found + 1
    yield piece[at:]


def raw_lines(path: Path, end: int) -> Iterator[bytes]:
    """The lines up to `end`, as they stand. Raises: OSError."""
    at = 0
    with path.open("rb") as file:
        for line in file:
            at += len(line)
            if at > end:
                return
            yield line


def records(path: Path, end: int) -> Iterator[list[str]]:
    """The rows up to `end`, the header first, as they stand in the file. Raises: OSError, csv.Error."""
    csv.field_size_limit(max(csv.field_size_limit(), _LONGEST))
    return csv.reader(line.decode("utf-8", "replace").replace("\0", "\ufffd") for line in raw_lines(path, end))


def rows(path: Path, end: int) -> Iterator[list[str]]:
    """As `records`, with text cells as they were before writing. Raises: OSError, csv.Error."""
    csv.field_size_limit(max(csv.field_size_limit(), _LONGEST))
    guarded = False

    def lines() -> Iterator[str]:
        nonlocal guarded
        for line in raw_lines(path, end):
            if b"'" in line:  # seldom; and looking at every cell of every row costs more than all the rest
                guarded = True
            yield line.decode("utf-8", "replace").replace("\0", "\ufffd")

    for record in csv.reader(lines()):
        if guarded:
            guarded = False
            yield [uncell(text) for text in record]
        else:
            yield record
