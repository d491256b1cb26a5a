"""Against SciPy (reference library) and simulation."""

import math

import numpy as np
import pytest
from scipy import stats
from scipy.signal import lfilter

from burnin.calc.refusal import Refusal
from burnin.calc.trend import Trend, line, trace_slope


def test_a_line_through_independent_points_agrees_with_scipy():
    x = [1.0, 2.0, 3.0, 4.0, 5.0, 7.0, 9.0, 10.0]
    y = [61.2, 61.0, 61.9, 61.4, 62.1, 62.0, 62.9, 62.5]
    found, reference = line(x, y), stats.linregress(x, y)
    assert isinstance(found, Trend)
    assert (found.slope, found.u) == pytest.approx((reference.slope, reference.stderr), rel=1e-12)
    assert (found.df, found.hidden, found.centre) == (6.0, 0.0, pytest.approx(np.mean(y)))
    low, high = found.interval(0.95)
    half = stats.t.ppf(0.975, 6) * reference.stderr
    assert (low, high) == pytest.approx((reference.slope - half, reference.slope + half), rel=1e-9)
    assert found.bound(0.95) == pytest.approx(abs(reference.slope) + stats.t.ppf(0.95, 6) * reference.stderr)


def test_two_points_make_no_trend():
    assert line([1, 2, 3], [5.0, 6.0, math.nan]) == Refusal(slug="too-few-points", observed=2, needed=3)
    assert trace_slope([1, 2, 3], [5.0, 6.0, 7.0], step=0.0) == Refusal(
        slug="too-few-readings", observed=3, needed=20
    )


@pytest.mark.parametrize("step", [0.0, 1.0])
def test_slopes_of_correlated_traces_are_covered(step):
    rng = np.random.default_rng(11)
    times = np.arange(600.0)
    rows = lfilter([1], [1, -0.7], rng.normal(0, math.sqrt(1 - 0.49), (120, 700)), axis=1)[:, 100:]
    hits = 0
    for row in rows:
        values = 60 + times * 1.5 / 3600 + row
        values = np.round(values / step) * step if step else values
        values[rng.random(600) < 0.1] = math.nan
        found = trace_slope(times, values, step=step)
        low, high = found.interval(0.95)
        hits += low <= 1.5 / 3600 <= high
        assert found.hidden == 0.0
    assert 0.90 <= hits / 120 <= 0.99


def test_a_reading_that_never_moves_may_hide_one_step():
    found = trace_slope(np.arange(600.0), np.full(600, 61.0), step=1.0)
    assert isinstance(found, Trend)
    assert found.hidden == pytest.approx(1 / 599)
    assert found.bound() == pytest.approx(1 / 599, rel=1e-6)
