"""Time series as this room takes them: two float columns, time rising, a gap is NaN.

A wrong shape is a mistake of the caller and raises ``ValueError``; data that cannot carry a conclusion are no
mistake and come back as a :class:`burnin.calc.refusal.Refusal`.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats: TypeAlias = NDArray[np.float64]
Flags: TypeAlias = NDArray[np.bool_]


def checked_series(t_s: ArrayLike, values: ArrayLike) -> tuple[Floats, Floats]:
    """Return both columns as float arrays.

    Args:
        t_s: Times in seconds, finite, strictly rising, shape (n,).
        values: Values at these times, NaN where there is none, shape (n,).

    Raises:
        ValueError: Different lengths, a time that is not finite, or times that do not rise.
    """
    times = np.asarray(t_s, dtype=np.float64)
    column = np.asarray(values, dtype=np.float64)
    if times.ndim != 1 or times.shape != column.shape:
        raise ValueError(f"time and value columns differ in shape: {times.shape} and {column.shape}")
    if not np.all(np.isfinite(times)):
        raise ValueError("a time is not finite")
    if np.any(np.diff(times) <= 0):
        raise ValueError("times do not rise strictly")
    return times, column


def present(t_s: ArrayLike, values: ArrayLike) -> tuple[Floats, Floats]:
    """Return the checked columns without the rows whose value is NaN or infinite."""
    times, column = checked_series(t_s, values)
    keep = np.isfinite(column)
    return times[keep], column[keep]


def usual_step_s(t_s: Floats) -> float:
    """Return the median distance between neighbouring times, in seconds (0 with fewer than two)."""
    return float(np.median(np.diff(t_s))) if t_s.size > 1 else 0.0
