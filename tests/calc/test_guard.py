"""Against the worked examples of JCGM 106:2012 and the zones and risks of ILAC-G8:09/2019."""

import math

import numpy as np
import pytest

from burnin.calc.guard import Tolerance, conformance_probability, decide, risk_at_limit

UPPER = Tolerance(upper=95.0)


def test_two_sided_worked_example_of_jcgm_106():
    # 7.4: y 13.6, u 1.8, limits 12.5 and 16.3 (inputs from a secondary source).
    assert conformance_probability(13.6, 1.8, tolerance=Tolerance(lower=12.5, upper=16.3)) == pytest.approx(
        0.6626, abs=5e-5
    )


def test_one_sided_worked_examples_of_jcgm_106():
    # 7.3.3, examples 1 and 2 (inputs from memory).
    assert conformance_probability(-5.47, 0.05, tolerance=Tolerance(upper=-5.40)) == pytest.approx(
        0.9192, abs=5e-5
    )
    assert conformance_probability(509.7, 8.6, tolerance=Tolerance(lower=490)) == pytest.approx(
        0.9890, abs=5e-5
    )


@pytest.mark.parametrize(
    ("multiple", "risk"), [(0, 0.50), (1.64, 0.0505), (1.66, 0.0485), (2, 0.02275), (3, 0.00135)]
)
def test_risk_of_false_acceptance_at_the_limit(multiple, risk):
    # ILAC-G8: w = 0, 1.64 u, 0.83 U, 2 u, 3 u.
    assert risk_at_limit(multiple * 0.7, 0.7) == pytest.approx(risk, abs=5e-5)


def test_a_certain_value_carries_no_risk_beyond_the_coin_at_the_limit():
    assert (risk_at_limit(0.0, 0.0), risk_at_limit(1.0, 0.0)) == (0.5, 0.0)
    assert conformance_probability(95.0, 0.0, tolerance=UPPER) == 1.0
    assert conformance_probability(95.1, 0.0, tolerance=UPPER) == 0.0


@pytest.mark.parametrize(
    ("value", "simple", "guarded", "non_binary"),
    [
        (90.0, ("pass", "within"), ("pass", "within"), ("pass", "within")),
        (93.0, ("pass", "within"), ("pass", "within"), ("pass", "within")),
        (
            93.1,
            ("pass", "within"),
            ("inconclusive", "conditional-pass"),
            ("inconclusive", "conditional-pass"),
        ),
        (
            95.0,
            ("pass", "within"),
            ("inconclusive", "conditional-pass"),
            ("inconclusive", "conditional-pass"),
        ),
        (95.1, ("fail", "beyond"), ("fail", "beyond"), ("inconclusive", "conditional-fail")),
        (97.0, ("fail", "beyond"), ("fail", "beyond"), ("inconclusive", "conditional-fail")),
        (97.1, ("fail", "beyond"), ("fail", "beyond"), ("fail", "beyond")),
    ],
)
def test_zones_about_an_upper_limit(value, simple, guarded, non_binary):
    # u = 1, so U = 2: ILAC-G8 4.2.3 has its borders at TL - w, TL and TL + w.
    for rule, expected in (("simple", simple), ("guarded", guarded), ("non-binary", non_binary)):
        found = decide(value, 1.0, UPPER, rule=rule)
        assert (found.outcome, found.slug) == expected
        assert found.margin == pytest.approx(95.0 - value)
        assert found.guard == (0.0 if rule == "simple" else 2.0)


def test_the_nearer_of_two_limits_decides():
    tolerance = Tolerance(lower=11.4, upper=12.6)
    assert decide(12.5, 0.02, tolerance, rule="guarded").margin == pytest.approx(0.1)
    low = decide(11.3, 0.02, tolerance, rule="guarded")
    assert (low.outcome, low.margin) == ("fail", pytest.approx(-0.1))
    assert decide(12.0, 0.02, tolerance, rule="guarded").outcome == "pass"


def test_an_instrument_too_coarse_for_the_tolerance_never_passes_but_can_fail():
    tolerance = Tolerance(lower=11.9, upper=12.1)
    inside = decide(12.0, 0.1, tolerance, rule="guarded")
    assert (inside.outcome, inside.slug) == ("inconclusive", "guard-wider-than-tolerance")
    assert decide(13.0, 0.1, tolerance, rule="guarded").outcome == "fail"


@pytest.mark.parametrize("rule", ["simple", "guarded", "non-binary"])
def test_missing_evidence_never_passes(rule):
    for value in (math.nan, math.inf, -math.inf):
        found = decide(value, 1.0, UPPER, rule=rule)
        assert (found.outcome, found.slug) == ("inconclusive", "no-value")
        assert math.isnan(found.conformance)
        assert math.isnan(found.margin)


@pytest.mark.parametrize("u", [math.nan, math.inf, -1.0])
def test_an_unknown_uncertainty_leaves_only_the_simple_rule(u):
    for rule in ("guarded", "non-binary"):
        found = decide(60.0, u, UPPER, rule=rule)
        assert (found.outcome, found.slug) == ("inconclusive", "no-uncertainty")
        assert math.isnan(found.guard)
        assert math.isnan(found.risk_at_limit)
    simple = decide(60.0, u, UPPER, rule="simple")
    assert (simple.outcome, simple.guard) == ("pass", 0.0)
    assert math.isnan(simple.conformance)


def test_guarded_acceptance_keeps_its_promise_on_simulated_measurements():
    rng = np.random.default_rng(1)
    readings = 95.0 + rng.normal(0, 0.8, 20_000)
    passed = np.mean([decide(y, 0.8, UPPER, rule="guarded").outcome == "pass" for y in readings])
    assert passed == pytest.approx(0.02275, abs=0.004)


@pytest.mark.parametrize(
    "limits", [{}, {"lower": 5, "upper": 5}, {"lower": 6, "upper": 5}, {"upper": math.nan}]
)
def test_limits_that_limit_nothing_are_refused(limits):
    with pytest.raises(ValueError, match="lower < upper"):
        Tolerance(**limits)
