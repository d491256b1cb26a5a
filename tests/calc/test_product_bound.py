from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from burnin.calc.product_bound import exact_elements, gamma, product_gap
from burnin.calc.splitmix import full_doubles, full_floats


def operands(n: int = 40):
    return full_doubles(1, 0, n * n).reshape(n, n), full_doubles(2, 0, n * n).reshape(n, n)


def test_gamma_is_the_published_form():
    assert gamma(1) == 2.0**-53 / (1 - 2.0**-53)
    assert gamma(100, 2.0**-24) == pytest.approx(100 * 2.0**-24, rel=1e-5)


def test_exact_elements_do_not_round():
    left, right = np.array([[1.0, 2.0**-60]]), np.array([[1.0], [1.0]])
    (value,) = exact_elements(left, right, np.array([[0, 0]]))
    assert value == 1 + Fraction(1, 2**60)


def test_a_right_product_is_within_the_bound():
    left, right = operands()
    assert product_gap(left, right, left @ right, seed=1) < 1.0


def test_a_right_single_product_is_within_its_own_bound_only():
    n = 64
    left, right = full_floats(1, 0, n * n).reshape(n, n), full_floats(2, 0, n * n).reshape(n, n)
    product = left @ right
    assert product_gap(left, right, product, seed=1, roundoff=2.0**-24) < 1.0
    assert product_gap(left, right, product, seed=1) > 1.0


@pytest.mark.parametrize("wrong", [np.inf, np.nan, 1e300, 1e-3])
def test_a_wrong_element_is_beyond_the_bound(wrong):
    left, right = operands()
    product = left @ right
    product[7, 9] += wrong
    assert product_gap(left, right, product, seed=1) > 1.0


def test_sampled_elements_are_held_to_their_own_bound():
    left, right = operands(2)  # so small that the samples meet every element
    product = left @ right
    product *= 1 + 2e-15
    assert product_gap(left, right, product, seed=1) > 1.0
