from __future__ import annotations

import pytest

from burnin.loads import big_integer
from burnin.loads.big_integer import PRIME


def test_the_modulus_is_a_prime_by_the_test_of_lucas_and_lehmer():
    value = 4
    for _ in range(59):
        value = (value * value - 2) % PRIME
    assert value == 0


@pytest.mark.parametrize("bit", [0, 1, 60, 61, 64, 4095, 8190])
def test_any_single_wrong_bit_of_a_product_is_found(bit, open_small):
    session = open_small("big_integer")
    factors = [session._factor(place) for place in range(6)]
    product = factors[0] * factors[1]
    wrong = product ^ (1 << bit)
    assert wrong % PRIME != factors[0] % PRIME * (factors[1] % PRIME) % PRIME
    fault = session._wrong(0, wrong, factors)
    assert fault.values["bits_wrong"] == 1
    assert fault.values["lowest_wrong_bit"] == bit
    assert int(fault.values["expected"], 16) ^ int(fault.values["found"], 16) == 1
    assert fault.values["factors_changed"] is False


@pytest.mark.parametrize("bits", [1, 60, 61, 62, 488, 489, 4096, 65536])
def test_the_short_way_to_the_remainder_is_right(bits):
    for number in (
        0,
        (1 << bits) - 1,
        1 << (bits - 1),
        PRIME,
        PRIME * PRIME,
        int.from_bytes(b"x" * (bits // 8), "big"),
    ):
        assert big_integer.rest_of(number) == number % PRIME


class BadInt(int):
    """A factor on a core whose multiplier drops a carry."""

    def __mul__(self, other):
        return int(self) * int(other) ^ (1 << 100)

    def __mod__(self, other):
        return int(self) % other


def test_a_wrong_product_is_reported(open_small, monkeypatch):
    session, good = open_small("big_integer"), open_small("big_integer")
    real = session._factor
    monkeypatch.setattr(session, "_factor", lambda place: BadInt(real(place)) if place == 2 else real(place))
    result = session.step()
    (fault,) = result.faults
    assert fault.kind == "wrong_result"
    assert fault.values["product"] == 2
    assert result.digest != good.step().digest
    assert not session.finish().faults


def test_a_factor_that_changed_on_the_way_is_told(open_small):
    session = open_small("big_integer")
    factors = [session._factor(place) for place in range(6)]
    factors[1] ^= 1 << 70
    fault = session._wrong(0, factors[0] * factors[1], factors)
    assert fault.values["factors_changed"] is True


def test_factors_are_new_in_every_step(open_small):
    session = open_small("big_integer")
    first = session._factor(0)
    session.step()
    assert session._factor(0) != first
    assert session._factor(0).bit_length() == 4096


def test_products_follow_the_time_asked_for(open_small):
    usual = open_small("big_integer", params={"products": 0, "bits": 32768}, step_budget_s=0.1)
    assert usual.notes["products_per_step"] == int(big_integer._PRODUCTS_PER_S * 0.1)
    least = open_small("big_integer", params={"products": 0, "bits": 131072}, step_budget_s=0.001)
    assert least.notes["products_per_step"] == 1
