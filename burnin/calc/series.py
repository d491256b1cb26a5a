"""Means of autocorrelated series: what neighbouring readings that resemble each other leave of n.

Sensor traces are not independent readings. For AR(1) noise of correlation phi the variance of a mean of n readings is
(1 + phi) / (1 - phi) times that of n independent ones (Bartlett 1935); batch means need no model (Law, *Simulation
Modeling and Analysis*, the method of batch means).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from burnin.calc.arrays import Floats, checked_series, present, usual_step_s
from burnin.calc.distributions import two_sided_t
from burnin.calc.refusal import Refusal

BATCHES = 10
FEWEST_BATCHES = 8
"""Ten pieces, two of which may be lost to gaps (10 to 30 is common practice; fewer are longer, hence less alike)."""

FEWEST_READINGS = 40


@dataclass(frozen=True, kw_only=True)
class Level:
    """Mean of a series with a standard uncertainty that allows for autocorrelation.

    Attributes:
        mean: Unit of the series.
        u: Standard uncertainty of the mean, same unit.
        df: Degrees of freedom of ``u``.
        count: Readings used.
        span_s: From first to last reading.
        batch_correlation: Lag-one correlation of the batch means; far above 0, the batches are too short.
    """

    mean: float
    u: float
    df: float
    count: int
    span_s: float
    batch_correlation: float

    def half_width(self, confidence: float = 0.95) -> float:
        """Return the half-width of the two-sided interval of the mean."""
        return two_sided_t(confidence, self.df) * self.u


def variance_inflation(phi: float, count: int) -> float:
    """Return how many times the variance of a mean of ``count`` AR(1) values exceeds that of independent ones.

    Exact: (1 + phi)/(1 - phi) - 2 phi (1 - phi^n) / (n (1 - phi)^2).

    Args:
        phi: Correlation of neighbours, -1 < phi < 1.
        count: Number of equally spaced values, 1 or more.
    """
    if not -1 < phi < 1 or count < 1:
        raise ValueError(f"phi between -1 and 1 and a count of at least 1 are needed, not {phi} and {count}")
    return (1 + phi) / (1 - phi) - 2 * phi * (1 - phi**count) / (count * (1 - phi) ** 2)


def effective_size(phi: float, count: int) -> float:
    """Return the number of independent values whose mean is as certain as that of ``count`` AR(1) values."""
    return count / variance_inflation(phi, count)


def lag_one(t_s: ArrayLike, values: ArrayLike) -> float:
    """Return the correlation of neighbours about the mean, corrected for its bias; NaN with fewer than 10 pairs.

    Pairs count only across the usual step, never across a gap. The plain estimate r is low by about (1 + 3 phi)/n
    (Kendall 1954), hence (n r + 1)/(n - 3). Clipped to -0.99 to 0.99.
    """
    times, column = present(t_s, values)
    pairs = np.diff(times) < 1.5 * usual_step_s(times)
    count = int(np.count_nonzero(pairs))
    away = column - np.mean(column) if column.size else column
    power = float(np.mean(away**2)) if column.size else 0.0
    if count < 10 or power == 0:
        return math.nan
    plain = float(np.mean((away[1:] * away[:-1])[pairs])) / power
    return min(max((count * plain + 1) / (count - 3), -0.99), 0.99)


def batch_level(t_s: ArrayLike, values: ArrayLike) -> Level | Refusal:
    """Return the mean of a level stretch of a trace by the method of batch means.

    The stretch is cut into ten pieces of equal length in time; pieces less than half filled are left out, and the mean
    is that of the piece means. What correlation is left between neighbouring pieces widens the uncertainty by
    1 + 2 (r + 1/pieces), never narrows it.

    Args:
        t_s: Times in seconds, strictly rising.
        values: The trace, NaN in gaps.

    Returns:
        The level, or a refusal ``too-few-readings`` (observed, needed: readings) or ``too-few-batches``.
    """
    times, column = checked_series(t_s, values)
    count = int(np.count_nonzero(np.isfinite(column)))
    if count < FEWEST_READINGS:
        return Refusal(slug="too-few-readings", observed=count, needed=FEWEST_READINGS)
    means = _batch_means(times, column)
    if means.size < FEWEST_BATCHES:
        return Refusal(slug="too-few-batches", observed=means.size, needed=FEWEST_BATCHES)
    mean = float(np.mean(means))
    away = means - mean
    power = float(np.sum(away**2))
    alike = float(np.sum(away[1:] * away[:-1])) / power if power else 0.0
    inflation = 1 + 2 * max(alike + 1 / means.size, 0.0)
    return Level(
        mean=mean,
        u=math.sqrt(inflation * power / (means.size * (means.size - 1))),
        df=means.size - 1.0,
        count=count,
        span_s=float(times[-1] - times[0]),
        batch_correlation=alike,
    )


def _batch_means(times: Floats, column: Floats) -> Floats:
    edges = np.linspace(times[0], times[-1], BATCHES + 1)
    piece = np.clip(np.searchsorted(edges, times, side="right") - 1, 0, BATCHES - 1)
    good = np.isfinite(column)
    filled = np.bincount(piece[good], minlength=BATCHES)
    offset = float(np.mean(column[good]))
    sums = np.bincount(piece[good], weights=column[good] - offset, minlength=BATCHES)
    enough = filled >= max(1.0, 0.5 * float(np.max(filled)))
    return offset + sums[enough] / filled[enough]
