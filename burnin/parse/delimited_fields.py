"""Fields of a delimited line, and the numbers in them."""

from __future__ import annotations

import csv
from contextlib import suppress
from math import isfinite, nan
from typing import Final

import numpy as np
from numpy.typing import NDArray

COMMENT_MARKS: Final = ("#", "%", "//")

Floats = NDArray[np.float64]


def number_of(field: str, decimal: str) -> float:
    """Return the number in a field, NaN where there is none; an infinite one is none."""
    try:
        value = float(field.replace(",", ".") if decimal == "," else field)
    except ValueError:
        return nan
    return value if isfinite(value) and "_" not in field else nan


def numbers_of(words: list[str], decimal: str) -> Floats:
    """Return the number in each word, NaN where there is none; the same as `number_of`, but for many."""
    text = "\n".join(words)
    if "_" in text:
        return np.array([number_of(word, decimal) for word in words])
    if decimal == "," and words:
        words = text.replace(",", ".").split("\n")
    numbers: list[float] = []
    for word in words:
        try:
            numbers.append(float(word))
        except ValueError:
            numbers.append(nan)
    values = np.array(numbers)
    values[np.isinf(values)] = nan
    return values


def is_comment(line: str) -> bool:
    """Say whether a line is a comment."""
    return line.lstrip().startswith(COMMENT_MARKS)


def split_fields(lines: list[str], delimiter: str) -> list[list[str]]:
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
