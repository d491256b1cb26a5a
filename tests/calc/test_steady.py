"""The reading rules on exponential climbs whose moment of success is known in closed form."""

import math

import numpy as np
import pytest

from burnin.calc import steady as own

RULES = {rule.name: rule for rule in own.RULES}


def climb(length_s, *, tau_s=300.0, rise=40.0, start=24.0):
    times = np.arange(0.0, length_s + 0.5)
    return times, start + rise * (1 - np.exp(-times / tau_s))


def test_the_default_is_three_readings_five_minutes_apart_within_one_kelvin():
    rule = own.DEFAULT_RULE
    assert (rule.source, rule.count, rule.span_s, rule.change_k, rule.strict) == (
        "IEC 61810-7",
        3,
        300.0,
        1.0,
        True,
    )
    assert rule.length_s == 600.0


@pytest.mark.parametrize("name", sorted(RULES))
def test_a_clean_climb_is_steady_when_the_formula_says_so(name):
    rule, tau = RULES[name], 300.0
    times, temps = climb(3 * 3600, tau_s=tau)
    # The spread over the rule's length L at time t is 40 (exp(L/tau) - 1) exp(-t/tau).
    expected = tau * math.log(40 * math.expm1(rule.length_s / tau) / rule.change_k)
    found = own.find_steady(times, temps, rule)
    assert found.slug == "steady"
    assert found.reached
    assert found.time_s == pytest.approx(max(expected, rule.length_s), abs=8)  # readings average 10 s
    assert found.since_s == found.time_s


def test_what_is_left_when_the_rule_first_holds_is_no_more_than_stated():
    for tau in (60.0, 300.0, 900.0):
        times, temps = climb(4 * 3600, tau_s=tau)
        found = own.find_steady(times, temps)
        left = 64.0 - temps[int(found.time_s)]
        most = own.still_to_come_k(own.DEFAULT_RULE, tau)
        assert left <= most * 1.01
        assert left == pytest.approx(most, rel=0.05, abs=0.02)
    middle, u = own.still_to_come(own.DEFAULT_RULE, 600.0)
    assert middle == pytest.approx(0.5 / math.expm1(1))
    assert u == pytest.approx(middle / math.sqrt(3))


def test_the_residual_slope_at_the_end_is_reported():
    times, temps = climb(1200)
    found = own.find_steady(times, temps)
    assert found.slope_k_per_h == pytest.approx(3600 * (temps[1200] - temps[600]) / 600, rel=0.5)
    assert found.slope_u_k_per_h > 0


def test_a_trace_that_still_climbs_is_not_steady():
    found = own.find_steady(*climb(900))
    assert (found.reached, found.time_s, found.since_s, found.slug) == (False, None, None, "still-changing")


def test_a_spread_of_exactly_the_limit_fails_a_strict_rule_only():
    times = np.arange(0.0, 1000.0)
    temps = np.where(times < 100, 60.1, 61.1)
    strict = own.SteadyRule(name="s", source="", span_s=915, count=2, change_k=1.0, strict=True)
    loose = own.SteadyRule(name="l", source="", span_s=915, count=2, change_k=1.0)
    assert own.find_steady(times, temps, strict).slug == "still-changing"
    assert own.find_steady(times, temps, loose).time_s == 915.0


def test_steadiness_that_is_lost_again_is_said():
    times = np.arange(0.0, 2001.0)
    temps = np.where(times > 1500, 60 + (times - 1500) / 100, 60.0)
    found = own.find_steady(times, temps)
    assert (found.reached, found.since_s, found.slug) == (True, None, "steady-not-kept")
    later = np.where((times > 700) & (times < 800), 70.0, 60.0)
    again = own.find_steady(times, later)
    assert again.slug == "steady"
    assert again.since_s > again.time_s


@pytest.mark.parametrize("rule", [own.find_steady, own.find_steady_slope])
def test_too_short_and_empty_traces(rule):
    assert rule(np.arange(400.0), np.full(400, 60.0)).slug == "too-short"
    nothing = rule([], [])
    assert (nothing.slug, nothing.slope_k_per_h, nothing.slope_u_k_per_h) == ("too-short", None, None)


@pytest.mark.parametrize("rule", [own.find_steady, own.find_steady_slope])
def test_a_gap_is_never_bridged(rule):
    times = np.arange(0.0, 1501.0)
    assert rule(times, np.full(1501, math.nan)).slug == "gaps"
    holed = np.full(1501, 60.0)
    holed[250:1350] = math.nan
    found = rule(times, holed)
    assert (found.reached, found.slug) == (False, "gaps")


def test_a_missing_reading_delays_the_rule():
    times, temps = climb(3600)
    whole = own.find_steady(times, temps).time_s
    hole = temps.copy()
    hole[int(whole) - 305 : int(whole) - 285] = math.nan
    assert own.find_steady(times, hole).time_s > whole


def noisy(rng, slope_k_per_h, *, length=2400):
    times = np.arange(float(length))
    noise = np.zeros(length)
    for i, shock in enumerate(rng.normal(0, 0.6, length)):
        noise[i] = 0.5 * noise[i - 1] + shock
    return times, np.round(60 + slope_k_per_h * times / 3600 + noise)


def test_the_slope_rule_accepts_level_and_refuses_sloping_traces():
    rng = np.random.default_rng(7)
    # Fixed windows: one look each at a slope of twice the limit, and at a level trace.
    rule = own.SlopeRule(window_s=2399.0)
    level = [own.find_steady_slope(*noisy(rng, 0.0), rule=rule).reached for _ in range(30)]
    sloping = [own.find_steady_slope(*noisy(rng, 4.0), rule=rule).reached for _ in range(30)]
    assert np.mean(level) > 0.9
    assert sum(sloping) == 0


def test_at_the_limit_the_slope_rule_errs_no_more_often_than_it_says():
    rng = np.random.default_rng(8)
    rule = own.SlopeRule(window_s=2399.0)
    wrong = sum(own.find_steady_slope(*noisy(rng, 2.0), rule=rule).reached for _ in range(100))
    assert wrong <= 11  # 5 % nominal; 11 of 100 is the 99 % bound of that binomial


def test_a_frozen_reading_is_no_proof_of_a_small_slope():
    times = np.arange(0.0, 2000.0)
    coarse = own.find_steady_slope(times, np.full(2000, 61.0))
    assert coarse.slug == "still-changing"
    fine = own.find_steady_slope(times, np.full(2000, 61.0), rule=own.SlopeRule(resolution_c=0.1))
    assert fine.slug == "steady"
    assert fine.time_s <= 1000


def test_time_out_of_condition_does_not_count():
    times = np.array([0.0, 1, 2, 3, 4, 5, 20, 21])
    within = [0, 1, 1, 0, 1, 1, 1, 1]
    # 1-2, 4-5 and 20-21 count; the hole from 5 to 20 was not seen.
    assert own.time_in_condition_s(times, within, longest_gap_s=3.0) == 3.0
    assert own.time_in_condition_s([], [], longest_gap_s=3.0) == 0.0
