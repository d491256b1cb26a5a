"""Fewer points, no extreme lost: the lowest and the highest value of every slice of a trace."""

from __future__ import annotations

from typing import Final

import numpy as np

from burnin.records.view import F64, I64

_LATE: Final = 3.5


def envelope(values: F64, slices: int) -> I64:
    """Return the positions to draw, ascending: in each of ``slices`` equal slices the lowest and the highest value.

    First and last value of the whole trace are kept as well. Missing values (NaN) are never chosen; a trace of at
    most twice ``slices`` values is kept whole.

    Args:
        values: The trace, shape (n,), NaN where missing.
        slices: How many slices, at least 1.
    """
    good = np.flatnonzero(~np.isnan(values)).astype(np.int64)
    if len(values) <= 2 * slices or len(good) == 0:
        return good
    edges = np.linspace(0, len(values), slices + 1).astype(np.int64)
    kept = [good[:1], good[-1:]]
    for start, stop in zip(np.searchsorted(good, edges[:-1]), np.searchsorted(good, edges[1:]), strict=True):
        if stop > start:
            part = good[start:stop]
            kept.append(part[[int(np.argmin(values[part])), int(np.argmax(values[part]))]])
    return np.unique(np.concatenate(kept))


def breaks(t_s: F64, values: F64, kept: I64) -> I64:
    """Return which of the ``kept`` positions start a new piece of line, as indices into ``kept``.

    A line is never drawn across a missing value, nor across a pause of more than 3.5 usual sweeps.

    Args:
        t_s: Time of every value, seconds, ascending, shape (n,).
        values: The trace, shape (n,), NaN where missing.
        kept: Positions that are drawn, ascending.
    """
    if len(kept) < 2:
        return np.arange(len(kept), dtype=np.int64)
    holes = np.cumsum(np.isnan(values))
    steps = np.diff(t_s)
    pauses = np.concatenate(([0], np.cumsum(steps > _LATE * np.median(steps))))
    broken = (np.diff(holes[kept]) > 0) | (np.diff(pauses[kept]) > 0)
    return np.concatenate(([0], np.flatnonzero(broken) + 1)).astype(np.int64)


def path_data(t_s: F64, values: F64, slices: int) -> str:
    """Return SVG path data whose coordinates are the measured figures: seconds and the channel's unit.

    The figures are written so that they read back as the journal's: time to a millisecond, values in the shortest
    form of the 32-bit number measured.
    """
    kept = envelope(values, slices)
    starts = set(breaks(t_s, values, kept).tolist())
    times = [short(moment) for moment in np.round(t_s[kept], 3).tolist()]
    figures = [short(value) for value in values[kept].astype(np.float32)]
    pieces = []
    for index, (moment, figure) in enumerate(zip(times, figures, strict=True)):
        pieces.append(f"{'M' if index in starts else 'L'}{moment} {figure}")
        if index in starts and (index + 1 in starts or index + 1 == len(kept)):
            pieces.append("h0")
    return "".join(pieces)


def short(value: float | np.float32) -> str:
    """Return the shortest decimal text that reads back as ``value``, without an exponent."""
    text = np.format_float_positional(value, trim="-")
    return "0" if text == "-0" else text
