"""Frame pacing: how evenly frames came, held against the refresh rate of a display.

Definitions (ours where no source is named):

- The refresh interval T is 1000 / refresh rate, in ms.
- A frame that took dt missed round(dt / T) - 1 refreshes, never fewer than none; halves round up.
- A frame is late if it missed at least one refresh.
- *Missed in a row* is the largest number of refreshes that passed one after another without a new frame, which is the
  most that a single frame missed; *late in a row* is the longest run of late frames.
- Average fps is frames over the sum of their times.
- Minimum fps over a window: for each frame, the frames in the shortest stretch that ends with it and lasts at least
  the window, over the time of that stretch; the lowest of these. It does not depend on where windows begin.
- Percentiles follow Hyndman and Fan, "Sample Quantiles in Statistical Packages", The American Statistician 50(4),
  1996, by NumPy's names; the default is `linear`, their type 7.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

QuantileMethod = Literal[
    "inverted_cdf",
    "averaged_inverted_cdf",
    "closest_observation",
    "interpolated_inverted_cdf",
    "hazen",
    "weibull",
    "linear",
    "median_unbiased",
    "normal_unbiased",
]
"""Hyndman and Fan's types 1 to 9, in this order, by NumPy's names."""
DEFAULT_METHOD: Final[QuantileMethod] = "linear"
PERCENTS: Final = (50.0, 90.0, 95.0, 99.0, 99.9)
WINDOW_S: Final = 1.0
JOIN_S: Final = 1.0
"""Late frames closer than this belong to one stretch."""
_BATCH: Final = 1 << 18
"""Frames worked on at a time, to keep memory small."""
HEALTHY_MINIMUM_SHARE: Final = 0.9
"""Lowest minimum fps, as a share of the refresh rate, of a healthy run (common practice: 89 of 90 is healthy, 48 is a
pacing problem whatever the average)."""


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """Late frames that lie close together.

    Attributes:
        start_s: Begin of the first late frame, from the begin of the series.
        end_s: End of the last late frame.
        late_frames: Late frames in it.
        missed_refreshes: Refreshes missed in it.
        longest_ms: Time of its slowest frame.
    """

    start_s: float
    end_s: float
    late_frames: int
    missed_refreshes: int
    longest_ms: float


@dataclass(frozen=True, kw_only=True)
class Pacing:
    """Figures of one series of frames; the definitions stand at the top of the module.

    Attributes:
        refresh_hz: Refresh rate held against.
        frames: Frames in the series.
        span_s: Sum of the frame times.
        late_frames: Frames that missed at least one refresh.
        missed_refreshes: Refreshes missed by all frames together.
        missed_in_a_row: Most refreshes missed one after another.
        late_in_a_row: Longest run of late frames.
        average_fps: Frames per second over the whole series.
        minimum_fps: Lowest frames per second over `window_s`; the average where the series is shorter.
        window_s: Window of the minimum.
        percentiles_ms: Pairs of per cent and frame time.
        p99_ms: Frame time that 99 % of the frames do not exceed.
        method: NumPy's name of the percentile definition.
        budget_share: The 99th percentile over the refresh interval: share of the frame budget used.
        worst: Worst stretches, most missed refreshes first, the earlier one first where equal.
    """

    refresh_hz: float
    frames: int
    span_s: float
    late_frames: int
    missed_refreshes: int
    missed_in_a_row: int
    late_in_a_row: int
    average_fps: float
    minimum_fps: float
    window_s: float
    percentiles_ms: tuple[tuple[float, float], ...]
    p99_ms: float
    method: QuantileMethod
    budget_share: float
    worst: tuple[Stretch, ...]


def measure_pacing(
    frame_ms: Floats,
    refresh_hz: float,
    *,
    at_s: Floats | None = None,
    window_s: float = WINDOW_S,
    method: QuantileMethod = DEFAULT_METHOD,
) -> Pacing:
    """Return the pacing figures of a series of frames.

    Args:
        frame_ms: Time of each frame in ms, finite and above zero; shape (frames,).
        refresh_hz: Refresh rate of the display in Hz, above zero.
        at_s: Time at which each frame was presented in s, rising, where the series has gaps; None where every frame
            follows the one before it.
        window_s: Window of the minimum in s, above zero.
        method: Definition of the percentiles.

    Raises:
        ValueError: The series is empty or holds an impossible value, or rate or window are not above zero.
    """
    _check(frame_ms, refresh_hz, window_s)
    ends_ms = _ends_ms(frame_ms)
    missed = missed_refreshes(frame_ms, refresh_hz)
    late = np.flatnonzero(missed)
    late_ends_s = at_s[late] if at_s is not None else ends_ms[late + 1] / 1000
    lowest_fps = _minimum_fps(ends_ms, window_s)
    span_s = float(ends_ms[-1]) / 1000
    del ends_ms  # ten million frames are 80 MB in every array
    percentiles = np.percentile(frame_ms, (*PERCENTS, 99.0), method=method)
    return Pacing(
        refresh_hz=refresh_hz,
        frames=frame_ms.size,
        span_s=span_s,
        late_frames=late.size,
        missed_refreshes=int(missed.sum()),
        missed_in_a_row=int(missed.max()),
        late_in_a_row=_longest_run(late),
        average_fps=frame_ms.size / span_s,
        minimum_fps=lowest_fps,
        window_s=window_s,
        percentiles_ms=tuple(zip(PERCENTS, map(float, percentiles), strict=False)),
        p99_ms=float(percentiles[-1]),
        method=method,
        budget_share=float(percentiles[-1]) * refresh_hz / 1000,
        worst=_worst(frame_ms[late], missed[late], late_ends_s),
    )


def missed_refreshes(frame_ms: Floats, refresh_hz: float) -> NDArray[np.int64]:
    """Return how many refreshes each frame missed: round(dt / T) - 1, halves up, never below zero.

    A quotient that falls short of a half by less than a billionth is taken for the half, so that the rounding of
    1000 / refresh rate does not decide.
    """
    missed = np.empty(frame_ms.size, dtype=np.int64)
    for low in range(0, frame_ms.size, _BATCH):
        counts = np.floor(frame_ms[low : low + _BATCH] * (refresh_hz / 1000) + (0.5 + 1e-9))
        missed[low : low + _BATCH] = np.maximum(counts - 1, 0)
    return missed


def minimum_fps(frame_ms: Floats, *, window_s: float = WINDOW_S) -> float:
    """Return the lowest frame rate over stretches that last at least the window.

    Args:
        frame_ms: Time of each frame in ms, above zero; shape (frames,).
        window_s: Window in s.

    Returns:
        Frames per second; the average where the whole series is shorter than the window.
    """
    return _minimum_fps(_ends_ms(frame_ms), window_s)


def _ends_ms(frame_ms: Floats) -> Floats:
    """Return the time at which each frame ended in ms, with the begin of the series before it; shape (frames + 1,)."""
    ends_ms = np.empty(frame_ms.size + 1)
    ends_ms[0] = 0.0
    np.cumsum(frame_ms, out=ends_ms[1:])
    return ends_ms


def _minimum_fps(ends_ms: Floats, window_s: float) -> float:
    """Return the lowest rate, from the ends of the frames."""
    # Sums of many frame times carry rounding errors; without the allowance 90 frames of 1000/90 ms could fall short.
    reach_ms = window_s * 1000 * (1 - 1e-9)
    lowest = (ends_ms.size - 1) / ends_ms[-1]
    first = int(np.searchsorted(ends_ms, reach_ms))
    for low in range(first, ends_ms.size, _BATCH):
        stops = ends_ms[low : low + _BATCH]
        starts = np.searchsorted(ends_ms, stops - reach_ms, side="right") - 1
        rates = (np.arange(low, low + stops.size) - starts) / (stops - ends_ms[starts])
        lowest = min(lowest, rates.min())
    return float(lowest) * 1000


def percentile_ms(frame_ms: Floats, percent: float, *, method: QuantileMethod = DEFAULT_METHOD) -> float:
    """Return a percentile of the frame times in ms by one of the nine definitions."""
    return float(np.percentile(frame_ms, percent, method=method))


def budget_share(cost_ms: Floats, refresh_hz: float, *, percent: float = 99.9) -> float:
    """Return the share of the frame budget that the work of a frame takes.

    Args:
        cost_ms: Time the work of each frame took in ms, waiting not counted; shape (frames,).
        refresh_hz: Refresh rate in Hz.
        percent: Percentile of the cost that must fit.

    Returns:
        1.0 where that percentile takes the whole refresh interval.
    """
    return percentile_ms(cost_ms, percent) * refresh_hz / 1000


def has_pacing_problem(pacing: Pacing, *, minimum_share: float = HEALTHY_MINIMUM_SHARE) -> bool:
    """Say whether the frame rate dipped, whatever the average is.

    90 fps on average with a minimum of 89 is healthy; 88 with a minimum of 48 is a pacing problem.
    """
    return pacing.minimum_fps < minimum_share * pacing.refresh_hz


def _check(frame_ms: Floats, refresh_hz: float, window_s: float) -> None:
    """Refuse impossible values."""
    if not frame_ms.size:
        raise ValueError("no frames: at least one is needed")
    if not (np.isfinite(frame_ms).all() and frame_ms.min() > 0):
        raise ValueError("frame times must be finite and above zero")
    if not refresh_hz > 0 or not window_s > 0:
        raise ValueError(f"refresh rate {refresh_hz} Hz, window {window_s} s: both must be above zero")


def _longest_run(places: NDArray[np.intp]) -> int:
    """Return the length of the longest run of neighbouring places."""
    if not places.size:
        return 0
    breaks = np.flatnonzero(np.diff(places) != 1)
    edges = np.concatenate(([-1], breaks, [places.size - 1]))
    return int(np.diff(edges).max())


def _worst(
    late_ms: Floats, missed: NDArray[np.int64], ends_s: Floats, *, most: int = 5
) -> tuple[Stretch, ...]:
    """Join late frames that lie close together and return the worst stretches; every argument has one per late frame."""
    if not late_ms.size:
        return ()
    starts_s = np.maximum(ends_s - late_ms / 1000, 0.0)
    firsts = np.concatenate(([0], np.flatnonzero(starts_s[1:] - ends_s[:-1] > JOIN_S) + 1))
    stops = np.concatenate((firsts[1:], [late_ms.size]))
    totals = np.add.reduceat(missed, firsts)
    longest = np.maximum.reduceat(late_ms, firsts)
    return tuple(
        Stretch(
            start_s=float(starts_s[firsts[at]]),
            end_s=float(ends_s[stops[at] - 1]),
            late_frames=int(stops[at] - firsts[at]),
            missed_refreshes=int(totals[at]),
            longest_ms=float(longest[at]),
        )
        for at in np.argsort(-totals, kind="stable")[:most]
    )
