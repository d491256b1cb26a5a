from __future__ import annotations

import numpy as np
import pytest

from burnin.calc.folding import chain, digest, fold_rows, half_fold
from burnin.calc.splitmix import words


def test_folds_are_sum_and_exclusive_or_of_each_row():
    rows = words(1, 0, 60).reshape(6, 10)
    folds = fold_rows(rows)
    for row in range(6):
        values = [int(value) for value in rows[row]]
        xor = 0
        for value in values:
            xor ^= value
        assert int(folds[0, row]) == sum(values) % 2**64
        assert int(folds[1, row]) == xor


def test_rows_longer_than_a_piece_are_folded_whole():
    rows = words(2, 0, 3 * 70000).reshape(3, 70000)
    assert np.array_equal(fold_rows(rows)[0], rows.sum(axis=1))


def test_a_view_with_gaps_between_rows_is_folded_in_place():
    rows = words(1, 0, 80).reshape(8, 10)
    assert np.array_equal(fold_rows(rows[::2]), fold_rows(rows)[:, ::2])


@pytest.mark.parametrize("bit", range(0, 64, 7))
def test_every_single_bit_changes_both_folds_and_the_digest(bit):
    rows = words(3, 0, 32).reshape(1, 32)
    changed = rows.copy()
    changed[0, 17] ^= np.uint64(1 << bit)
    assert np.all(fold_rows(rows) != fold_rows(changed))
    assert digest(rows) != digest(changed)


def test_halves_are_those_of_the_fold():
    rows = words(5, 0, 64).reshape(4, 16)
    for turn in range(4):
        assert np.array_equal(half_fold(rows, turn), fold_rows(rows)[turn % 2])


def test_order_counts_in_a_digest_but_not_in_a_fold():
    rows = words(3, 0, 8)
    assert digest(rows) != digest(rows[::-1].copy())
    assert np.array_equal(fold_rows(rows.reshape(1, -1)), fold_rows(rows[::-1].copy().reshape(1, -1)))


def test_digest_leaves_its_argument_alone_and_takes_a_start():
    rows = words(4, 0, 8)
    kept = rows.copy()
    assert digest(rows, 1) != digest(rows, 2)
    assert np.array_equal(rows, kept)


def test_chain_depends_on_order_number_and_value():
    assert len({chain(), chain(0), chain(0, 0), chain(1, 2), chain(2, 1), chain(-1)}) == 6
    assert all(0 <= chain(value) < 2**64 for value in (0, -5, 2**70))


def test_singles_are_folded_two_to_a_word():
    singles = np.arange(8, dtype=np.float32).reshape(2, 4)
    assert np.array_equal(fold_rows(singles), fold_rows(singles.view(np.uint64)))
