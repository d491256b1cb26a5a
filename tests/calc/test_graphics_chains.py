from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from burnin.calc.graphics_chains import (
    BLOCKS,
    FLOAT_CONSTANT,
    LANES,
    agreed_ends,
    described,
    float_starts,
    fold_blocks,
    fold_ends,
    integer_starts,
    run_float_chains,
    run_integer_chains,
    wrong_ends,
    wrong_groups,
)

C = float(np.float32(FLOAT_CONSTANT))


def rounded_once(a: np.float32) -> np.float32:
    """c - a * a rounded once, by exact fractions: nearest, halves to even."""
    exact = Fraction(C) - Fraction(float(a)) ** 2
    near = np.float32(float(exact))
    rivals = [np.nextafter(near, np.float32(-9)), near, np.nextafter(near, np.float32(9))]
    return min(
        rivals, key=lambda v: (abs(Fraction(float(v)) - exact), int(np.float32(v).view(np.uint32)) & 1)
    )


def test_the_fused_operation_is_rounded_once():
    rng = np.random.default_rng(1)
    parts = [rng.uniform(-2, 2, 1500), rng.uniform(-0.1, 0.1, 1500), 10.0 ** rng.uniform(-20, 0, 1500)]
    a = np.concatenate(parts).astype(np.float32)
    found = run_float_chains(a, 1, c=FLOAT_CONSTANT, fused=True)
    assert all(rounded_once(before) == after for before, after in zip(a, found, strict=True))


def test_two_roundings_differ_from_one():
    starts = float_starts(3, variants=1, width=16)
    one, two = (run_float_chains(starts, 8, c=FLOAT_CONSTANT, fused=fused) for fused in (True, False))
    assert np.array_equal(two, plain(starts, 8))
    assert not np.array_equal(one, two)


def plain(a: np.ndarray, rounds: int) -> np.ndarray:
    for _ in range(rounds):
        a = np.float32(FLOAT_CONSTANT) - a * a
    return a


def test_chains_stay_within_the_map():
    ends = run_float_chains(float_starts(4, variants=1, width=16), 500, c=FLOAT_CONSTANT, fused=True)
    assert ends.max() <= C
    assert ends.min() >= C - C * C - 1e-6


def test_most_single_bit_faults_never_die_out():
    rng = np.random.default_rng(3)
    right = run_float_chains(float_starts(3, variants=2, width=16), 100, c=FLOAT_CONSTANT, fused=True)
    bit = np.uint32(1) << rng.integers(0, 23, right.shape).astype(np.uint32)
    wrong = (right.view(np.uint32) ^ bit).view(np.float32)
    contracted = [right.copy(), wrong.copy()]
    for place in range(2):
        for _ in range(600):
            contracted[place] = contracted[place] * np.float32(0.9) + np.float32(0.1)
    with np.errstate(over="ignore", invalid="ignore"):  # a fault may throw a chain out of the map for good
        ends = [run_float_chains(each, 600, c=FLOAT_CONSTANT, fused=True) for each in (right, wrong)]
    vanished = np.mean(ends[0].view(np.uint32) == ends[1].view(np.uint32))
    assert 0.01 < vanished < 0.06  # those below the next rounding; see the load's own words
    assert np.mean(contracted[0] == contracted[1]) > 0.9


def test_integer_chains_against_whole_numbers():
    starts = integer_starts(9, variants=2, width=4)
    ends = run_integer_chains(starts, 5)
    for start, end in zip(starts.reshape(-1)[:50].tolist(), ends.reshape(-1)[:50].tolist(), strict=True):
        x = start
        for _ in range(5):
            x ^= x << 13 & 0xFFFFFFFF
            x ^= x >> 17
            x ^= x << 5 & 0xFFFFFFFF
            x = (x * 1664525 + 1013904223) % 2**32
        assert x == end


def test_xorshift_of_the_paper():
    """Marsaglia (2003): the generator's period is 2^32 - 1; 723471715 follows the paper's start 2463534242."""
    x = np.array([2463534242], dtype=np.uint32)
    after = run_integer_chains(x, 1)
    assert int(after[0]) == (723471715 * 1664525 + 1013904223) % 2**32


def test_starts_repeat_and_differ_by_seed():
    assert np.array_equal(float_starts(1, variants=2, width=16), float_starts(1, variants=2, width=16))
    assert not np.array_equal(integer_starts(1, variants=2, width=4), integer_starts(2, variants=2, width=4))
    assert np.abs(float_starts(1, variants=2, width=16)).max() <= 1


@pytest.mark.parametrize("lane", [0, 31, 32, 255])
@pytest.mark.parametrize("bit", [0, 31])
def test_one_changed_end_changes_its_block(lane, bit):
    ends = fold_ends(integer_starts(5, variants=1, width=4))[0]
    folds = fold_blocks(ends)
    assert folds.shape == (BLOCKS,)
    changed = ends.copy()
    changed[lane] ^= np.uint32(1 << bit)
    assert np.flatnonzero(fold_blocks(changed) != folds).tolist() == [lane // 32]


def test_wrong_threads_are_named():
    expected = fold_ends(integer_starts(5, variants=1, width=4))[0]
    right = fold_blocks(expected)
    folds = np.repeat(right[None, :], 6, axis=0)
    assert wrong_groups(folds, right) == ()
    ends = expected.copy()
    ends[77] ^= np.uint32(4)
    folds[3] = fold_blocks(ends)
    assert wrong_groups(folds, right) == (3,)
    (wrong,) = wrong_ends(3, ends, folds=folds[3], expected=expected)
    told = described(wrong, wrong_groups=1)
    assert told == {
        "thread": 3 * LANES + 77,
        "group": 3,
        "lane": 77,
        "expected": f"0x{int(expected[77]):08x}",
        "found": f"0x{int(expected[77]) ^ 4:08x}",
        "wrong_groups": 1,
    }


def test_a_wrong_fold_of_right_ends_is_told_as_a_block():
    expected = fold_ends(integer_starts(5, variants=1, width=4))[0]
    folds = fold_blocks(expected)
    folds[2] ^= np.uint32(1)
    (wrong,) = wrong_ends(1, expected, folds=folds, expected=expected)
    assert wrong.block
    assert described(wrong, wrong_groups=1)["first_thread_of_32"] == LANES + 64


def test_most_groups_decide():
    right = fold_ends(integer_starts(5, variants=1, width=4))[0]
    ends = np.repeat(right[None, :], 9, axis=0)
    ends[2] ^= np.uint32(8)
    ends[5, 9] = 0
    ends[7] = 0xFFFFFFFF
    assert np.array_equal(agreed_ends(ends), right)
