from __future__ import annotations

import numpy as np
import pytest

from burnin.calc.splitmix import derive, full_doubles, full_floats, mix, whole_numbers, word, words

# First outputs of SplitMix64 as widely published with S. Vigna's public-domain C version (values from memory).
PUBLISHED = {
    0: [0xE220A8397B1DCDAF, 0x6E789E6AA1B965F4, 0x06C45D188009454F],
    1234567: [6457827717110365317, 3203168211198807973, 9817491932198370423],
}


@pytest.mark.parametrize("seed", PUBLISHED)
def test_gives_the_published_sequence(seed):
    assert [word(seed, index) for index in range(3)] == PUBLISHED[seed]
    assert words(seed, 0, 3).tolist() == PUBLISHED[seed]


def test_any_part_of_the_sequence_can_be_made_alone():
    assert words(9, 1000, 5).tolist() == words(9, 0, 1005)[1000:].tolist()


def test_mixing_loses_nothing():
    assert len({mix(value) for value in range(4096)}) == 4096


def test_derived_seeds_differ_by_path():
    seeds = {derive(5), derive(5, 0), derive(5, 1), derive(5, 0, 1), derive(5, 1, 0), derive(6, 0)}
    assert len(seeds) == 6


@pytest.mark.parametrize("bits", [1, 5, 12])
def test_whole_numbers_are_never_zero_and_fit(bits):
    numbers = whole_numbers(3, 0, count=5000, bits=bits)
    assert np.all(numbers != 0)
    assert np.abs(numbers).max() == 2**bits - 1
    assert 0.4 < np.mean(numbers > 0) < 0.6


@pytest.mark.parametrize(("make", "bits"), [(full_doubles, 52), (full_floats, 23)])
def test_full_numbers_use_every_bit_of_the_fraction(make, bits):
    numbers = make(1, 0, 4000)
    assert np.all((np.abs(numbers) >= 0.5) & (np.abs(numbers) < 8))
    raw = numbers.view(f"u{numbers.itemsize}")
    for bit in range(bits):
        assert 0.4 < np.mean((raw >> bit) & 1) < 0.6
    assert 0.4 < np.mean(numbers > 0) < 0.6
