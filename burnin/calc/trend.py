"""Straight lines: through independent points, and through a trace whose readings resemble their neighbours."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from burnin.calc.arrays import Floats, present
from burnin.calc.distributions import student_quantile, two_sided_t
from burnin.calc.grid import average_on_grid
from burnin.calc.noise import DITHERED_FROM, correlate, estimate_noise
from burnin.calc.refusal import Refusal

FEWEST_READINGS = 20
MOST_GRID_POINTS = 400


@dataclass(frozen=True, kw_only=True)
class Trend:
    """A fitted slope.

    Attributes:
        slope: Unit of the values per unit of x.
        u: Standard uncertainty of the slope.
        df: Degrees of freedom of ``u``.
        hidden: Slope that the coarse steps of the sensor may hide, 0 where noise spreads over them.
        centre: Value of the line at the middle of x.
    """

    slope: float
    u: float
    df: float
    hidden: float
    centre: float

    def interval(self, confidence: float = 0.95) -> tuple[float, float]:
        """Return the two-sided interval of the slope."""
        half = two_sided_t(confidence, self.df) * self.u + self.hidden
        return self.slope - half, self.slope + half

    def bound(self, confidence: float = 0.95) -> float:
        """Return what the slope's size does not exceed, with this one-sided confidence on either side."""
        return abs(self.slope) + student_quantile(confidence, self.df) * self.u + self.hidden


def line(x: ArrayLike, y: ArrayLike) -> Trend | Refusal:
    """Fit a line through independent points, for example a figure per cycle (ordinary least squares).

    Returns:
        The trend, or a refusal ``too-few-points`` with fewer than three.
    """
    places, values = present(x, y)
    if places.size < 3:
        return Refusal(slug="too-few-points", observed=places.size, needed=3)
    away = places - np.mean(places)
    power = float(away @ away)
    slope = float(away @ values) / power
    residuals = values - np.mean(values) - slope * away
    df = places.size - 2.0
    return Trend(
        slope=slope,
        u=math.sqrt(float(residuals @ residuals) / df / power),
        df=df,
        hidden=0.0,
        centre=float(np.mean(values)),
    )


def trace_slope(t_s: ArrayLike, values: ArrayLike, *, step: float) -> Trend | Refusal:
    """Fit a line through a stretch of a trace, allowing for AR(1) noise and coarse steps.

    Args:
        t_s: Seconds, strictly rising.
        values: The trace, NaN in gaps.
        step: Resolution of the sensor, 0 if none.

    Returns:
        The trend per second, or a refusal ``too-few-readings``.
    """
    times, column = present(t_s, values)
    if times.size < FEWEST_READINGS:
        return Refusal(slug="too-few-readings", observed=times.size, needed=FEWEST_READINGS)
    data = average_on_grid(times, column, start_s=float(times[0]), step=step, most=MOST_GRID_POINTS)
    away = data.t_s - np.mean(data.t_s)
    columns = np.column_stack([np.ones_like(away), away])
    power = float(away @ away)
    slope = float(away @ data.values) / power
    residuals = data.values - np.mean(data.values) - slope * away
    noise = estimate_noise(columns, residuals, layout=data.layout, step=data.step)
    spread = noise.sd**2 * float((columns.T @ correlate(columns, noise.phi, layout=data.layout))[1, 1])
    return Trend(
        slope=slope,
        u=math.sqrt(spread + noise.white_sd**2 * power) / power,
        df=max(noise.effective_share * away.size - 2.0, 2.0),
        hidden=_hidden_slope(column, times, slope=slope, step=step),
        centre=float(np.mean(data.values)),
    )


def _hidden_slope(column: Floats, times: Floats, *, slope: float, step: float) -> float:
    """Return step / span where the readings sit on the sensor's steps with too little noise to spread over them."""
    residuals = column - slope * times
    spread = max(float(np.var(residuals)) - step**2 / 12, 0.0)
    return 0.0 if spread >= (DITHERED_FROM * step) ** 2 else step / float(times[-1] - times[0])
