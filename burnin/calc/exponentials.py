"""Least squares for a sum of one or two decaying exponentials, a level and a slow drift.

Variable projection (Golub and Pereyra 1973): for given time constants everything else is linear, so only the time
constants are searched, first on a logarithmic grid, then by Gauss-Newton steps that are halved until they help.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from burnin.calc.arrays import Floats

HOUR_S = 3600.0
_GRID_POINTS = 48


@dataclass(frozen=True, kw_only=True)
class Points:
    """Data of a fit.

    Attributes:
        t_s: Seconds since the step, shape (n,).
        values: Data, shape (n,).
        drift_weight: Noise over the prior spread of the drift, in hours; 0 leaves the drift free.
    """

    t_s: Floats
    values: Floats
    drift_weight: float


@dataclass(frozen=True, kw_only=True)
class Solution:
    """Best fit for some time constants.

    Attributes:
        taus_s: Time constants, rising.
        linear: Level, drift per hour, and one amplitude per time constant.
        residuals: Data minus fit, shape (n,).
        loss: Sum of squares, the drift's prior included.
    """

    taus_s: tuple[float, ...]
    linear: Floats
    residuals: Floats
    loss: float


def linear_columns(t_s: Floats, taus_s: tuple[float, ...]) -> Floats:
    """Return the columns level, drift (hours before the end) and one exponential per time constant; shape (n, p)."""
    drift = (t_s - t_s[-1]) / HOUR_S
    return np.column_stack([np.ones_like(t_s), drift, *(np.exp(-t_s / tau) for tau in taus_s)])


def jacobian(t_s: Floats, solution: Solution) -> Floats:
    """Return the linear columns and the derivatives by the logarithm of each time constant; shape (n, p)."""
    columns = linear_columns(t_s, solution.taus_s)
    slopes = [
        amplitude * columns[:, 2 + i] * t_s / tau
        for i, (tau, amplitude) in enumerate(zip(solution.taus_s, solution.linear[2:], strict=True))
    ]
    return np.column_stack([columns, *slopes])


def project(points: Points, taus_s: tuple[float, ...]) -> Solution:
    """Solve the linear part for given time constants."""
    columns = linear_columns(points.t_s, taus_s)
    prior = np.zeros((1, columns.shape[1]))
    prior[0, 1] = points.drift_weight
    target = np.append(points.values, 0.0)
    linear = np.linalg.lstsq(np.vstack([columns, prior]), target, rcond=None)[0]
    residuals = points.values - columns @ linear
    loss = float(residuals @ residuals) + float(points.drift_weight * linear[1]) ** 2
    return Solution(taus_s=taus_s, linear=linear, residuals=residuals, loss=loss)


def search(points: Points, *, order: int, shortest_s: float, longest_s: float) -> Solution:
    """Return the best fit with ``order`` time constants between the two bounds, in seconds."""
    thinned = _thin(points)
    grid = np.geomspace(shortest_s, longest_s, _GRID_POINTS if order == 1 else _GRID_POINTS // 3)
    candidates = [tuple(float(tau) for tau in taus) for taus in combinations(grid, order)]
    stack = np.zeros((len(candidates), thinned.t_s.size + 1, order + 2))
    stack[:, :-1] = [linear_columns(thinned.t_s, taus) for taus in candidates]
    stack[:, -1, 1] = thinned.drift_weight
    explained = np.append(thinned.values, 0.0) @ np.linalg.qr(stack)[0]
    return refine(points, candidates[int(np.argmax(np.sum(explained**2, axis=-1)))])


def refine(points: Points, taus_s: tuple[float, ...]) -> Solution:
    """Return the fit with the least loss near these time constants."""
    solution = project(points, taus_s)
    while (better := _improve(points, solution)).loss < solution.loss * (1 - 1e-10):
        solution = better
    return solution


def _improve(points: Points, solution: Solution) -> Solution:
    """Return the best of the Gauss-Newton step and its halves; the old solution if none of them helps."""
    columns = jacobian(points.t_s, solution)
    prior = np.zeros((1, columns.shape[1]))
    prior[0, 1] = points.drift_weight
    target = np.append(solution.residuals, -points.drift_weight * solution.linear[1])
    order = len(solution.taus_s)
    step = np.linalg.lstsq(np.vstack([columns, prior]), target, rcond=None)[0][-order:]
    step = np.clip(step, -1.0, 1.0)
    for _ in range(8):
        moved = np.asarray(solution.taus_s) * np.exp(step)
        trial = project(points, tuple(sorted(float(tau) for tau in moved)))
        if trial.loss < solution.loss:
            return trial
        step = step / 2
    return solution


def _thin(points: Points, most: int = 200) -> Points:
    """Return means of neighbouring points, enough for a coarse search."""
    group = -(-points.t_s.size // most)
    whole = points.t_s.size // group * group
    t_s, values = (column[:whole].reshape(-1, group).mean(axis=1) for column in (points.t_s, points.values))
    return Points(t_s=t_s, values=values, drift_weight=points.drift_weight / group**0.5)
