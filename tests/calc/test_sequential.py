"""Wald's plan against its closed forms, and its error rates against simulation."""

import math

import numpy as np
import pytest

from burnin.calc import sequential as own

PLAN = own.RatePlan(good_per_h=0.5, bad_per_h=2.0, reject_good=0.10, accept_bad=0.10)


def test_border_lines_are_walds():
    # Wald (1947): accept at ln(b / (1 - a)), reject at ln((1 - b) / a).
    for faults, hours in ((0, 0.3), (2, 1.0), (5, 4.0), (9, 2.0)):
        ratio = faults * math.log(4) - 1.5 * hours
        expected = "reject" if ratio >= math.log(9) else "accept" if ratio <= -math.log(9) else "go-on"
        assert own.verdict(PLAN, faults=faults, time_h=hours) == expected


def test_zero_faults_at_ten_percent_and_a_ratio_of_two_take_4_4_mean_times():
    # Time to accept without a fault, in mean times at the bad rate: 4.40 in the plan of MIL-STD-781 with 10 % risks and
    # a ratio of 2.0 (from memory); Wald's own bound is ln 9 / (1 - 1/2) = 4.394.
    plan = own.RatePlan(good_per_h=0.5, bad_per_h=1.0, reject_good=0.10, accept_bad=0.10)
    assert own.hours_to_accept(plan) == pytest.approx(4.394, abs=5e-4)
    assert own.verdict(plan, faults=0, time_h=own.hours_to_accept(plan)) == "accept"
    assert own.verdict(plan, faults=0, time_h=own.hours_to_accept(plan) * 0.999) == "go-on"


def test_faults_to_reject_is_the_first_count_that_does():
    for hours in (0.0, 0.7, 3.0, 11.0):
        count = own.faults_to_reject(PLAN, hours)
        assert own.verdict(PLAN, faults=count, time_h=hours) == "reject"
        assert own.verdict(PLAN, faults=count - 1, time_h=hours) != "reject"
    steep = own.RatePlan(good_per_h=0.001, bad_per_h=1000.0, reject_good=0.4, accept_bad=0.4)
    assert own.faults_to_reject(steep, 0.0) == 1


def simulate(plan, rate, *, runs, seed):
    """Play the plan fault by fault; return the share accepted and the mean length."""
    rng = np.random.default_rng(seed)
    accepted, hours = 0, 0.0
    for gaps in rng.exponential(1 / rate, (runs, 400)):
        now = 0.0
        for faults, gap in enumerate(gaps):
            accept_at = own.hours_to_accept(plan, faults)
            if now + gap >= accept_at:
                accepted += 1
                now = accept_at
                break
            now += gap
            if own.verdict(plan, faults=faults + 1, time_h=now) == "reject":
                break
        else:
            raise AssertionError("the simulated faults ran out")
        hours += now
    return accepted / runs, hours / runs


@pytest.mark.parametrize("rate", [0.5, 1.0, 2.0])
def test_exact_risks_and_lengths_agree_with_simulation(rate):
    accept, hours = simulate(PLAN, rate, runs=4000, seed=int(rate * 10))
    exact = own.true_risks(PLAN, rate)
    assert exact.accept == pytest.approx(accept, abs=4 * math.sqrt(0.25 / 4000))
    assert exact.hours == pytest.approx(hours, rel=0.06)


@pytest.mark.parametrize("risks", [(0.10, 0.10), (0.05, 0.05), (0.01, 0.10)])
def test_the_true_risks_keep_walds_inequalities(risks):
    reject, accept = risks
    plan = own.RatePlan(good_per_h=0.05, bad_per_h=0.4, reject_good=reject, accept_bad=accept)
    true_reject = 1 - own.true_risks(plan, 0.05).accept
    true_accept = own.true_risks(plan, 0.4).accept
    assert true_reject <= reject
    assert true_accept <= accept / (1 - reject)
    assert true_reject + true_accept <= reject + accept
    # The acceptance border is met exactly, so that the likelihood ratio there gives one risk from the other.
    assert true_accept == pytest.approx((1 - true_reject) * accept / (1 - reject), rel=1e-9)


def test_a_machine_without_faults_is_accepted_at_the_zero_fault_time():
    exact = own.true_risks(PLAN, 0.0)
    assert (exact.accept, exact.hours) == (1.0, pytest.approx(own.hours_to_accept(PLAN)))


@pytest.mark.parametrize(
    "call",
    [
        lambda: own.RatePlan(good_per_h=2.0, bad_per_h=1.0),
        lambda: own.RatePlan(good_per_h=0.0, bad_per_h=1.0),
        lambda: own.RatePlan(good_per_h=0.5, bad_per_h=math.inf),
        lambda: own.RatePlan(good_per_h=0.5, bad_per_h=1.0, reject_good=0.6, accept_bad=0.5),
        lambda: own.RatePlan(good_per_h=0.5, bad_per_h=1.0, accept_bad=0.0),
        lambda: own.verdict(PLAN, faults=-1, time_h=1.0),
        lambda: own.verdict(PLAN, faults=0, time_h=math.nan),
        lambda: own.true_risks(PLAN, -0.1),
    ],
)
def test_impossible_plans_are_named(call):
    with pytest.raises(ValueError, match=r"need|risks|negative"):
        call()
