"""Whether two runs differ by more than runs of an unchanged machine differ.

A trace tells how certain *its own* mean is (batch means, :mod:`burnin.calc.series`). It cannot tell how much the mean moves
from run to run, with the room, the mount and the day; that takes a repeatability figure from repeated runs of unchanged
machines (ISO 5725-2 calls such a pooled standard deviation repeatability). Without one there is no comparison.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike

from burnin.calc.distributions import student_tail, two_sided_t
from burnin.calc.refusal import Refusal
from burnin.calc.series import Level

FEWEST_RUNS: Final = 3


@dataclass(frozen=True, kw_only=True)
class Repeatability:
    """Standard deviation of the steady mean between runs of an unchanged machine.

    Attributes:
        sd: In the unit of the mean.
        df: Degrees of freedom: runs less machines.
    """

    sd: float
    df: float


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """Difference of two steady means, second run less first.

    Attributes:
        difference: In the unit of the means.
        low: Lower end of its interval.
        high: Upper end of its interval.
        u: Standard uncertainty of the difference.
        df: Degrees of freedom.
        p_value: Two-sided.
        slug: ``higher``, ``lower`` or ``no-difference-shown``.
    """

    difference: float
    low: float
    high: float
    u: float
    df: float
    p_value: float
    slug: Literal["higher", "lower", "no-difference-shown"]


def pooled_repeatability(machines: Sequence[ArrayLike]) -> Repeatability | Refusal:
    """Pool the run-to-run spread of one or several unchanged machines.

    Args:
        machines: For each machine (setting, load) the steady means of its runs; NaN is left out.

    Returns:
        The repeatability, or a refusal ``too-few-baseline-runs``: three runs of one machine, or as many degrees of freedom
        from several.
    """
    power = df = 0.0
    for means in machines:
        column = np.asarray(means, dtype=np.float64)
        column = column[np.isfinite(column)]
        if column.size > 1:
            power += float(np.sum((column - np.mean(column)) ** 2))
            df += column.size - 1
    if df < FEWEST_RUNS - 1:
        return Refusal(slug="too-few-baseline-runs", observed=df + 1, needed=FEWEST_RUNS)
    return Repeatability(sd=math.sqrt(power / df), df=df)


def above_room(level: Level, room: Level) -> Level:
    """Return a temperature's mean above the room's, uncertainties combined (Welch-Satterthwaite)."""
    parts = (level.u**2, room.u**2)
    total = sum(parts)
    df = total**2 / sum(p**2 / x.df for p, x in zip(parts, (level, room), strict=True)) if total else level.df
    return replace(level, mean=level.mean - room.mean, u=math.sqrt(total), df=df)


def compare_levels(
    before: Sequence[Level],
    after: Sequence[Level],
    *,
    repeatability: Repeatability | None,
    confidence: float = 0.95,
) -> Comparison | Refusal:
    """Compare the steady means of the runs before and after a change; one run on either side is enough.

    The variance of each mean is the run-to-run variance, or that of its own trace where this is larger (a baseline's spread
    already holds the noise of its traces, so the two are not added). Baseline runs may stand in ``before`` as well.

    Args:
        before: Runs before the change, from :func:`burnin.calc.series.batch_level`, corrected for the room where needed.
        after: Runs after it.
        repeatability: Run-to-run spread; None if there is none.
        confidence: Of the interval.

    Returns:
        The comparison, or a refusal ``no-runs``, ``no-repeatability`` or ``no-spread`` (nothing varied at all, so that
        nothing can be judged).
    """
    if not before or not after:
        return Refusal(slug="no-runs", observed=0.0, needed=1.0)
    if repeatability is None:
        return Refusal(slug="no-repeatability")
    u = math.hypot(*(_mean_u(levels, repeatability) for levels in (before, after)))
    if u == 0:
        return Refusal(slug="no-spread", observed=u)
    df = min([repeatability.df, *(level.df for level in (*before, *after) if level.u > repeatability.sd)])
    difference = float(np.mean([level.mean for level in after]) - np.mean([level.mean for level in before]))
    half = two_sided_t(confidence, df) * u
    shown = abs(difference) > half
    return Comparison(
        difference=difference,
        low=difference - half,
        high=difference + half,
        u=u,
        df=df,
        p_value=2 * student_tail(abs(difference) / u, df),
        slug=("higher" if difference > 0 else "lower") if shown else "no-difference-shown",
    )


def _mean_u(levels: Sequence[Level], repeatability: Repeatability) -> float:
    return math.hypot(*(max(repeatability.sd, level.u) for level in levels)) / len(levels)


def holm(p_values: ArrayLike) -> tuple[float, ...]:
    """Return p-values corrected for being many, in the order given (Holm 1979, step-down).

    A corrected value below 0.05 holds with at most 5 % risk of any false one among all.

    Raises:
        ValueError: A value outside 0 to 1.
    """
    values = np.asarray(p_values, dtype=np.float64)
    if not np.all((values >= 0) & (values <= 1)):
        raise ValueError("p-values lie between 0 and 1")
    order = np.argsort(values, kind="stable")
    stepped = values[order] * np.arange(values.size, 0, -1)
    corrected = np.empty(values.size)
    corrected[order] = np.minimum(np.maximum.accumulate(stepped), 1.0)
    return tuple(corrected.tolist())
