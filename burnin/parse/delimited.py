"""How any delimited text is laid out: delimiter, decimal sign, names, first row.

Format: lines of fields separated by a comma, a semicolon, tabs or runs of blanks; decimal point or decimal comma;
with or without a line of names; comment lines begin with `#`, `%` or `//`; UTF-8 with or without byte order mark,
UTF-16 with one; any line ending. No program's own log format is known here.
Seen on: logs written by the tests, in every combination of the above.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import pairwise
from math import isfinite
from typing import Final

from burnin.errors import ParseError
from burnin.parse.delimited_fields import is_comment, number_of, split_fields

WHAT: Final = "delimited text"
SAMPLE_BYTES: Final = 1 << 15
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
    for fields in split_fields([line for line in lines if not is_comment(line)], delimiter):
        found = _numbers(fields, decimal)
        numbers += found
        others += len(fields) - found if found else 0
    return numbers, -others


def _layout(lines: list[str], delimiter: str, decimal: str) -> Layout:
    """Find the number of fields, the first row and the names above it."""
    split = split_fields(["" if is_comment(line) else line for line in lines], delimiter)
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
            fields = split_fields([line.lstrip(" \t#%/") if is_comment(line) else line], delimiter)[0]
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
