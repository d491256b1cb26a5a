"""What a fault count proves: bounds on rates and shares, test lengths, and the comparison of two groups.

Rates assume faults that come at a constant rate while the load runs (exponential times, Poisson counts): a statement
per hour of *this* load at *this* setting and temperature, not a life-time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from burnin.calc.distributions import (
    beta_quantile,
    chi_square_cdf,
    chi_square_quantile,
    student_tail,
    two_sided_t,
)


@dataclass(frozen=True, kw_only=True)
class Interval:
    """A two-sided interval; an end is infinite where the data set none."""

    low: float
    high: float


def fault_rate_upper(faults: int, time_h: float, *, confidence: float) -> float:
    """Return the one-sided upper bound on the fault rate, in faults per hour.

    Chi-square (confidence; 2 (faults + 1)) / (2 time): NIST/SEMATECH e-Handbook 8.4.5.1, fixed test time.

    Args:
        faults: Faults seen, 0 or more.
        time_h: Hours of verified load, greater than 0.
        confidence: For example 0.90.
    """
    _count(faults, "faults")
    return chi_square_quantile(confidence, 2.0 * (faults + 1)) / (2.0 * _positive(time_h, "time_h"))


def required_length_h(rate_per_h: float, *, confidence: float, faults: int = 0) -> float:
    """Return the hours to run so that at most ``faults`` faults show a rate of at most ``rate_per_h``.

    The reverse of :func:`fault_rate_upper` (e-Handbook 8.3.1.3, test-length factors).
    """
    return fault_rate_upper(faults, 1.0, confidence=confidence) / _positive(rate_per_h, "rate_per_h")


def confidence_reached(rate_per_h: float, *, time_h: float, faults: int = 0) -> float:
    """Return the confidence with which the rate is at most ``rate_per_h`` after this much time and these faults."""
    _count(faults, "faults")
    expected = _positive(rate_per_h, "rate_per_h") * _positive(time_h, "time_h")
    return chi_square_cdf(2.0 * expected, 2.0 * (faults + 1))


def mean_time_interval_h(faults: int, time_h: float, *, confidence: float) -> Interval:
    """Return the two-sided interval of the mean time between faults, in hours (e-Handbook 8.4.5.1).

    Without a fault there is no upper end, and the lower end is one-sided at the full confidence.
    """
    if faults == 0:
        return Interval(low=1.0 / fault_rate_upper(0, time_h, confidence=confidence), high=math.inf)
    tail = 0.5 * (1.0 - confidence)
    low = 1.0 / fault_rate_upper(faults, time_h, confidence=1.0 - tail)
    return Interval(low=low, high=2.0 * time_h / chi_square_quantile(tail, 2.0 * faults))


def success_run(reliability: float, *, confidence: float) -> int:
    """Return how many trials without a failure show this reliability: ln(1 - C) / ln R, rounded up."""
    if not (0 < reliability < 1 and 0 < confidence < 1):
        raise ValueError(
            f"reliability and confidence lie between 0 and 1, not {reliability} and {confidence}"
        )
    return math.ceil(math.log1p(-confidence) / math.log(reliability) - 1e-12)


def zero_failure_share_upper(trials: int, *, confidence: float) -> float:
    """Return the exact upper bound on the failing share after trials without a failure: 1 - (1 - C)^(1/n).

    The "rule of three", 3/n at 95 %, is its approximation for many trials.
    """
    _count(trials - 1, "trials - 1")
    return -math.expm1(math.log1p(-confidence) / trials)


def share_upper(failures: int, trials: int, *, confidence: float) -> float:
    """Return the one-sided upper bound on a failing share, exact binomial (Clopper and Pearson 1934)."""
    _count(failures, "failures")
    _count(trials - max(failures, 1), "trials - failures")
    if failures == trials:
        return 1.0
    return beta_quantile(confidence, a=failures + 1.0, b=float(trials - failures))


@dataclass(frozen=True, kw_only=True)
class Sample:
    """Size, mean and standard deviation (n - 1) of a group of independent values."""

    size: int
    mean: float
    sd: float


@dataclass(frozen=True, kw_only=True)
class GroupDifference:
    """Difference of two group means, first minus second.

    Attributes:
        difference: In the unit of the values.
        low: Lower end of its interval.
        high: Upper end of its interval.
        t: Test statistic.
        df: Degrees of freedom, not rounded.
        p_value: Two-sided.
    """

    difference: float
    low: float
    high: float
    t: float
    df: float
    p_value: float


def describe_sample(values: ArrayLike) -> Sample:
    """Return size, mean and standard deviation of the finite values (at least two)."""
    column = np.asarray(values, dtype=np.float64)
    column = column[np.isfinite(column)]
    _count(column.size - 2, "values beyond two")
    return Sample(size=int(column.size), mean=float(np.mean(column)), sd=float(np.std(column, ddof=1)))


def welch(first: Sample, second: Sample, *, confidence: float = 0.95) -> GroupDifference:
    """Compare two groups of independent values whose spreads may differ.

    Welch (1947) with the Welch-Satterthwaite degrees of freedom; NIST/SEMATECH e-Handbook 7.3.1.

    Raises:
        ValueError: Neither group varies.
    """
    parts = [group.sd**2 / group.size for group in (first, second)]
    spread = math.sqrt(_positive(sum(parts), "variance of the difference"))
    df = sum(parts) ** 2 / sum(
        part**2 / (group.size - 1) for part, group in zip(parts, (first, second), strict=True)
    )
    difference = first.mean - second.mean
    half = two_sided_t(confidence, df) * spread
    return GroupDifference(
        difference=difference,
        low=difference - half,
        high=difference + half,
        t=difference / spread,
        df=df,
        p_value=2.0 * student_tail(abs(difference) / spread, df),
    )


def _count(number: int, name: str) -> None:
    if number < 0:
        raise ValueError(f"{name} must not be negative: {number}")


def _positive(number: float, name: str) -> float:
    if not number > 0:
        raise ValueError(f"{name} must be greater than 0: {number}")
    return number
