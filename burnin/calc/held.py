"""What was held through a stretch: clock against promise, time without throttling, cores alike, a level kept.

Every share is one of time, not of samples: a sample stands for the time to the next one, and a distance longer than
the stated gap stands for nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from burnin.calc.arrays import Floats, checked_series, present
from burnin.calc.refusal import Refusal
from burnin.calc.series import Level, batch_level
from burnin.calc.trend import Trend, trace_slope


@dataclass(frozen=True, kw_only=True)
class TimeShare:
    """Part of the seen time in which something held.

    Attributes:
        share: 0 to 1.
        held_s: Seconds in which it held.
        seen_s: Seconds seen at all.
    """

    share: float
    held_s: float
    seen_s: float


@dataclass(frozen=True, kw_only=True)
class ClockHeld:
    """A clock against its promise.

    Attributes:
        held: Time at or above the promise less the tolerance.
        mean_mhz: Mean over the seen time.
        low_mhz: First percentile (Hyndman-Fan type 7): the clock was lower in one hundredth of the samples.
        shortfall: 1 - mean / promise; negative where the promise was exceeded.
    """

    held: TimeShare
    mean_mhz: float
    low_mhz: float
    shortfall: float


@dataclass(frozen=True, kw_only=True)
class CoreSpread:
    """How alike the cores run.

    Attributes:
        means_c: Mean of each core, NaN for a core that was not read.
        hottest: Index of the hottest core.
        coldest: Index of the coldest one.
        spread_k: Hottest less coldest.
        u_k: Standard uncertainty of the spread.
        excess_k: Hottest less the median core: one core alone points at it, a slope across all at the cooler.
    """

    means_c: tuple[float, ...]
    hottest: int
    coldest: int
    spread_k: float
    u_k: float
    excess_k: float


def time_share(t_s: ArrayLike, active: ArrayLike, *, longest_gap_s: float) -> TimeShare | Refusal:
    """Return the share of the seen time in which a flag was up, for example throttling.

    Args:
        t_s: Seconds, strictly rising.
        active: 1 or 0 per time, NaN where unknown.
        longest_gap_s: Longer distances between samples are not seen.

    Returns:
        The share, or a refusal ``nothing-seen``.
    """
    times, flags = checked_series(t_s, active)
    steps = _weights(times, flags, longest_gap_s=longest_gap_s)
    seen = float(np.sum(steps))
    if seen == 0:
        return Refusal(slug="nothing-seen", observed=0.0)
    held = float(np.sum(steps[flags[:-1] > 0]))
    return TimeShare(share=held / seen, held_s=held, seen_s=seen)


def clock_held(
    t_s: ArrayLike,
    clock_mhz: ArrayLike,
    *,
    promised_mhz: float,
    tolerance: float = 0.01,
    longest_gap_s: float = 3.0,
) -> ClockHeld | Refusal:
    """Return how well a clock kept its promise.

    Args:
        t_s: Seconds, strictly rising.
        clock_mhz: Clock, NaN in gaps.
        promised_mhz: Promised clock, greater than 0.
        tolerance: Share below the promise that still counts as kept.
        longest_gap_s: Longer distances between samples are not seen.

    Returns:
        The figures, or a refusal ``nothing-seen``.
    """
    if not promised_mhz > 0:
        raise ValueError(f"a promised clock is greater than 0, not {promised_mhz}")
    times, clocks = checked_series(t_s, clock_mhz)
    kept = np.where(np.isfinite(clocks), clocks >= promised_mhz * (1 - tolerance), np.nan)
    held = time_share(times, kept, longest_gap_s=longest_gap_s)
    if isinstance(held, Refusal):
        return held
    steps = _weights(times, clocks, longest_gap_s=longest_gap_s)
    mean = float(np.sum(steps * np.nan_to_num(clocks[:-1])) / np.sum(steps))
    return ClockHeld(
        held=held,
        mean_mhz=mean,
        low_mhz=float(np.nanpercentile(clocks, 1)),
        shortfall=1 - mean / promised_mhz,
    )


def core_spread(t_s: ArrayLike, temps_c: ArrayLike) -> CoreSpread | Refusal:
    """Compare the cores' means over a stretch.

    Args:
        t_s: Seconds, strictly rising, shape (n,).
        temps_c: One column per core, NaN in gaps, shape (n, cores).

    Returns:
        The comparison, or a refusal ``too-few-cores``, or that of :func:`burnin.calc.series.batch_level`.
    """
    columns = np.asarray(temps_c, dtype=np.float64)
    seen = np.isfinite(columns)
    read = np.flatnonzero(seen.any(axis=0))
    if read.size < 2:
        return Refusal(slug="too-few-cores", observed=read.size, needed=2)
    means = np.full(columns.shape[1], np.nan)
    means[read] = [float(np.mean(columns[seen[:, core], core])) for core in read]
    hottest, coldest = int(np.nanargmax(means)), int(np.nanargmin(means))
    level = batch_level(t_s, columns[:, hottest] - columns[:, coldest])
    if not isinstance(level, Level):
        return level
    return CoreSpread(
        means_c=tuple(means.tolist()),
        hottest=hottest,
        coldest=coldest,
        spread_k=float(means[hottest] - means[coldest]),
        u_k=level.u,
        excess_k=float(means[hottest] - np.nanmedian(means)),
    )


def change_share(t_s: ArrayLike, values: ArrayLike) -> float | Refusal:
    """Return how far a quantity drifted along a stretch, as a share of its mean: |slope| x length / mean.

    Returns:
        The share, or a refusal ``too-few-readings`` or ``no-level`` (mean of 0 or less).
    """
    times, column = present(t_s, values)
    trend = trace_slope(times, column, step=0.0)
    if not isinstance(trend, Trend):
        return trend
    if trend.centre <= 0:
        return Refusal(slug="no-level", observed=trend.centre, needed=0.0)
    return abs(trend.slope) * float(times[-1] - times[0]) / trend.centre


def _weights(times: Floats, values: Floats, *, longest_gap_s: float) -> Floats:
    """Return the seconds for which each sample but the last stands, 0 where it is NaN or a gap follows."""
    steps = np.diff(times)
    return np.where(np.isfinite(values[:-1]) & (steps <= longest_gap_s), steps, 0.0)
