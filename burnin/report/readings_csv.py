"""The readings of a run as comma-separated values, sweep by sweep, for spreadsheets."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from typing import Final

import numpy as np

from burnin.records.channels import IMPLAUSIBLE
from burnin.records.view import RunView
from burnin.report.envelope import short
from burnin.report.words import shown_text

_ROWS_AT_ONCE: Final = 4096
_FORMULA_STARTS: Final = ("=", "+", "-", "@")


def readings_csv(view: RunView) -> Iterator[bytes]:
    """Yield the file in pieces: a heading, then one row for each sweep with time and every channel.

    *Format*: RFC 4180, UTF-8, a point as decimal mark. Time is in seconds since the run was opened. A missing value is an
    empty field, an implausible one stands in round brackets so that no spreadsheet takes it for a number.
    """
    yield _rows([["time [s]", *(_heading(view, index) for index in range(len(view.channels)))]])
    for start in range(0, len(view.t_ns), _ROWS_AT_ONCE):
        stop = min(start + _ROWS_AT_ONCE, len(view.t_ns))
        yield _rows([_row(view, index) for index in range(start, stop)])


def _heading(view: RunView, index: int) -> str:
    channel = view.channels[index]
    text = f"{shown_text(channel.id)} ({shown_text(channel.label)}) [{channel.unit}]"
    return f"'{text}" if text.startswith(_FORMULA_STARTS) else text


def _row(view: RunView, index: int) -> list[str]:
    values, quality = view.values[index], view.quality[index]
    texts = ["" if np.isnan(value) else short(value) for value in values]
    marked = [
        f"({text})" if bad == IMPLAUSIBLE and text else text for text, bad in zip(texts, quality, strict=True)
    ]
    return [short(round(int(view.t_ns[index]) / 1e9, 6)), *marked]


def _rows(rows: list[list[str]]) -> bytes:
    page = io.StringIO()
    csv.writer(page, lineterminator="\r\n").writerows(rows)
    return page.getvalue().encode("utf-8", "replace")
