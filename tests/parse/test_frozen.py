from __future__ import annotations

from burnin.parse.frozen import stood_still

SWING = [10.0] * 15 + [60.0] * 15


def test_a_value_that_never_moves_under_changing_load_stood_still():
    assert stood_still([42.0] * 30, SWING)


def test_one_step_is_life():
    assert not stood_still([42.0] * 29 + [43.0], SWING)


def test_a_steady_load_proves_nothing():
    assert not stood_still([42.0] * 30, [10.0] * 15 + [59.9] * 15)


def test_too_few_readings_prove_nothing():
    assert not stood_still([42.0] * 29, SWING[1:])
    assert not stood_still([], [])


def test_unequal_lengths_prove_nothing():
    assert not stood_still([42.0] * 31, SWING)
