from __future__ import annotations

import numpy as np
import pytest

from burnin.calc.sealed import SealedCopy, SealedRows, compare, reported
from burnin.calc.splitmix import full_doubles, words


def sealed_rows() -> SealedRows:
    return SealedRows("operand", np.empty((6, 8)), lambda row: full_doubles(1, 8 * row, 8))


def test_names_address_expected_and_found():
    array = words(1, 0, 12).reshape(3, 4)
    right = array.copy()
    array[2, 1] ^= np.uint64(1 << 40)
    (change,) = compare("array", right, array)
    assert change.index == (2, 1)
    assert change.address == array.ctypes.data + 8 * 9
    assert change.values() == {
        "buffer": "array",
        "place": "2,1",
        "address": f"0x{array.ctypes.data + 72:x}",
        "expected": f"0x{int(right[2, 1]):016x}",
        "found": f"0x{int(array[2, 1]):016x}",
        "xor": "0x0000010000000000",
    }


def test_addresses_in_a_view_with_gaps_are_right():
    whole = np.zeros((4, 6))
    part = whole[::2, 1:3]
    right = part.copy()
    whole[2, 2] = 1.0
    (change,) = compare("part", right, part)
    assert change.address == whole.ctypes.data + 8 * (2 * 6 + 2)


def test_no_more_than_the_limit_is_returned_and_the_rest_is_counted():
    found = np.ones(40)
    assert len(compare("many", np.zeros(40), found)) == 16
    values = reported(compare("many", np.zeros(40), found, limit=40))
    assert len(values) == 16
    assert values[-1]["further"] == 24
    assert "further" not in values[0]
    assert reported(()) == ()


def test_singles_have_eight_digits():
    right, found = np.zeros(2, dtype=np.float32), np.array([0, 1], dtype=np.float32)
    (change,) = compare("singles", right, found)
    assert change.values()["expected"] == "0x00000000"
    assert change.address == found.ctypes.data + 4


@pytest.mark.parametrize("spare", [False, True])
def test_a_change_in_either_copy_is_named_and_put_right(spare):
    kept = SealedCopy("reference", words(1, 0, 10))
    assert kept.mend() == ()
    target = kept._spare if spare else kept.values
    target[3] ^= np.uint64(4)
    (change,) = kept.mend()
    assert change.what == ("reference (spare)" if spare else "reference")
    assert change.expected == int(words(1, 3, 1)[0])
    assert change.found == change.expected ^ 4
    assert kept.mend() == ()
    assert np.array_equal(kept.values, words(1, 0, 10))


@pytest.mark.parametrize("place", [(0, 0), (3, 5), (5, 7)])
def test_a_changed_operand_is_named_and_made_again(place):
    sealed = sealed_rows()
    assert sealed.mend() == ()
    right = sealed.rows[place]
    sealed.rows.view(np.uint64)[place] ^= np.uint64(1)
    (change,) = sealed.mend()
    assert change.index == place
    assert change.address == sealed.rows.ctypes.data + 8 * (8 * place[0] + place[1])
    assert sealed.rows[place] == right
    assert sealed.mend() == ()


@pytest.mark.parametrize("turn", [0, 1])
def test_either_half_of_the_folds_finds_a_change(turn):
    sealed = sealed_rows()
    assert sealed.mend(turn=turn) == ()
    sealed.rows[4, 0] = 0.0
    assert sealed.mend(0, 4, turn=turn) == ()
    assert len(sealed.mend(4, 6, turn=turn)) == 1


def test_only_the_rows_asked_for_are_checked():
    sealed = sealed_rows()
    sealed.rows[4, 0] = 0.0
    assert sealed.mend(0, 4) == ()
    assert len(sealed.mend(4, 6)) == 1


def test_a_changed_fold_is_no_changed_operand():
    sealed = sealed_rows()
    sealed.folds.values[0, 2] ^= np.uint64(8)
    (change,) = sealed.mend()
    assert change.what == "folds of operand"
