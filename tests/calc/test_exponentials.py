"""Clean curves give their parameters back; the reference for one time constant is SciPy's curve fit."""

import numpy as np
import pytest
from scipy.optimize import curve_fit

from burnin.calc import exponentials as own

TIMES = np.arange(0.0, 901.0)


def points(values, weight=1e3):
    return own.Points(t_s=TIMES, values=values, drift_weight=weight)


def test_one_time_constant_agrees_with_scipy():
    values = 64 - 40 * np.exp(-TIMES / 300) + np.random.default_rng(1).normal(0, 0.5, TIMES.size)
    found = own.search(points(values), order=1, shortest_s=2.0, longest_s=9000.0)
    reference = curve_fit(lambda t, a, b, tau: a + b * np.exp(-t / tau), TIMES, values, p0=(60, -30, 200))[0]
    assert found.taus_s[0] == pytest.approx(reference[2], rel=1e-4)
    assert (found.linear[0], found.linear[2]) == pytest.approx((reference[0], reference[1]), rel=1e-4)
    assert found.residuals.std() == pytest.approx(0.5, rel=0.1)


def test_two_time_constants_and_a_free_drift_are_found():
    drift = 2.0 * (TIMES - TIMES[-1]) / 3600
    values = 70 - 30 * np.exp(-TIMES / 200) - 15 * np.exp(-TIMES / 8) + drift
    found = own.search(points(values, weight=1e-9), order=2, shortest_s=2.0, longest_s=9000.0)
    assert found.taus_s == pytest.approx((8, 200), rel=1e-2)
    assert found.linear == pytest.approx([70, 2.0, -15, -30], rel=2e-2)


def test_a_stiff_drift_stays_at_nothing():
    values = 60 + 2.0 * TIMES / 3600 - 20 * np.exp(-TIMES / 100)
    found = own.search(points(values, weight=1e6), order=1, shortest_s=2.0, longest_s=9000.0)
    assert abs(found.linear[1]) < 1e-3


def test_the_jacobian_is_the_derivative():
    solution = own.project(points(64 - 40 * np.exp(-TIMES / 300)), (290.0,))
    moved = [solution.linear @ own.linear_columns(TIMES, (290.0 * np.exp(s),)).T for s in (1e-5, -1e-5)]
    assert own.jacobian(TIMES, solution)[:, 3] == pytest.approx((moved[0] - moved[1]) / 2e-5, abs=1e-6)


def test_refining_the_best_fit_changes_nothing():
    clean = own.project(points(np.full(TIMES.size, 60.0)), (100.0,))
    again = own.refine(points(np.full(TIMES.size, 60.0)), (100.0,))
    assert again.loss == pytest.approx(clean.loss, abs=1e-12)
