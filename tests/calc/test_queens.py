from __future__ import annotations

from itertools import permutations

import pytest

from burnin.calc.queens import TOTALS, placements


@pytest.mark.parametrize("n", [n for n in TOTALS if n <= 9])
def test_columns_add_up_to_the_published_total_and_mirror(n):
    counts = [placements(n, column)[0] for column in range(n)]
    assert sum(counts) == TOTALS[n]
    assert counts == counts[::-1]


def test_agrees_with_trying_every_permutation():
    n = 7
    good = [p for p in permutations(range(n)) if len({p[i] + i for i in range(n)} & set(range(99))) == n]
    good = [p for p in good if len({p[i] - i for i in range(n)}) == n]
    for column in range(n):
        assert placements(n, column)[0] == sum(p[0] == column for p in good)


def test_counts_the_squares_tried():
    assert placements(4, 0) == (0, 3)  # by hand: two squares in the second row, one in the third, none below
    assert placements(1, 0) == (1, 0)
