"""How the noise of a trace correlates, seen through the residuals of a fit, and what that does to the fit.

A fit eats part of the slow noise, so residuals look calmer and less correlated than the noise was. The two moments
used here (residual power and product of neighbours) are therefore compared with their *expectations* after the fit,
E[e e'] = M S M with M the residual projection: exact for linear fits, and no formula for "bias of phi" is needed.
Quantisation adds white noise of step^2/12 (Bennett 1948), which would hide correlation; it is taken out where the
noise is wide enough to spread over the steps.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from burnin.calc.arrays import Floats
from burnin.calc.grid import Layout

MOST_CORRELATED = 0.99
DITHERED_FROM = 0.3
"""Noise of at least 0.3 steps spreads over the quantiser, whose error is then white to 2 % (Widrow 1956)."""


@dataclass(frozen=True, kw_only=True)
class Noise:
    """AR(1) noise plus white quantisation noise.

    Attributes:
        phi: Correlation of neighbouring grid points, 0 to 0.99.
        sd: Standard deviation of the correlated part, unit of the trace.
        white_sd: Standard deviation of the quantisation part, same unit.
    """

    phi: float
    sd: float
    white_sd: float

    @property
    def long_run_variance(self) -> float:
        """Variance that n grid points behave as if they had, were they independent (spectrum at zero frequency)."""
        return self.sd**2 * (1 + self.phi) / (1 - self.phi) + self.white_sd**2

    @property
    def effective_share(self) -> float:
        """Share of the grid points that count as independent, 0 to 1."""
        total = self.sd**2 + self.white_sd**2
        return total / self.long_run_variance if total else 1.0


def estimate_noise(columns: Floats, residuals: Floats, *, layout: Layout, step: float) -> Noise:
    """Return the noise that explains these residuals.

    Args:
        columns: Jacobian of the fit, shape (n, p).
        residuals: Data minus fit, shape (n,).
        layout: Grid of the points.
        step: Resolution of the readings (for averaged points: step / sqrt(readings per point)), 0 if none.
    """
    basis = np.linalg.qr(columns)[0]
    count = residuals.size
    pairs = layout.neighbours
    power = float(residuals @ residuals) / count
    product = float(np.sum((residuals[1:] * residuals[:-1])[pairs])) / count
    white = step * step / 12
    kept: float = 1 - columns.shape[1] / count
    if power / kept < white + (DITHERED_FROM * step) ** 2:
        white = 0.0
    white_product = -float(np.sum((basis[1:] * basis[:-1])[pairs])) / count * white
    remaining = max(power - kept * white, 1e-30)

    def excess(phi: float) -> float:
        own_power, own_product = _expected_moments(basis, phi, layout=layout)
        return own_product / own_power * remaining + white_product - product

    phi = _rising_zero(excess)
    variance = remaining / _expected_moments(basis, phi, layout=layout)[0]
    return Noise(phi=phi, sd=math.sqrt(variance), white_sd=math.sqrt(white))


def correlate(columns: Floats, phi: float, *, layout: Layout) -> Floats:
    """Return S @ columns, where S holds phi^|i - j| for the grid places i and j of the points; shape (n, p)."""
    length = 1 << (2 * layout.size - 1).bit_length()
    kernel = np.zeros(length)
    kernel[: layout.size] = phi ** np.arange(layout.size)
    kernel[-layout.size + 1 :] = kernel[layout.size - 1 : 0 : -1]
    padded = np.zeros((length, columns.shape[1]))
    padded[layout.slots] = columns
    spectrum = np.fft.rfft(kernel)[:, None] * np.fft.rfft(padded, axis=0)
    return np.asarray(np.fft.irfft(spectrum, length, axis=0)[layout.slots], dtype=np.float64)


def _expected_moments(basis: Floats, phi: float, *, layout: Layout) -> tuple[float, float]:
    """Return E[e'e]/n and E[sum of e_t e_(t-1)]/n of the residuals of AR(1) noise of variance 1."""
    spread = correlate(basis, phi, layout=layout)
    inner = basis.T @ spread
    pairs = layout.neighbours
    before, after = basis[:-1][pairs], basis[1:][pairs]
    product = phi * np.count_nonzero(pairs)
    product -= np.sum(before * spread[1:][pairs]) + np.sum(spread[:-1][pairs] * after)
    product += np.sum((before @ inner) * after)
    count = basis.shape[0]
    return float(count - np.trace(inner)) / count, float(product) / count


def _rising_zero(excess: Callable[[float], float]) -> float:
    """Return phi between 0 and 0.99 where ``excess`` changes sign, or the nearer end where it does not.

    False position with the Illinois correction (Dowell and Jarratt 1971).
    """
    low, high = 0.0, MOST_CORRELATED
    below, above = excess(low), excess(high)
    if below >= 0 or above <= 0:
        return low if below >= 0 else high
    while high - low > 1e-4:
        middle = low + (high - low) * min(max(-below / (above - below), 0.01), 0.99)
        value = excess(middle)
        if value < 0:
            low, below, above = middle, value, above / 2
        else:
            high, above, below = middle, value, below / 2
    return 0.5 * (low + high)
