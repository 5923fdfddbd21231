"""The readings of one session, from the bytes of readings.csv: numbers as floats, words and tags as coded text.

A row's number in readings.csv (first data row = 0) is its place in every column.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from drivers.reading import BenchError

if TYPE_CHECKING:
    import pandas as pd

FloatArray = np.ndarray[Any, np.dtype[np.float64]]
IntArray = np.ndarray[Any, np.dtype[np.int64]]
CodeArray = np.ndarray[Any, np.dtype[np.integer[Any]]]
BoolArray = np.ndarray[Any, np.dtype[np.bool_]]

NUMBERS = ("elapsed_s", "value", "u", "range", "resolution")
TAGS = ("point", "plug", "switch", "load", "burden", "arrangement", "step")
COLUMNS = ("time", "elapsed_s", "meter", "quantity", "coupling", "value", "unit", "status", "u", "range", "resolution",
           "flags", *TAGS)  # fmt: skip
#: A text cell that begins so gets one ' in front, so that no spreadsheet runs it.
ESCAPED = ("=", "+", "-", "@", "\t", "\r", "'")
#: Up to here a plain file is read without pandas, which takes as long for itself as for a thousand rows. [B]
_SHORT = 100_000
#: From here on pandas codes the text while it reads: that saves memory and, on long files, time. [B]
_LARGE = 4_000_000
_DIGITS = frozenset("0123456789.eE+-")


class TableError(BenchError):
    """A session that cannot be read."""


def unescape(text: str) -> str:
    """A text cell as it was before writing."""
    return text[1:] if text[:1] == "'" and text[1:2] in ESCAPED and len(text) > 1 else text


@dataclass(frozen=True, slots=True)
class Words:
    """A column of text."""

    codes: CodeArray  #: the place of each row's text in `names`
    names: tuple[str, ...]  #: every text that there is, once

    def are(self, text: str) -> BoolArray:
        """Which rows hold that text."""
        if text not in self.names:
            return np.zeros(len(self.codes), dtype=np.bool_)
        return np.asarray(self.codes == self.names.index(text))

    def at(self, rows: IntArray) -> np.ndarray[Any, np.dtype[np.object_]]:
        """The texts of some rows."""
        return np.array(self.names, dtype=object)[self.codes[rows]]


@dataclass(frozen=True, kw_only=True)
class Readings:
    """The rows of readings.csv, column by column.

    Not a DataFrame: in an archive of small sessions, making its columns costs more than all the judging.
    """

    numbers: Mapping[str, FloatArray]  #: unknown is NaN
    words: Mapping[str, Words]
    times: pd.Series[Any] | None  #: with their zone; None: left out

    def __len__(self) -> int:
        return len(self.numbers["value"])

    @cached_property
    def frame(self) -> pd.DataFrame:
        """As a DataFrame, text as categories; made when it is first asked for."""
        import pandas as pd

        columns: dict[str, Any] = {} if self.times is None else {"time": self.times}
        columns |= self.numbers
        columns |= {
            name: pd.Categorical.from_codes(words.codes, dtype=pd.CategoricalDtype(list(words.names)), validate=False)
            for name, words in self.words.items()
        }
        return pd.DataFrame(columns, copy=False)


def read_readings(data: bytes, where: str, *, times: bool = True) -> tuple[Readings, list[str]]:
    """The readings of one session, and remarks on what was left out.

    Args:
        times: with the column `time`; judging needs `elapsed_s` alone, and the wall clock's texts cost as much to read
            as all the numbers.
    Raises: TableError: a column is missing or a number is none; the message names the file.
    """
    data, remarks = _whole_rows(data)
    header = _header(data, where)
    found = _plain(data, header) if len(data) <= _SHORT and not times else None
    return found if found is not None else _by_pandas(data, header, where, times=times), remarks


def _whole_rows(data: bytes) -> tuple[bytes, list[str]]:
    remarks = []
    data = data.removeprefix(b"\xef\xbb\xbf")
    end = data.rfind(b"\n") + 1
    if end < len(data):
        remarks.append("the last row is torn and was left out")
        data = data[:end]
    if not data:
        remarks.append("readings.csv holds nothing")
        data = (",".join(COLUMNS) + "\n").encode()
    return data, remarks


def _header(data: bytes, where: str) -> list[str]:
    try:
        header = next(csv.reader(io.StringIO(data[: data.find(b"\n") + 1].decode("utf-8", "replace"))), [])
    except csv.Error as exc:
        raise TableError(f"readings.csv is no table: {exc}.", f"{where}.") from exc
    lacking = [name for name in COLUMNS if name not in header]
    if lacking:
        raise TableError(f"readings.csv lacks the column {', '.join(lacking)}.", f"{where}.")
    return header


def _plain(data: bytes, header: Sequence[str]) -> Readings | None:
    """The readings of a short file in which every line is a row and every comma ends a cell; None: it is another."""
    text = data.decode("utf-8", "replace").replace("\r\n", "\n")
    rows = [line.split(",") for line in text.split("\n")[1:-1]]
    odd = any(sign in text for sign in '"\r\0') or any(len(row) != len(header) for row in rows)
    if odd or not rows or len({*header, ""}) <= len(header):  # a name twice, or none
        return None
    columns = dict(zip(header, zip(*rows, strict=True), strict=True))
    try:
        numbers = {name: _numbers(columns[name]) for name in NUMBERS}
    except ValueError:
        return None
    words = {name: _words(cells) for name, cells in columns.items() if name not in NUMBERS and name != "time"}
    return Readings(numbers=numbers, words=words, times=None)


def _numbers(cells: Sequence[str]) -> FloatArray:
    """Numbers of plain digits. Raises: ValueError: there are others."""
    value = {text: float(text) if text else math.nan for text in set(cells)}
    if not _DIGITS.issuperset("".join(value)):  # float() takes more for a number than a table does
        raise ValueError(f"not all of {sorted(value)} are numbers")
    return np.fromiter(map(value.__getitem__, cells), np.float64, len(cells))


def _words(cells: Sequence[str]) -> Words:
    names = sorted(set(cells))
    if len(names) == 1:  # most columns of most sessions
        return _unescaped(np.zeros(len(cells), np.int64), names)
    place = {text: at for at, text in enumerate(names)}
    return _unescaped(np.fromiter(map(place.__getitem__, cells), np.int64, len(cells)), names)


def _by_pandas(data: bytes, header: Sequence[str], where: str, *, times: bool) -> Readings:
    import pandas as pd

    _refuse_long_rows(data, len(header), where)
    text = [name for name in header if name not in NUMBERS and name != "time"]
    large = len(data) > _LARGE
    try:
        frame = pd.read_csv(
            io.BytesIO(data), engine="c", low_memory=large,
            dtype=dict.fromkeys(NUMBERS, float) | dict.fromkeys(text, "category" if large else object),
            usecols=None if times else [name for name in header if name != "time"],
            keep_default_na=False, na_values={name: [""] for name in NUMBERS}, encoding_errors="replace",
        )  # fmt: skip
        told = pd.to_datetime(frame["time"], utc=True, format="ISO8601") if times else None
    except ValueError as exc:
        raise TableError(f"readings.csv cannot be read: {str(exc).splitlines()[0]}.", f"{where}.") from exc
    columns = dict(frame.items())
    return Readings(
        numbers={name: columns[name].to_numpy(dtype=np.float64) for name in NUMBERS},
        words={
            name: _categories(columns[name]) if large else _words(columns[name].to_list())
            for name in text if name in columns
        }, times=told,
    )  # fmt: skip


def _refuse_long_rows(data: bytes, cells: int, where: str) -> None:
    """Raises: TableError: a row has more cells than the header; pandas drops the last ones where it leaves one out.

    A comma that nobody quoted moves every tag behind it. Where there are quotes, pandas alone knows the cells.
    """
    if b'"' in data or data.count(b",") <= (cells - 1) * data.count(b"\n"):
        return
    for number, line in enumerate(data.split(b"\n")):
        if line.count(b",") >= cells:
            said = f"readings.csv cannot be read: line {number + 1} has more cells than the header."
            raise TableError(said, f"{where}.")


def _categories(column: pd.Series[Any]) -> Words:
    return _unescaped(column.cat.codes.to_numpy(), [str(name) for name in column.cat.categories])


def _unescaped(codes: CodeArray, raw: Sequence[str]) -> Words:
    """Each text as it was before writing; two ways of writing one text are that one text."""
    names = tuple(map(unescape, raw))
    several = sorted(set(names))
    if len(several) == len(names):
        return Words(codes, names)
    return Words(np.array([several.index(name) for name in names])[codes], tuple(several))
