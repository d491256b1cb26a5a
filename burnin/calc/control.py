"""Control charts of a family of builds, and the place of a new build among its sisters.

Individuals and moving range: NIST/SEMATECH e-Handbook 6.3.2.2; EWMA: 6.3.2.4 (Roberts 1959). The distance of a new
build is a prediction, so it allows for the few sisters from which mean and spread were taken.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from burnin.calc.arrays import Floats
from burnin.calc.distributions import student_tail, two_sided_t
from burnin.calc.refusal import Refusal

FEWEST_SISTERS: Final = 8
"""Under eight builds a family has no limits (our rule: the spread is then uncertain by more than a quarter)."""

MOVING_RANGE_FACTOR: Final = 2 / math.sqrt(math.pi)
"""d2 for ranges of two normal values, 1.128."""


@dataclass(frozen=True, kw_only=True)
class Chart:
    """Plotted points and their limits.

    Attributes:
        points: Values on the chart, in order.
        centre: Centre line.
        lower: Lower limit of each point.
        upper: Upper limit of each point.
        outside: Indices of the points beyond a limit.
    """

    points: tuple[float, ...]
    centre: float
    lower: tuple[float, ...]
    upper: tuple[float, ...]
    outside: tuple[int, ...]


@dataclass(frozen=True, kw_only=True)
class Standing:
    """A new build among its sisters.

    Attributes:
        sisters: Number of builds in the family, the new one not included.
        mean: Their mean.
        sd: Their standard deviation.
        distance_sd: New build less mean, in standard deviations.
        low: Lower end of the range in which a further sister is expected.
        high: Upper end of it.
        p_value: Chance of a sister at least as far off, both sides.
    """

    sisters: int
    mean: float
    sd: float
    distance_sd: float
    low: float
    high: float
    p_value: float


def individuals_chart(values: ArrayLike, *, width: float = 3.0) -> Chart | Refusal:
    """Chart single values with limits from their moving range.

    Limits: mean +- width x (mean moving range) / 1.128.

    Args:
        values: One figure per build, in order of building; NaN is left out.
        width: Half-width of the limits in standard deviations.

    Returns:
        The chart, or a refusal ``too-few-builds``.
    """
    column = _builds(values)
    if isinstance(column, Refusal):
        return column
    sigma = float(np.mean(np.abs(np.diff(column)))) / MOVING_RANGE_FACTOR
    half = np.full(column.size, width * sigma)
    return _chart(column, float(np.mean(column)), half)


def ewma_chart(
    values: ArrayLike, *, centre: float, sd: float, weight: float = 0.2, width: float = 3.0
) -> Chart:
    """Chart the exponentially weighted moving average, which shows small lasting shifts, as of a part batch.

    z_i = weight x_i + (1 - weight) z_(i-1) from z_0 = centre; limits centre +- width sd sqrt(weight / (2 - weight)), the
    steady limits that the handbook uses. The first point is z_0.

    Args:
        values: One figure per build, in order of building; NaN is left out.
        centre: Target, or mean of the family before.
        sd: Standard deviation of the family before.
        weight: Weight of the newest value, above 0 and at most 1.
        width: Half-width of the limits in standard deviations of z.
    """
    if not 0 < weight <= 1 or not sd >= 0:
        raise ValueError(
            f"weight above 0 and at most 1 and sd of 0 or more are needed, not {weight} and {sd}"
        )
    column = np.asarray(values, dtype=np.float64)
    points = [centre]
    for value in column[np.isfinite(column)].tolist():
        points.append(weight * value + (1 - weight) * points[-1])
    half = np.full(len(points), width * sd * math.sqrt(weight / (2 - weight)))
    return _chart(np.asarray(points), centre, half)


def place_among_sisters(value: float, sisters: ArrayLike, *, confidence: float = 0.99) -> Standing | Refusal:
    """Place a new build among its family.

    The expected range is mean +- t sd sqrt(1 + 1/n) (prediction interval for one further normal value; Hahn and Meeker,
    *Statistical Intervals*).

    Args:
        value: Figure of the new build, for example kelvin per watt.
        sisters: Figures of the family without it; NaN is left out.
        confidence: Of the expected range.

    Returns:
        The standing, or a refusal ``too-few-builds`` (under eight), ``no-value``, or ``no-spread``.
    """
    column = _builds(sisters)
    if isinstance(column, Refusal):
        return column
    if not math.isfinite(value):
        return Refusal(slug="no-value")
    mean, sd = float(np.mean(column)), float(np.std(column, ddof=1))
    if sd == 0:
        return Refusal(slug="no-spread", observed=sd)
    spread = sd * math.sqrt(1 + 1 / column.size)
    half = two_sided_t(confidence, column.size - 1.0) * spread
    return Standing(
        sisters=column.size,
        mean=mean,
        sd=sd,
        distance_sd=(value - mean) / sd,
        low=mean - half,
        high=mean + half,
        p_value=2 * student_tail(abs(value - mean) / spread, column.size - 1.0),
    )


def _builds(values: ArrayLike) -> Floats | Refusal:
    column = np.asarray(values, dtype=np.float64)
    column = column[np.isfinite(column)]
    if column.size < FEWEST_SISTERS:
        return Refusal(slug="too-few-builds", observed=column.size, needed=FEWEST_SISTERS)
    return column


def _chart(points: Floats, centre: float, half: Floats) -> Chart:
    outside = np.flatnonzero(np.abs(points - centre) > half)
    return Chart(
        points=tuple(points.tolist()),
        centre=centre,
        lower=tuple((centre - half).tolist()),
        upper=tuple((centre + half).tolist()),
        outside=tuple(outside.tolist()),
    )
