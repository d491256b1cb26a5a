"""Against exact sums, SciPy's routine for filtered noise, and simulation."""

import math

import numpy as np
import pytest
from scipy.signal import lfilter

from burnin.calc.refusal import Refusal
from burnin.calc.series import Level, batch_level, effective_size, lag_one, variance_inflation


def ar1(rng, rows, count, phi):
    shocks = rng.normal(0, math.sqrt(1 - phi**2), (rows, count + 200))
    return lfilter([1.0], [1.0, -phi], shocks, axis=1)[:, 200:]


@pytest.mark.parametrize("phi", [-0.5, 0.0, 0.5, 0.9])
@pytest.mark.parametrize("count", [1, 7, 200])
def test_variance_of_a_mean_is_the_sum_of_all_covariances(phi, count):
    lags = np.arange(count)
    matrix = phi ** np.abs(lags[:, None] - lags[None, :])
    assert variance_inflation(phi, count) == pytest.approx(matrix.sum() / count)
    assert effective_size(phi, count) == pytest.approx(count**2 / matrix.sum())


def test_long_series_follow_bartletts_factor():
    assert effective_size(0.9, 1_000_000) == pytest.approx(1_000_000 / 19, rel=1e-4)


@pytest.mark.parametrize(("phi", "count"), [(1.0, 5), (-1.0, 5), (math.nan, 5), (0.5, 0)])
def test_impossible_correlations_are_named(phi, count):
    with pytest.raises(ValueError, match="phi between"):
        variance_inflation(phi, count)


def test_neighbour_correlation_is_recovered_across_gaps():
    rng = np.random.default_rng(3)
    found = []
    for row in ar1(rng, 60, 300, 0.6):
        row[rng.random(300) < 0.1] = math.nan
        found.append(lag_one(np.arange(300.0), row))
    assert np.mean(found) == pytest.approx(0.6, abs=0.02)


def test_neighbour_correlation_needs_ten_pairs_that_vary():
    assert math.isnan(lag_one([0, 1, 2], [1.0, 2.0, 3.0]))
    assert math.isnan(lag_one([0, 1], [math.nan, math.nan]))
    assert math.isnan(lag_one(np.arange(20), np.full(20, 5.0)))


@pytest.mark.parametrize("phi", [0.0, 0.9])
def test_batch_means_cover_the_true_mean(phi):
    rng = np.random.default_rng(4)
    times = np.arange(1200.0)
    levels = [batch_level(times, row) for row in ar1(rng, 400, 1200, phi)]
    assert 0.93 <= np.mean([abs(level.mean) <= level.half_width() for level in levels]) <= 0.985


def test_a_naive_interval_would_not():
    rows = ar1(np.random.default_rng(4), 400, 1200, 0.9)
    naive = 1.96 * rows.std(axis=1) / math.sqrt(1200)
    assert np.mean(np.abs(rows.mean(axis=1)) <= naive) < 0.5


def test_pieces_that_resemble_each_other_widen_the_uncertainty():
    ramp = batch_level(np.arange(1200.0), np.arange(1200.0))
    assert isinstance(ramp, Level)
    assert ramp.batch_correlation > 0.5
    assert ramp.u > 1.4 * 1200 / math.sqrt(12 * 10)


def test_a_constant_trace_has_a_certain_mean():
    level = batch_level(np.arange(100.0), np.full(100, 61.0))
    assert isinstance(level, Level)
    assert (level.mean, level.u, level.batch_correlation) == (61.0, 0.0, 0.0)
    assert (level.count, level.span_s) == (100, 99.0)


def test_too_few_readings_are_refused():
    assert batch_level(np.arange(30.0), np.ones(30)) == Refusal(
        slug="too-few-readings", observed=30, needed=40
    )


def test_a_trace_that_is_mostly_one_hole_has_too_few_batches():
    values = np.full(1000, math.nan)
    values[:720] = 60.0
    found = batch_level(np.arange(1000.0), values)
    assert isinstance(found, Refusal)
    assert found.slug == "too-few-batches"
    assert found.needed == 8
