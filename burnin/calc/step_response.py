"""Time constants and steady state from the response to a load step, heating or cooling.

Model: T(t) = level + drift (t - end) + one or two decaying exponentials, the lumped-capacitance solution (Incropera and
DeWitt, *Fundamentals of Heat and Mass Transfer*, chapter 5) with a slow drift of the room whose size is known only as
a standard uncertainty. Intervals allow for AR(1) noise, for the coarse steps of the sensor and for the drift.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from burnin.calc.arrays import Floats, present, usual_step_s
from burnin.calc.distributions import chi_square_quantile, two_sided_t
from burnin.calc.exponentials import Points, Solution, jacobian, refine, search
from burnin.calc.grid import Gridded, average_on_grid
from burnin.calc.noise import Noise, correlate, estimate_noise
from burnin.calc.refusal import Refusal

FEWEST_POINTS = 40
MOST_GRID_POINTS = 3000
SECOND_ORDER_CONFIDENCE = 0.99999
REFUSAL_CONFIDENCE = 0.9995
"""The longest time constant that the data still allow, at this confidence, must fit into the stretch."""

_STIFF = 1e3
"""Weight that holds the drift at 0 in the first pass, when the noise is not known yet."""


@dataclass(frozen=True, kw_only=True)
class FitSettings:
    """What the fit is told beside the trace.

    Attributes:
        resolution_c: Step of the sensor, in degrees; 0 if it has none.
        drift_k_per_h: Standard uncertainty of an unseen drift (room, supply) during the soak.
        confidence: Of the intervals.
        order: Time constants to fit, 1 or 2; None takes the second only where the data demand it.
    """

    resolution_c: float = 1.0
    drift_k_per_h: float = 0.5
    confidence: float = 0.95
    order: int | None = None


@dataclass(frozen=True, kw_only=True)
class Estimate:
    """A figure with its standard uncertainty and interval."""

    value: float
    u: float
    low: float
    high: float


@dataclass(frozen=True, kw_only=True)
class StepFit:
    """What the response to a step shows.

    Attributes:
        tau_s: Slowest time constant.
        steady_c: Temperature towards which the trace runs, as of the room at the end of the stretch.
        start_c: Temperature of the fit at the step.
        taus_s: All time constants, rising.
        rises_c: Share of the rise that belongs to each of them (negative: falls).
        drift_k_per_h: Fitted drift, held near 0 by its stated uncertainty.
        noise: Noise of the residuals, per grid point.
        grid_s: Spacing of the grid.
        count: Readings used.
        df: Degrees of freedom of the intervals.
        soak_taus: Length of the stretch in slowest time constants.
    """

    tau_s: Estimate
    steady_c: Estimate
    start_c: float
    taus_s: tuple[float, ...]
    rises_c: tuple[float, ...]
    drift_k_per_h: float
    noise: Noise
    grid_s: float
    count: int
    df: float
    soak_taus: float


@dataclass(frozen=True, kw_only=True)
class _Fit:
    data: Gridded
    solution: Solution
    noise: Noise
    weight: float


def fit_step(t_s: ArrayLike, temp_c: ArrayLike, *, settings: FitSettings | None = None) -> StepFit | Refusal:
    """Fit the response to one load step.

    Args:
        t_s: Seconds, strictly rising; the first one is the moment of the step.
        temp_c: Temperatures, NaN in gaps.
        settings: Sensor step, drift, confidence, order.

    Returns:
        The fit, or a refusal: ``too-few-points``, ``mostly-gaps``, ``no-step-seen`` (observed, needed: kelvin),
        ``too-fast-for-sampling`` (seconds), ``soak-too-short`` (observed: stretch, needed: upper bound of the slowest
        time constant, seconds).
    """
    settings = settings or FitSettings()
    times, temps = present(t_s, temp_c)
    if times.size < FEWEST_POINTS:
        return Refusal(slug="too-few-points", observed=times.size, needed=FEWEST_POINTS)
    start_s = float(np.asarray(t_s)[0])
    filled = times.size * usual_step_s(times) / (float(np.asarray(t_s)[-1]) - start_s)
    if filled < 0.5:
        return Refusal(slug="mostly-gaps", observed=filled, needed=0.5)
    step = settings.resolution_c
    data = average_on_grid(times, temps, start_s=start_s, step=step, most=MOST_GRID_POINTS)
    return _report(_choose_order(data, settings), count=times.size, settings=settings)


def _choose_order(data: Gridded, settings: FitSettings) -> _Fit:
    """Take the second time constant only for a gain that neither noise, bare sensor steps nor rounding explain."""
    if settings.order is not None:
        return _fit(data, settings, order=settings.order)
    first = _fit(data, settings, order=1)
    second = _fit(data, settings, order=2)
    gain = first.solution.loss - second.solution.loss
    demanded = chi_square_quantile(SECOND_ORDER_CONFIDENCE, 2) * second.noise.long_run_variance
    staircase = 0.0 if second.noise.white_sd else data.step**2 / 12
    demanded += data.values.size * (staircase + 1e-9 * float(np.var(data.values)))
    return second if gain > demanded else first


def _fit(data: Gridded, settings: FitSettings, *, order: int) -> _Fit:
    """Fit, learn the noise from the residuals, and fit again with the drift weighed against that noise."""
    points = Points(t_s=data.t_s, values=data.values, drift_weight=_STIFF)
    span = float(data.t_s[-1])
    solution = search(points, order=order, shortest_s=2 * data.grid_s, longest_s=10 * span)
    points = replace(points, drift_weight=_drift_weight(_noise(data, solution), settings))
    solution = refine(points, solution.taus_s)
    noise = _noise(data, solution)
    return _Fit(data=data, solution=solution, noise=noise, weight=points.drift_weight)


def _noise(data: Gridded, solution: Solution) -> Noise:
    columns = jacobian(data.t_s, solution)
    return estimate_noise(columns, solution.residuals, layout=data.layout, step=data.step)


def _drift_weight(noise: Noise, settings: FitSettings) -> float:
    return math.sqrt(noise.long_run_variance) / max(settings.drift_k_per_h, 1e-6)


def _report(fit: _Fit, *, count: int, settings: FitSettings) -> StepFit | Refusal:
    solution, t_s = fit.solution, fit.data.t_s
    order = len(solution.taus_s)
    covariance, df = _covariance(fit)
    factor = two_sided_t(settings.confidence, df)
    change, change_u = _seen_change(fit)
    needed = max(factor * change_u, 2 * settings.resolution_c)
    if change < needed:
        return Refusal(slug="no-step-seen", observed=change, needed=needed)
    fastest, sampled = solution.taus_s[0], 2.5 * fit.data.grid_s
    if fastest < sampled:
        return Refusal(slug="too-fast-for-sampling", observed=fastest, needed=sampled)
    spread = math.sqrt(covariance[1 + order + order, 1 + order + order])
    longest = _logarithmic(solution.taus_s[-1], spread, factor=two_sided_t(REFUSAL_CONFIDENCE, df)).high
    if longest > t_s[-1]:
        return Refusal(slug="soak-too-short", observed=float(t_s[-1]), needed=longest)
    steady_u = math.hypot(math.sqrt(covariance[0, 0]), _coarse_steps_u(fit.noise, settings.resolution_c))
    steady = float(solution.linear[0])
    return StepFit(
        tau_s=_logarithmic(solution.taus_s[-1], spread, factor=factor),
        steady_c=Estimate(
            value=steady, u=steady_u, low=steady - factor * steady_u, high=steady + factor * steady_u
        ),
        start_c=steady
        + float(np.sum(solution.linear[2:]))
        - float(solution.linear[1]) * float(t_s[-1]) / 3600,
        taus_s=solution.taus_s,
        rises_c=tuple(-float(b) for b in solution.linear[2:]),
        drift_k_per_h=float(solution.linear[1]),
        noise=fit.noise,
        grid_s=fit.data.grid_s,
        count=count,
        df=df,
        soak_taus=float(t_s[-1]) / solution.taus_s[-1],
    )


def _covariance(fit: _Fit) -> tuple[Floats, float]:
    """Return the covariance of level, drift, amplitudes and log time constants, and its degrees of freedom.

    Sandwich H (J' S J / s^4 + P) H with H = (J'J / s^2 + P)^-1, S the covariance of the noise, s^2 its long-run
    variance and P the prior information on the drift.
    """
    columns = jacobian(fit.data.t_s, fit.solution)
    noise = fit.noise
    level = max(noise.long_run_variance, 1e-12)
    prior = np.zeros((columns.shape[1], columns.shape[1]))
    prior[1, 1] = fit.weight**2 / level
    spread = noise.sd**2 * columns.T @ correlate(columns, noise.phi, layout=fit.data.layout)
    spread += noise.white_sd**2 * columns.T @ columns
    inverse = np.linalg.pinv(columns.T @ columns / level + prior, hermitian=True)
    covariance = inverse @ (spread / level**2 + prior) @ inverse
    df = max(noise.effective_share * fit.data.t_s.size - columns.shape[1], 2.0)
    return np.asarray(covariance), df


def _seen_change(fit: _Fit) -> tuple[float, float]:
    """Return the size of the exponentials' change within the stretch, and its noise.

    The noise is that of one quarter's mean against another's, at most one and a half times that of single readings.
    """
    t_s, solution = fit.data.t_s, fit.solution
    change = sum(
        amplitude * math.expm1(-float(t_s[-1]) / tau)
        for tau, amplitude in zip(solution.taus_s, solution.linear[2:].tolist(), strict=True)
    )
    single = 1.5 * float(np.std(solution.residuals))
    return abs(change), min(math.sqrt(8 * fit.noise.long_run_variance / t_s.size), single)


def _logarithmic(value: float, spread: float, *, factor: float) -> Estimate:
    width = math.exp(min(factor * spread, 50.0))
    return Estimate(value=value, u=value * spread, low=value / width, high=value * width)


def _coarse_steps_u(noise: Noise, resolution_c: float) -> float:
    """Return the standard uncertainty of a level read in steps that the noise does not smooth out.

    The mean error of a quantiser fed with a level plus normal noise s is a Fourier series whose k-th harmonic has the
    amplitude step/(pi k) exp(-2 pi^2 k^2 s^2 / step^2) (Widrow and Kollar, *Quantization Noise*, 2008); this is its
    r.m.s. value over all levels, step/sqrt(12) without noise.
    """
    if resolution_c == 0:
        return 0.0
    seen = math.hypot(noise.sd, noise.white_sd)
    spread = max((seen / resolution_c) ** 2 - 1 / 12, 0.0)
    k = np.arange(1, 200)
    return resolution_c * math.sqrt(
        float(np.sum(np.exp(-4 * np.pi**2 * k**2 * spread) / (2 * np.pi**2 * k**2)))
    )
