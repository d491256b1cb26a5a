"""Whole columns of numbers out of delimited text, in bulk where the rows are regular, line by line where not."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from burnin.parse.delimited import Layout
from burnin.parse.delimited_fields import COMMENT_MARKS, Floats, is_comment, numbers_of, split_fields

CHUNK_BYTES: Final = 1 << 17
"""Small enough for the fields of a chunk to stay in the processor's cache: a mebibyte took half as long again."""
_SLOW_MARKS: Final = (b'"', b"_", *(mark.encode() for mark in COMMENT_MARKS))


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


def _chunks(text: bytes, start: int) -> Iterator[bytes]:
    """Yield whole lines, about 128 KiB at a time, without the last line feed."""
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
        width = self.layout.columns
        codes = np.frombuffer(b"\n" + chunk + b"\n", dtype=np.uint8)
        if self.layout.delimiter == " ":
            blank = codes <= 32
            begins = np.flatnonzero(blank[:-1] & ~blank[1:])
            ends = np.flatnonzero(codes[1:] == 10)
            regular = bool((np.searchsorted(begins, ends) == np.arange(1, lines + 1) * width).all())
            split = chunk.split() if regular else []
            return split if len(split) == lines * width else None
        codes = codes[1:]
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
        split = split_fields(lines, self.layout.delimiter)
        width = self.layout.columns
        widths = list(map(len, split))
        whole = np.array(widths) == width
        good = np.ones(len(split), dtype=bool)
        for target, column in zip(self.values, self.columns, strict=True):
            words = ["" if n != width else fields[column] for fields, n in zip(split, widths, strict=True)]
            target[self.rows : self.rows + len(split)] = numbers_of(words, self.layout.decimal)
            good &= ~np.isnan(target[self.rows : self.rows + len(split)])
        self.rows += len(split)
        self.ragged += int((~whole).sum())
        self.not_numeric += int((whole & ~good).sum())
        if self.first_bad_line is None and not good.all():
            self.first_bad_line = numbers[int(np.argmin(good))]
