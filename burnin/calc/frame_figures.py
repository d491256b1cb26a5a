"""Figures of frames drawn at a set rate, by the time each took on the graphics card."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from burnin.calc.arrays import Floats
from burnin.calc.pacing import percentile_ms

PERCENT: Final = 99.9
"""Percentile of the time on the card that is held against the refresh interval."""


@dataclass(frozen=True, kw_only=True)
class FrameFigures:
    """Figures of one series of frames.

    Attributes:
        frames: Frames.
        late: Frames that took longer than a refresh interval.
        late_in_a_row: Longest run of such frames.
        mean_ms: Mean time.
        p50_ms: Median.
        p99_ms: 99th percentile.
        p999_ms: 99.9th percentile.
        max_ms: Longest.
        budget_share: 99.9th percentile over the refresh interval.
    """

    frames: int
    late: int
    late_in_a_row: int
    mean_ms: float
    p50_ms: float
    p99_ms: float
    p999_ms: float
    max_ms: float
    budget_share: float


def frame_figures(cost_ms: Floats, refresh_hz: float) -> FrameFigures:
    """Return the figures of frames that took ``cost_ms`` on the card, shape (frames,), at a refresh rate in Hz.

    Raises:
        ValueError: there are no frames, or a time or the rate is not above zero.
    """
    if not cost_ms.size or not refresh_hz > 0 or not bool(np.all(cost_ms > 0)):
        raise ValueError("frames need times above zero and a refresh rate above zero")
    late = cost_ms * refresh_hz > 1000 * (1 + 1e-9)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], late.astype(np.int8), [0]))))
    runs = edges[1::2] - edges[::2]
    p999_ms = percentile_ms(cost_ms, PERCENT)
    return FrameFigures(
        frames=cost_ms.size,
        late=int(late.sum()),
        late_in_a_row=int(runs.max()) if runs.size else 0,
        mean_ms=float(cost_ms.mean()),
        p50_ms=percentile_ms(cost_ms, 50.0),
        p99_ms=percentile_ms(cost_ms, 99.0),
        p999_ms=p999_ms,
        max_ms=float(cost_ms.max()),
        budget_share=p999_ms * refresh_hz / 1000,
    )


def cost_that_fits(costs: Floats, took_ms: Floats, interval_ms: float) -> float:
    """Return the cost at which a straight line through the times reaches the interval; 0 where the times do not rise.

    Args:
        costs: Costs tried, shape (n,), at least two different ones.
        took_ms: Time at each, shape (n,).
        interval_ms: Refresh interval.
    """
    slope, base = np.polyfit(costs, took_ms, 1)
    return float((interval_ms - base) / slope) if slope > 0 and interval_ms > base else 0.0
