"""How many ways there are to place n queens on a board of n by n so that none attacks another.

Totals are published: The On-Line Encyclopedia of Integer Sequences, A000170 (8: 92, 9: 352, 10: 724, 11: 2,680,
12: 14,200, 13: 73,712). Split by the column of the queen in the first row, a count equals that of the mirrored column.
"""

from __future__ import annotations

from typing import Final

TOTALS: Final = {4: 2, 5: 10, 6: 4, 7: 40, 8: 92, 9: 352, 10: 724, 11: 2680, 12: 14200, 13: 73712}
"""Published totals, A000170."""


def placements(n: int, column: int) -> tuple[int, int]:
    """Return the placements with the first row's queen in ``column``, and how many squares were tried.

    Args:
        n: Size of the board, 1 to 16.
        column: From 0.
    """
    full = (1 << n) - 1
    queen = 1 << column
    return _below(full, queen, queen << 1 & full, queen >> 1)


def _below(full: int, columns: int, left: int, right: int) -> tuple[int, int]:
    """Return placements and squares tried in the rows below, given the attacked columns and diagonals."""
    if columns == full:
        return 1, 0
    found, tried = 0, 0
    free = full & ~(columns | left | right)
    while free:
        queen = free & -free
        free ^= queen
        more, deeper = _below(full, columns | queen, (left | queen) << 1 & full, (right | queen) >> 1)
        found += more
        tried += deeper + 1
    return found, tried
