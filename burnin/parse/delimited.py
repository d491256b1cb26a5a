"""Numeric columns out of any delimited text: layout found from the text, rows read in bulk.

Format: lines of fields separated by a comma, a semicolon, tabs or runs of blanks; decimal point or decimal comma;
with or without a line of names; comment lines begin with `#`, `%` or `//`; UTF-8 with or without byte order mark,
UTF-16 with one; any line ending. No program's own log format is known here.
Seen on: logs written by the tests, in every combination of the above.
"""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from itertools import pairwise
from math import isfinite, nan
from typing import Final

import numpy as np
from numpy.typing import NDArray

from burnin.errors import ParseError

WHAT: Final = "delimited text"
CHUNK_BYTES: Final = 1 << 20
SAMPLE_BYTES: Final = 1 << 15
COMMENT_MARKS: Final = ("#", "%", "//")
_SLOW_MARKS: Final = (b'"', b"_", *(mark.encode() for mark in COMMENT_MARKS))
_READINGS: Final = (
    ("\t", "."),
    (";", "."),
    (",", "."),
    (" ", "."),
    ("\t", ","),
    (";", ","),
    (" ", ","),
    (",", ","),
)
"""Delimiter and decimal sign, in order of preference between equally good readings. A blank stands for any run of
blanks and tabs. The last one is possible only where fields are quoted."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Layout:
    """How a delimited text is to be read.

    Attributes:
        delimiter: Comma, semicolon, tab, or a blank for any run of blanks and tabs.
        decimal: Decimal point or comma.
        columns: Fields in a row.
        names: Names of the columns, empty where the text has none.
        start: Byte where the first row begins.
        start_line: Number of its line, from 1.
    """

    delimiter: str
    decimal: str
    columns: int
    names: tuple[str, ...]
    start: int
    start_line: int


@dataclass(frozen=True, kw_only=True)
class Columns:
    """Columns read from the rows, and what could not be read.

    Attributes:
        values: One array for each column asked for, NaN where a row or a number was not usable; shape (rows,).
        ragged: Rows with a wrong number of fields.
        not_numeric: Rows of the right length with a field asked for that is no finite number.
        comments: Comment lines among the rows.
        first_bad_line: Line of the first row of either kind, None where there is none.
    """

    values: tuple[Floats, ...]
    ragged: int
    not_numeric: int
    comments: int
    first_bad_line: int | None


def plain_text(data: bytes) -> bytes:
    """Return the text as bytes without byte order mark, its lines ended by a line feed.

    A carriage return before the line feed stays: it is a blank at the end of the line, and a copy of the whole text
    is saved.

    Raises:
        ParseError: The bytes are not text.
    """
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        try:
            data = data.decode("utf-16").encode()
        except UnicodeError as error:
            raise ParseError(WHAT, field="encoding", found="broken UTF-16", expected="text") from error
    data = data.removeprefix(b"\xef\xbb\xbf")
    zero = data.find(b"\0")
    if zero >= 0:
        raise ParseError(WHAT, field="bytes", found="a zero byte", expected="text", offset=zero)
    return data.replace(b"\r", b"\n") if b"\n" not in data else data


def read_layout(text: bytes, *, decimal: str | None = None) -> Layout:
    """Find delimiter, decimal sign, names and the first row from the beginning of a text.

    Args:
        text: The text as `plain_text` returns it.
        decimal: The decimal sign where the user names it, else None.

    Raises:
        ParseError: There is no row with a number, or the decimal sign cannot be told.
    """
    if decimal not in {None, ".", ","}:
        raise ParseError(WHAT, field="decimal sign", found=repr(decimal), expected="a point or a comma")
    lines = _sample(text)
    readings = [reading for reading in _READINGS if decimal is None or reading[1] == decimal]
    if not any('"' in line for line in lines):
        readings = [reading for reading in readings if reading != (",", ",")]
    delimiter, sign = max(readings, key=lambda reading: _score(lines, *reading))
    layout = _layout(lines, delimiter, sign)
    if (delimiter, sign, decimal) == (",", ".", None) and layout.columns == 2:
        layout = _settle_comma(lines, layout)
    return layout


def read_columns(text: bytes, layout: Layout, columns: tuple[int, ...]) -> Columns:
    """Read whole columns of numbers.

    Args:
        text: The text as `plain_text` returns it.
        layout: Its layout.
        columns: Columns wanted, from 0, in any order.
    """
    reader = _Reader(layout, columns, rows=text.count(b"\n", layout.start) + 1)
    for chunk in _chunks(text, layout.start):
        reader.take(chunk)
    return reader.columns_read()


def number_of(field: str, decimal: str) -> float:
    """Return the number in a field, NaN where there is none; an infinite one is none."""
    try:
        value = float(field.replace(",", ".") if decimal == "," else field)
    except ValueError:
        return nan
    return value if isfinite(value) and "_" not in field else nan


def is_comment(line: str) -> bool:
    """Say whether a line is a comment."""
    return line.lstrip().startswith(COMMENT_MARKS)


def _split(lines: list[str], delimiter: str) -> list[list[str]]:
    """Split lines into fields; quotes are honoured where there are any, and never span lines."""
    if any('"' in line for line in lines):
        if delimiter == " ":
            lines = [line.replace("\t", " ") for line in lines]
        with suppress(csv.Error):
            rows = list(csv.reader(lines, delimiter=delimiter, skipinitialspace=True))
            if len(rows) == len(lines):
                return rows
        lines = [line.replace('"', "") for line in lines]
    if delimiter == " ":
        return [line.split() for line in lines]
    return [line.split(delimiter) for line in lines]


def _sample(text: bytes) -> list[str]:
    """Return the first lines, the last one only if it is whole."""
    head = text[:SAMPLE_BYTES]
    if len(text) > SAMPLE_BYTES and b"\n" in head:
        head = head[: head.rindex(b"\n")]
    return head.decode("latin-1").split("\n")


def _numbers(fields: list[str], decimal: str) -> int:
    """Count the fields that are numbers."""
    return sum(isfinite(number_of(field, decimal)) for field in fields)


def _score(lines: list[str], delimiter: str, decimal: str) -> tuple[int, int]:
    """Return how well a reading fits: more numbers are better, then fewer other fields beside them."""
    numbers = others = 0
    for fields in _split([line for line in lines if not is_comment(line)], delimiter):
        found = _numbers(fields, decimal)
        numbers += found
        others += len(fields) - found if found else 0
    return numbers, -others


def _layout(lines: list[str], delimiter: str, decimal: str) -> Layout:
    """Find the number of fields, the first row and the names above it."""
    split = _split(["" if is_comment(line) else line for line in lines], delimiter)
    is_row = [_numbers(fields, decimal) > 0 for fields in split]
    lengths = Counter(len(fields) for fields, row in zip(split, is_row, strict=True) if row)
    if not lengths:
        raise ParseError(WHAT, field="rows", found="no line with a number", expected="rows of numbers")
    columns = lengths.most_common(1)[0][0]
    first = next(at for at, row in enumerate(is_row) if row and len(split[at]) == columns)
    return Layout(
        delimiter=delimiter,
        decimal=decimal,
        columns=columns,
        names=_names(lines[:first], delimiter, columns),
        start=sum(len(line) + 1 for line in lines[:first]),
        start_line=first + 1,
    )


def _names(above: list[str], delimiter: str, columns: int) -> tuple[str, ...]:
    """Return the names in the last line with any text above the rows, if it has as many fields as a row."""
    for line in reversed(above):
        if line.strip():
            fields = _split([line.lstrip(" \t#%/") if is_comment(line) else line], delimiter)[0]
            return tuple(_decoded(field) for field in fields) if len(fields) == columns else ()
    return ()


def _decoded(name: str) -> str:
    """Return a name as text: UTF-8, else the byte for byte reading that cannot fail."""
    try:
        return name.encode("latin-1").decode().strip()
    except UnicodeDecodeError:
        return name.strip()


def _settle_comma(lines: list[str], layout: Layout) -> Layout:
    """Decide whether two whole numbers with a comma between them are two columns or one decimal number."""
    split = [
        [field.strip() for field in line.split(",")]
        for line in lines[layout.start_line - 1 :]
        if line.count(",") == 1
    ]
    if layout.names or not split or not all(field.isdecimal() for fields in split for field in fields):
        return layout
    above = [line for line in lines[: layout.start_line - 1] if line.strip() and not is_comment(line)]
    if above and "," not in above[-1]:
        return _layout(lines, ";", ",")
    firsts = [int(fields[0]) for fields in split]
    if len(firsts) > 2 and all(b > a for a, b in pairwise(firsts)):
        return layout
    found = ",".join(split[0])
    expected = "names above the columns, another delimiter, or the decimal sign stated (point or comma)"
    raise ParseError(WHAT, field="decimal sign", found=found, expected=expected, offset=layout.start_line)


def _chunks(text: bytes, start: int) -> Iterator[bytes]:
    """Yield whole lines, about a mebibyte at a time, without the last line feed."""
    while start < len(text):
        stop = text.rfind(b"\n", start, start + CHUNK_BYTES)
        if stop < 0:
            stop = text.find(b"\n", start)
        if stop < 0 or len(text) - start <= CHUNK_BYTES:
            stop = len(text) - text.endswith(b"\n")
        yield text[start:stop]
        start = stop + 1


class _Reader:
    """Fills the columns chunk by chunk: in bulk where every row is regular, line by line where one is not."""

    def __init__(self, layout: Layout, columns: tuple[int, ...], *, rows: int) -> None:
        self.layout = layout
        self.columns = columns
        self.values = [np.empty(rows, dtype=np.float64) for _ in columns]
        self.rows = 0
        self.line = layout.start_line
        self.ragged = self.not_numeric = self.comments = 0
        self.first_bad_line: int | None = None

    def take(self, chunk: bytes) -> None:
        """Add the rows of one chunk."""
        lines = chunk.count(b"\n") + 1
        if not self._take_in_bulk(chunk, lines):
            self._take_lines(chunk.decode("latin-1").split("\n"))
        self.line += lines

    def columns_read(self) -> Columns:
        """Return what was read."""
        return Columns(
            values=tuple(column[: self.rows] for column in self.values),
            ragged=self.ragged,
            not_numeric=self.not_numeric,
            comments=self.comments,
            first_bad_line=self.first_bad_line,
        )

    def _take_in_bulk(self, chunk: bytes, lines: int) -> bool:
        """Add a chunk of regular rows; return False, with nothing added, where any row may be irregular."""
        if any(mark in chunk for mark in _SLOW_MARKS):
            return False
        fields = self._regular_fields(chunk, lines)
        if fields is None:
            return False
        width, comma = self.layout.columns, self.layout.decimal == ","
        read = []
        for column in self.columns:
            words = fields[column::width]
            if comma:
                words = b"\n".join(words).replace(b",", b".").split(b"\n")
            try:
                read.append(np.fromiter(map(float, words), dtype=np.float64, count=lines))
            except ValueError:
                return False
        if not all(np.isfinite(column).all() for column in read):
            return False
        for target, numbers in zip(self.values, read, strict=True):
            target[self.rows : self.rows + lines] = numbers
        self.rows += lines
        return True

    def _regular_fields(self, chunk: bytes, lines: int) -> list[bytes] | None:
        """Return all fields in a row-by-row list where every row has the right number, else None."""
        codes = np.frombuffer(chunk + b"\n", dtype=np.uint8)
        width = self.layout.columns
        if self.layout.delimiter == " ":
            words = np.cumsum((codes[:-1] > 32) & (np.concatenate(([10], codes[:-2])) <= 32))
            ends = words[np.flatnonzero(codes == 10) - 1]
            regular = bool((ends == np.arange(1, lines + 1) * width).all())
            split = chunk.split() if regular else []
            return split if len(split) == lines * width else None
        mark = ord(self.layout.delimiter)
        marks = codes[(codes == 10) | (codes == mark)]
        if marks.size != lines * width:
            return None
        grid = marks.reshape(lines, width)
        if not ((grid[:, -1] == 10).all() and (grid[:, :-1] == mark).all()):
            return None
        return chunk.replace(self.layout.delimiter.encode(), b"\n").split(b"\n")

    def _take_lines(self, lines: list[str]) -> None:
        """Add lines of any kind: rows, comments, empty ones."""
        numbers = [at for at, line in enumerate(lines, self.line) if line and not line.isspace()]
        if len(numbers) < len(lines):
            lines = [line for line in lines if line and not line.isspace()]
        if any(mark in line for mark in COMMENT_MARKS for line in lines):
            numbers = [at for at, line in zip(numbers, lines, strict=True) if not is_comment(line)]
            rows = [line for line in lines if not is_comment(line)]
            self.comments += len(lines) - len(rows)
            lines = rows
        split = _split(lines, self.layout.delimiter)
        width, decimal = self.layout.columns, self.layout.decimal
        whole = np.fromiter((len(fields) == width for fields in split), dtype=bool, count=len(split))
        good = np.ones(len(split), dtype=bool)
        for target, column in zip(self.values, self.columns, strict=True):
            read = [number_of(fields[column], decimal) if len(fields) == width else nan for fields in split]
            target[self.rows : self.rows + len(split)] = read
            good &= ~np.isnan(target[self.rows : self.rows + len(split)])
        self.rows += len(split)
        self.ragged += int((~whole).sum())
        self.not_numeric += int((whole & ~good).sum())
        if self.first_bad_line is None and not good.all():
            self.first_bad_line = numbers[int(np.argmin(good))]
