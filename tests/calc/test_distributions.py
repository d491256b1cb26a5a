"""Against SciPy (reference library) and printed table values."""

import math

import pytest
from scipy import special, stats

from burnin.calc import distributions as own

SHARES = (1e-10, 1e-6, 0.01, 0.025, 0.3, 0.5, 0.6, 0.9, 0.975, 1 - 1e-6)


@pytest.mark.parametrize("df", [0.5, 1, 2, 4.7, 22, 1e3, 1e5])
def test_quantiles_agree_with_scipy(df):
    for p in SHARES:
        assert own.chi_square_quantile(p, df) == pytest.approx(stats.chi2.ppf(p, df), rel=1e-9, abs=0)
        assert own.student_quantile(p, df) == pytest.approx(stats.t.ppf(p, df), rel=1e-9, abs=1e-14)


@pytest.mark.parametrize("shape", [0.5, 1, 3, 50, 1e3, 1e5])
def test_incomplete_gamma_agrees_with_scipy(shape):
    for x in (0, 1e-8, 0.1, 1, 10, 1e3, 9.9e4, 1.01e5):
        lower, upper = own.gamma_shares(shape, x)
        assert lower == pytest.approx(special.gammainc(shape, x), rel=1e-9, abs=1e-13)
        assert upper == pytest.approx(special.gammaincc(shape, x), rel=1e-9, abs=1e-13)


@pytest.mark.parametrize("a", [0.5, 1, 3, 50, 1e3])
@pytest.mark.parametrize("b", [0.5, 2, 50, 1e3])
def test_incomplete_beta_agrees_with_scipy(a, b):
    for x in (0, 1e-8, 0.1, 0.5, 0.9, 1 - 1e-8, 1):
        lower, upper = own.beta_shares(a, b, x=x, rest=1 - x)
        assert lower == pytest.approx(special.betainc(a, b, x), rel=1e-9, abs=1e-13)
        assert upper == pytest.approx(special.betaincc(a, b, x), rel=1e-9, abs=1e-13)


@pytest.mark.parametrize("df", [0.5, 1, 4.7, 30, 1e5])
def test_student_probabilities_agree_with_scipy(df):
    for t in (-50, -3, -1e-5, 0, 1e-3, 0.5, 2, 40):
        assert own.student_cdf(t, df) == pytest.approx(stats.t.cdf(t, df), rel=1e-9)
    assert own.student_tail(6.5, df) == pytest.approx(stats.t.sf(6.5, df), rel=1e-9)


def test_beta_and_chi_square_probabilities_agree_with_scipy():
    for p in (1e-6, 0.05, 0.5, 0.95):
        assert own.beta_quantile(p, a=3, b=40) == pytest.approx(stats.beta.ppf(p, 3, 40), rel=1e-9)
    for x in (-1, 0, 0.3, 5, 60):
        assert own.chi_square_cdf(x, 5) == pytest.approx(stats.chi2.cdf(x, 5), rel=1e-9)


def test_normal_distribution_agrees_with_scipy():
    for p in SHARES:
        assert own.normal_quantile(p) == pytest.approx(stats.norm.ppf(p), rel=1e-9, abs=1e-15)
    for z in (-30, -3, 0, 2):
        assert own.normal_cdf(z) == pytest.approx(stats.norm.cdf(z), rel=1e-9)


def test_two_sided_factor_falls_to_the_normal_one():
    # 12.706, 2.228 and 1.960: the 95 % column of every printed t table.
    assert own.two_sided_t(0.95, 1) == pytest.approx(12.706, abs=5e-4)
    assert own.two_sided_t(0.95, 10) == pytest.approx(2.228, abs=5e-4)
    assert own.two_sided_t(0.95, math.inf) == pytest.approx(1.960, abs=5e-4)


def test_an_infinite_argument_has_all_the_probability_below():
    assert own.gamma_shares(2.0, math.inf) == (1.0, 0.0)


@pytest.mark.parametrize(
    "call",
    [
        lambda: own.normal_quantile(0.0),
        lambda: own.chi_square_quantile(1.0, 2),
        lambda: own.student_quantile(-0.1, 2),
        lambda: own.beta_quantile(math.nan, a=2, b=2),
        lambda: own.two_sided_t(1.0, 5),
        lambda: own.gamma_shares(0, 1),
        lambda: own.gamma_shares(1, -1),
        lambda: own.beta_shares(0, 1, x=0.5, rest=0.5),
        lambda: own.beta_shares(1, 1, x=1.5, rest=-0.5),
    ],
)
def test_arguments_outside_the_range_are_named(call):
    with pytest.raises(ValueError, match=r"needed|needs"):
        call()


def test_the_continued_fraction_stops_at_its_last_term():
    # The golden ratio has the slowest converging fraction of all: 1 + 1/(1 + 1/(1 + ...)).
    assert own._continued_fraction(1.0, lambda _: (1.0, 1.0)) == pytest.approx(
        (1 + math.sqrt(5)) / 2, rel=1e-14
    )


def test_a_fraction_that_never_settles_is_an_error_not_a_number():
    with pytest.raises(ArithmeticError, match="converge"):
        own._continued_fraction(1.0, lambda _: (-1.0, 1.0))
