"""Frame times out of any delimited log, with a note for everything that was decided or left out.

Format: see `delimited`; one column holds the time of each frame or the time at which each frame was presented. The
column and its unit are named by the user, or told from the column's name, or from the values. A latency column is
read only where the log has one.
Seen on: logs written by the tests. No program's own log format is known here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from burnin.errors import ParseError
from burnin.parse.delimited import plain_text, read_layout
from burnin.parse.delimited_fields import Floats
from burnin.parse.delimited_rows import Columns, read_columns
from burnin.parse.frame_column import MS_PER_UNIT, WHAT, Choice, Kind, find_column

MAX_LEFT_OUT: Final = 0.1
"""Largest share of rows that may be unusable; above it the log is refused."""
MAX_OUT_OF_ORDER: Final = 0.01
"""Largest share of rows that may step back in time; up to it they are sorted, above it the log is refused."""
MAX_DISPLACED_ROWS: Final = 64
"""How far a row may be from its place; further means a clock that was set back or a second recording."""
TOLD_FROM_TEXT: Final = Choice()


@dataclass(frozen=True, kw_only=True)
class FrameLog:
    """Frame times of one log.

    Attributes:
        frame_ms: Time of each frame in ms, all above zero, in order; shape (frames,).
        at_s: Time at which each frame was presented, from the first row of the log, shape (frames,); None where the
            log gives frame times only.
        latency_ms: Latency the log states for each frame in ms, NaN where it states none, shape (frames,); None
            where it has no such column. What it means is what the program that wrote the log meant.
        column: Name of the column read, or `column n`.
        kind: `frame times` or `presentation times`.
        unit: Unit of the column.
        rows: Rows found.
        left_out: Rows or intervals that could not be used.
        notes: Everything decided or left out, in plain words.
    """

    frame_ms: Floats
    at_s: Floats | None
    latency_ms: Floats | None
    column: str
    kind: Kind
    unit: str
    rows: int
    left_out: int
    notes: tuple[str, ...]


def parse_frame_log(data: bytes, *, choice: Choice = TOLD_FROM_TEXT) -> FrameLog:
    """Read the frame times of a log.

    Args:
        data: The whole log.
        choice: What the user says about it.

    Raises:
        ParseError: The log has no usable column of frame times; the message says what to name.
    """
    text = plain_text(data)
    layout = read_layout(text, decimal=choice.decimal)
    found = find_column(text, layout, choice)
    wanted = (found.column,) if found.latency is None else (found.column, found.latency)
    columns = read_columns(text, layout, wanted)
    rows = columns.values[0].size
    values = columns.values[0]
    values *= MS_PER_UNIT[found.unit]
    latency_ms = None
    if found.latency is not None:
        latency_ms = columns.values[1]
        latency_ms *= MS_PER_UNIT[found.latency_unit]
    notes = [*found.notes, *_reading_notes(columns)]
    make = _from_frame_times if found.kind is Kind.FRAME else _from_presentation_times
    frame_ms, at_s, latency_ms = make(values, latency_ms, notes)
    possible = rows - (found.kind is Kind.PRESENTATION)
    left_out = possible - frame_ms.size
    _check_enough(columns, frames=frame_ms.size, possible=possible)
    return FrameLog(
        frame_ms=frame_ms,
        at_s=at_s,
        latency_ms=latency_ms,
        column=found.name,
        kind=found.kind,
        unit=found.unit,
        rows=rows,
        left_out=left_out,
        notes=tuple(notes),
    )


def _reading_notes(columns: Columns) -> list[str]:
    """Say what the reader left out."""
    notes = []
    if columns.ragged:
        notes.append(f"{columns.ragged} rows with a wrong number of fields were left out")
    if columns.not_numeric:
        notes.append(f"{columns.not_numeric} rows without a number where one is needed were left out")
    if columns.first_bad_line is not None:
        notes.append(f"the first row left out is line {columns.first_bad_line}; nothing was filled in")
    if columns.comments:
        notes.append(f"{columns.comments} comment lines among the rows were skipped")
    return notes


_Made = tuple[Floats, Floats | None, Floats | None]


def _from_frame_times(values: Floats, latency_ms: Floats | None, notes: list[str]) -> _Made:
    """Keep the frame times above zero."""
    keep = values > 0
    refused = int((values <= 0).sum())
    if refused:
        notes.append(f"{refused} frame times of zero or less were left out")
    if keep.all():
        return values, None, latency_ms
    return values[keep], None, None if latency_ms is None else latency_ms[keep]


def _from_presentation_times(values: Floats, latency_ms: Floats | None, notes: list[str]) -> _Made:
    """Take the intervals between neighbouring rows; an interval across a row left out is itself left out."""
    known = ~np.isnan(values)
    cut = np.concatenate((~known[1:], [False]))[known]  # the row is followed by one left out
    times = values if known.all() else values[known]
    late = None if latency_ms is None else latency_ms[known]
    if times.size < 2:
        return times[:0], times[:0], None
    times, cut, late = _in_order(times, cut, late, notes)
    spans = np.diff(times)
    repeats = int((spans == 0).sum())
    if repeats:
        notes.append(f"{repeats} rows that repeat the time before them were left out")
    keep = (spans > 0) & ~cut[:-1]
    times -= times[0]
    times /= 1000
    late = None if late is None else late[1:][keep]
    return (spans, times[1:], late) if keep.all() else (spans[keep], times[1:][keep], late)


def _in_order(
    times: Floats, cut: np.ndarray[tuple[int], np.dtype[np.bool_]], late: Floats | None, notes: list[str]
) -> tuple[Floats, np.ndarray[tuple[int], np.dtype[np.bool_]], Floats | None]:
    """Sort the rows by time where a few are out of order.

    Raises:
        ParseError: Too many rows step back, or one by too far.
    """
    back = times[1:] < times[:-1]
    steps = int(back.sum())
    if not steps:
        return times, cut, late
    order = np.argsort(times, kind="stable")
    displaced = int(np.abs(order - np.arange(order.size)).max())
    if steps > max(1.0, MAX_OUT_OF_ORDER * times.size) or displaced > MAX_DISPLACED_ROWS:
        raise ParseError(
            WHAT,
            field="presentation times",
            found=f"{steps} of {times.size} rows that step back in time, the first is number {int(back.argmax()) + 2}, "
            f"the farthest {displaced} rows from its place",
            expected="times that rise; name the column of frame times, or split a log of several recordings",
        )
    notes.append(f"{steps} rows stepped back in time; the rows were sorted by time")
    return times[order], cut[order], None if late is None else late[order]


def _check_enough(columns: Columns, *, frames: int, possible: int) -> None:
    """Refuse a log that is mostly holes.

    Raises:
        ParseError: Fewer than two frames, or more rows left out than may be.
    """
    if frames >= 2 and possible - frames <= MAX_LEFT_OUT * possible:
        return
    raise ParseError(
        WHAT,
        field="rows",
        found=f"{frames} usable frames in {columns.values[0].size} rows",
        expected=f"at least two, and not more than {MAX_LEFT_OUT:.0%} left out; check column, delimiter and decimal sign",
        offset=columns.first_bad_line,
    )
