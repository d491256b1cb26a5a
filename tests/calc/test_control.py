"""Against the handbook's worked examples."""

import math

import numpy as np
import pytest
from scipy import stats

from burnin.calc import control as own
from burnin.calc.refusal import Refusal

HANDBOOK = (
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
)  # fmt: skip
HANDBOOK_EWMA = (
    50.00, 50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38, 49.92,
    50.73, 51.23, 51.94, 51.99,
)  # fmt: skip


def test_ewma_example_of_the_handbook():
    # NIST/SEMATECH e-Handbook 6.3.2.4: weight 0.3, target 50, s 2.0539; limits 52.5884 and 47.4115.
    chart = own.ewma_chart(HANDBOOK, centre=50.0, sd=2.0539, weight=0.3)
    assert chart.points == pytest.approx(HANDBOOK_EWMA, abs=0.0051)
    assert (chart.upper[0], chart.lower[0]) == pytest.approx((52.5884, 47.4115), abs=1e-3)
    assert chart.outside == ()


def test_ewma_shows_a_small_lasting_shift_before_single_values_do():
    rng = np.random.default_rng(3)
    values = rng.normal(0, 1, 40) + np.where(np.arange(40) >= 20, 1.2, 0.0)
    chart = own.ewma_chart(values, centre=0.0, sd=1.0)
    assert chart.outside
    assert all(index > 20 for index in chart.outside)
    assert own.individuals_chart(values).outside == ()


def test_ewma_arguments():
    for weight, sd in ((0.0, 1.0), (1.1, 1.0), (0.2, -1.0), (0.2, math.nan)):
        with pytest.raises(ValueError, match="weight above 0"):
            own.ewma_chart([1.0], centre=0.0, sd=sd, weight=weight)


def test_moving_range_factor_is_d2():
    # d2 for ranges of two, 1.128 in every printed table of chart constants.
    assert pytest.approx(1.1284, abs=5e-5) == own.MOVING_RANGE_FACTOR


def test_individuals_chart_of_the_handbook_flow_rates():
    # e-Handbook 6.3.2.2 (from memory): ten batches, mean 50.81, mean moving range 1.8778, limits 55.8041 and 45.8159.
    flow = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)
    chart = own.individuals_chart(flow)
    assert chart.centre == pytest.approx(50.81)
    assert (chart.upper[0], chart.lower[0]) == pytest.approx((55.8041, 45.8159), abs=2e-3)
    assert chart.outside == ()
    bad = own.individuals_chart((*flow, 60.0))
    assert bad.outside == (10,)


@pytest.mark.parametrize("call", [own.individuals_chart, lambda v: own.place_among_sisters(1.0, v)])
def test_under_eight_builds_there_are_no_limits(call):
    found = call([1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, math.nan])
    assert found == Refusal(slug="too-few-builds", observed=7, needed=8)


def test_a_hot_sister_is_placed():
    rng = np.random.default_rng(4)
    sisters = rng.normal(0.25, 0.01, 24)
    mean, sd = sisters.mean(), sisters.std(ddof=1)
    found = own.place_among_sisters(mean + 3.1 * sd, [*sisters, math.nan])
    assert (found.sisters, found.distance_sd) == (24, pytest.approx(3.1))
    assert found.p_value == pytest.approx(2 * stats.t.sf(3.1 / math.sqrt(1 + 1 / 24), 23), rel=1e-9)
    half = stats.t.ppf(0.995, 23) * sd * math.sqrt(1 + 1 / 24)
    assert (found.low, found.high) == pytest.approx((mean - half, mean + half))
    assert own.place_among_sisters(mean - 3.1 * sd, sisters).distance_sd == pytest.approx(-3.1)


def test_the_expected_range_holds_further_sisters_even_of_a_family_of_eight():
    rng = np.random.default_rng(5)
    inside = 0
    for _ in range(1000):
        values = rng.normal(0.25, 0.01, 9)
        found = own.place_among_sisters(values[8], values[:8], confidence=0.95)
        inside += found.low <= values[8] <= found.high
    assert inside / 1000 == pytest.approx(0.95, abs=0.02)


def test_figures_that_say_nothing_are_refused():
    assert own.place_among_sisters(math.nan, np.arange(9.0)).slug == "no-value"
    assert own.place_among_sisters(1.0, np.ones(9)).slug == "no-spread"
