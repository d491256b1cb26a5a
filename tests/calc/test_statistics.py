"""Against handbook tables, printed examples and SciPy (reference library)."""

import math

import numpy as np
import pytest
from scipy import stats

from burnin.calc import statistics as own

CONFIDENCES = (0.50, 0.60, 0.75, 0.80, 0.90, 0.95)


@pytest.mark.parametrize(
    ("faults", "factors"),
    [
        # Test-length factors; attribution to NIST/SEMATECH e-Handbook 8.3.1.3 from memory, values recomputed.
        (0, (0.693, 0.916, 1.386, 1.609, 2.303, 2.996)),
        (1, (1.678, 2.022, 2.693, 2.994, 3.890, 4.744)),
        (2, (2.674, 3.105, 3.920, 4.279, 5.322, 6.296)),
        (3, (3.672, 4.175, 5.109, 5.515, 6.681, 7.754)),
    ],
)
def test_length_factors_are_those_of_the_handbook_table(faults, factors):
    found = [own.required_length_h(1.0, confidence=c, faults=faults) for c in CONFIDENCES]
    assert found == pytest.approx(factors, abs=5.1e-4)


def test_one_fault_per_hundred_hours_takes_230_h():
    assert own.required_length_h(0.01, confidence=0.90) == pytest.approx(230.2585, abs=1e-4)
    assert own.fault_rate_upper(0, 230.2585, confidence=0.90) == pytest.approx(0.01, rel=1e-6)


@pytest.mark.parametrize(
    ("faults", "rows"),
    [
        # Factors on time / faults, two-sided 60 / 80 / 90 / 95 %: formula e-Handbook 8.4.5.1.
        (1, ((0.3340, 4.4814), (0.2571, 9.4912), (0.2108, 19.496), (0.1795, 39.498))),
        (2, ((0.4674, 2.4260), (0.3758, 3.7607), (0.3177, 5.6281), (0.2768, 8.2573))),
        (3, ((0.5440, 1.9543), (0.4490, 2.7222), (0.3869, 3.6689), (0.3422, 4.8491))),
        (10, ((0.7326, 1.3719), (0.6491, 1.6074), (0.5895, 1.8432), (0.5438, 2.0853))),
    ],
)
def test_mean_time_interval_is_that_of_the_handbook(faults, rows):
    for confidence, (low, high) in zip((0.60, 0.80, 0.90, 0.95), rows, strict=True):
        interval = own.mean_time_interval_h(faults, float(faults), confidence=confidence)
        assert (interval.low, interval.high) == pytest.approx((low, high), rel=2e-4)


def test_worked_examples_of_the_exponential_model():
    # Lower bound 228.0 h from 367 h without a fault at 80 %; 86.47 % for 250 h after 500 h without one
    # (inputs from the manual pages of an R package); 4331.7 h from 8760 h, one fault, 60 %.
    free = own.mean_time_interval_h(0, 367.0, confidence=0.80)
    assert free.low == pytest.approx(228.0, abs=0.05)
    assert math.isinf(free.high)
    assert own.confidence_reached(1 / 250, time_h=500.0) == pytest.approx(0.8647, abs=5e-5)
    assert 1 / own.fault_rate_upper(1, 8760.0, confidence=0.60) == pytest.approx(4331.7, abs=0.05)


def test_the_bound_covers_the_true_rate_as_often_as_it_says():
    rng = np.random.default_rng(20)
    counts = rng.poisson(3.2, 4000)
    above = [own.fault_rate_upper(int(c), 100.0, confidence=0.90) >= 0.032 for c in np.unique(counts)]
    share = np.mean(np.asarray(above)[np.searchsorted(np.unique(counts), counts)])
    assert share >= 0.90  # exact bounds on counts are conservative, never short


@pytest.mark.parametrize(
    ("reliability", "confidence", "trials"),
    [
        (0.90, 0.90, 22), (0.90, 0.95, 29), (0.95, 0.90, 45), (0.95, 0.95, 59),
        (0.99, 0.90, 230), (0.99, 0.95, 299), (0.80, 0.80, 8), (0.999, 0.95, 2995),
    ],
)  # fmt: skip
def test_success_run_lengths(reliability, confidence, trials):
    assert own.success_run(reliability, confidence=confidence) == trials


def test_success_run_does_not_add_a_trial_for_a_rounding_error():
    assert own.success_run(0.5, confidence=0.75) == 2


def test_rule_of_three():
    exact = [own.zero_failure_share_upper(n, confidence=0.95) for n in (10, 30, 100)]
    assert exact == pytest.approx([0.2589, 0.0950, 0.02951], abs=5e-5)
    assert own.zero_failure_share_upper(10_000, confidence=0.95) == pytest.approx(3 / 10_000, rel=2e-3)


def test_binomial_bound_agrees_with_scipy():
    for failures, trials in ((0, 20), (1, 20), (7, 50), (49, 50)):
        exact = stats.binomtest(failures, trials, alternative="less").proportion_ci(0.95, method="exact")
        assert own.share_upper(failures, trials, confidence=0.95) == pytest.approx(exact.high, rel=1e-9)
    assert own.share_upper(0, 30, confidence=0.95) == pytest.approx(
        own.zero_failure_share_upper(30, confidence=0.95), rel=1e-9
    )
    assert own.share_upper(5, 5, confidence=0.95) == 1.0


OLD = (32, 37, 35, 28, 41, 44, 35, 31, 34, 38, 42)
NEW = (36, 31, 30, 31, 34, 36, 29, 32, 31)


def test_welch_on_the_assembly_times():
    # Data said to be those of NIST/SEMATECH e-Handbook 7.3.1 (from memory); figures recomputed with SciPy.
    first, second = own.describe_sample(OLD), own.describe_sample((*NEW, math.nan))
    assert (first.mean, second.mean) == pytest.approx((36.0909, 32.2222), abs=5e-5)
    assert (first.sd, second.sd) == pytest.approx((4.9082, 2.5386), abs=5e-5)
    found = own.welch(first, second)
    assert (found.t, found.df, found.p_value) == pytest.approx((2.2694, 15.53, 0.03788), rel=3e-4)
    reference = stats.ttest_ind(OLD, NEW, equal_var=False)
    assert found.p_value == pytest.approx(reference.pvalue, rel=1e-9)
    interval = reference.confidence_interval(0.95)
    assert (found.low, found.high) == pytest.approx((interval.low, interval.high), rel=1e-9)


def test_welch_on_the_printed_summaries():
    # Student's sleep data and the car mileage set; inputs from memory, figures recomputed with SciPy.
    sleep_a = own.describe_sample((0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0))
    sleep_b = own.describe_sample((1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4))
    found = own.welch(sleep_a, sleep_b)
    assert (found.t, found.df, found.p_value) == pytest.approx((-1.8608, 17.776, 0.07939), rel=1e-4)
    cars = own.welch(
        own.Sample(size=249, mean=20.14458, sd=6.4147), own.Sample(size=79, mean=30.48101, sd=6.10771)
    )
    assert (cars.t, cars.df) == pytest.approx((-12.9463, 136.875), rel=5e-5)


@pytest.mark.parametrize(
    "call",
    [
        lambda: own.fault_rate_upper(-1, 1.0, confidence=0.9),
        lambda: own.fault_rate_upper(0, 0.0, confidence=0.9),
        lambda: own.required_length_h(0.0, confidence=0.9),
        lambda: own.success_run(1.0, confidence=0.9),
        lambda: own.zero_failure_share_upper(0, confidence=0.9),
        lambda: own.share_upper(3, 2, confidence=0.9),
        lambda: own.share_upper(0, 0, confidence=0.9),
        lambda: own.describe_sample([1.0, math.nan]),
        lambda: own.welch(own.Sample(size=3, mean=1, sd=0), own.Sample(size=3, mean=2, sd=0)),
    ],
)
def test_impossible_arguments_are_named(call):
    with pytest.raises(ValueError, match=r"must|between"):
        call()
