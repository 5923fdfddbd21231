"""The tags in force, with the moment from which each set holds."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence

from drivers.reading import Reading
from logger.cells import cell
from logger.session import TAGS

_NAMED = re.compile(r"(?:^|\s)([A-Za-z][\w-]*)=")


def changes_in(text: str) -> dict[str, str]:
    """The tags that a typed line changes, such as `point=aerial plug=2 burden=100 kohm`; empty if it names none."""
    names = list(_NAMED.finditer(text))
    if not names or text[: names[0].start()].strip():
        return {}
    ends = [match.start() for match in names[1:]] + [len(text)]
    return {match[1]: text[match.end() : end].strip() for match, end in zip(names, ends, strict=True)}


class Tags:
    """The tags in force, with the moment from which each set holds."""

    def __init__(self, extra: Sequence[str] = ()) -> None:
        self.names = (*TAGS, *extra)
        self._since: list[float] = [float("-inf")]
        self._sets: list[dict[str, str]] = [{}]
        self._cells: list[str] = [self._line({})]
        self._roles: list[str] = [""]
        self._none = self._cells[0]

    def _line(self, tags: Mapping[str, str]) -> str:
        return "".join("," + cell(tags.get(name, "")) for name in self.names)

    def set(self, tags: Mapping[str, str], since: float, role: str = "") -> None:
        """Put a whole set of tags in force from a moment on. Raises: ValueError: a tag without a column.

        Args:
            role: the one meter whose rows they are for; the others' rows then have none. Empty: all meters.
        """
        unknown = set(tags) - set(self.names)
        if unknown:
            raise ValueError(f"no column for tag {', '.join(sorted(unknown))}")
        self._sets.append(dict(tags))
        self._cells.append(self._line(tags))
        self._roles.append(role)
        self._since.append(max(since, self._since[-1]))  # last, so that a reader never finds an index without its set

    @property
    def now(self) -> dict[str, str]:
        """The set that was put in force last."""
        return self._sets[-1]

    def at(self, elapsed: float) -> tuple[Mapping[str, str], str]:
        """The tags in force at a moment, and their finished cells."""
        index = self._index(elapsed)
        return self._sets[index], self._cells[index]

    def _index(self, elapsed: float) -> int:
        index = len(self._since) - 1
        while self._since[index] > elapsed:
            index -= 1
        return index

    def _for(self, index: int, role: str) -> tuple[Mapping[str, str], str]:
        """One set as it holds for a meter."""
        if self._roles[index] in ("", role):
            return self._sets[index], self._cells[index]
        return {}, self._none

    def grouped(
        self, readings: Sequence[Reading], role: str = ""
    ) -> Iterator[tuple[Sequence[Reading], tuple[Mapping[str, str], str]]]:
        """Readings of one meter in order of time, cut where the tags in force changed."""
        first, last = self._index(readings[0].elapsed), self._index(readings[-1].elapsed)
        begin = 0
        while first < last:
            until = self._since[first + 1]
            end = next(i for i in range(begin, len(readings)) if readings[i].elapsed >= until)
            if end > begin:
                yield readings[begin:end], self._for(first, role)
            begin, first = end, self._index(readings[end].elapsed)
        yield readings[begin:], self._for(last, role)
