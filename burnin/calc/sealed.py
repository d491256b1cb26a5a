"""Operands and references that can tell where they were changed: address, what must stand there, what does.

A load that only checks its results does not see a bit that flips in an operand it no longer uses, or in the reference
it compares with. Here both carry folds of their own, and both can be made again.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from burnin.calc.folding import as_words, digest, fold_rows, half_fold
from burnin.calc.splitmix import U64


@dataclass(frozen=True, kw_only=True)
class Change:
    """One element that is not what it was made as.

    Attributes:
        what: Name of the array.
        index: Place in the array.
        address: Virtual address of the element's first byte.
        expected: Bits it must have.
        found: Bits it has.
        width: Bytes of the element.
    """

    what: str
    index: tuple[int, ...]
    address: int
    expected: int
    found: int
    width: int = 8

    def values(self) -> dict[str, str | int | float | bool]:
        """Return the change as a fault reports it, bit patterns in hexadecimal."""
        digits = 2 * self.width
        return {
            "buffer": self.what,
            "place": ",".join(map(str, self.index)),
            "address": f"0x{self.address:x}",
            "expected": f"0x{self.expected:0{digits}x}",
            "found": f"0x{self.found:0{digits}x}",
            "xor": f"0x{self.expected ^ self.found:0{digits}x}",
        }


def reported(
    changes: Sequence[Change], *, limit: int = 16
) -> tuple[dict[str, str | int | float | bool], ...]:
    """Return what a step reports of its changes: at most ``limit``, the last with the number of ``further`` ones."""
    values = tuple(change.values() for change in changes[:limit])
    if len(changes) > limit:
        values[-1]["further"] = len(changes) - limit
    return values


def compare(what: str, expected: NDArray[Any], found: NDArray[Any], *, limit: int = 16) -> tuple[Change, ...]:
    """Return the elements whose bits differ, at most ``limit``, in rising order.

    Args:
        what: Name to report.
        expected: What must stand there.
        found: What stands there; same shape and type, its memory gives the addresses.
        limit: Most elements to return.
    """
    bits = np.dtype(f"u{found.itemsize}")
    right, wrong = np.atleast_1d(expected).view(bits), np.atleast_1d(found).view(bits)
    start = int(found.ctypes.data)
    return tuple(
        Change(
            what=what,
            index=tuple(int(part) for part in place),
            address=start
            + sum(int(part) * step for part, step in zip(place, np.atleast_1d(found).strides, strict=True)),
            expected=int(right[tuple(place)]),
            found=int(wrong[tuple(place)]),
            width=found.itemsize,
        )
        for place in np.argwhere(right != wrong)[:limit]
    )


class SealedCopy:
    """A small array kept twice, with a digest: a change in either copy is found, named and put right.

    Args:
        what: Name to report.
        values: What to keep, contiguous, a multiple of 8 bytes.
    """

    def __init__(self, what: str, values: NDArray[Any]) -> None:
        self.what = what
        self.values = np.ascontiguousarray(values).copy()
        self._spare = self.values.copy()
        self._digest = digest(self.values)

    def mend(self) -> tuple[Change, ...]:
        """Return what changed in either copy since the last call, and put it right from the other."""
        found: tuple[Change, ...] = ()
        if not np.array_equal(as_words(self.values.reshape(-1)), as_words(self._spare.reshape(-1))):
            if digest(self.values) == self._digest:
                found = compare(f"{self.what} (spare)", self.values, self._spare)
                self._spare[...] = self.values
            else:
                found = compare(self.what, self._spare, self.values)
                self.values[...] = self._spare
        return found


class SealedRows:
    """A large matrix of operands whose rows can be made again.

    Args:
        what: Name to report.
        rows: The matrix, shape (rows, columns), filled by ``remake``.
        remake: Returns row ``i`` as it must be.
    """

    def __init__(self, what: str, rows: NDArray[Any], remake: Callable[[int], NDArray[Any]]) -> None:
        self.what = what
        self.rows = rows
        self._remake = remake
        for index in range(len(rows)):
            rows[index] = remake(index)
        self.folds = SealedCopy(f"folds of {what}", fold_rows(rows))

    def mend(self, first: int = 0, stop: int | None = None, *, turn: int | None = None) -> tuple[Change, ...]:
        """Return what changed in rows ``first`` to ``stop`` (or in their folds), and make those rows again.

        Args:
            first: First row.
            stop: Row after the last, None for all.
            turn: Check one half of the folds in turn; None checks both.
        """
        found = self.folds.mend()
        known: U64 = self.folds.values[:, first:stop]
        part = self.rows[first:stop]
        wrong = (
            (fold_rows(part) != known).any(axis=0)
            if turn is None
            else half_fold(part, turn) != known[turn % 2]
        )
        for row in np.flatnonzero(wrong):
            found += self._mend_row(first + int(row))
        return found

    def _mend_row(self, row: int) -> tuple[Change, ...]:
        """Return what changed in one row, and make it again."""
        right = self._remake(row)
        changes = compare(self.what, right, self.rows[row])
        self.rows[row] = right
        return tuple(
            Change(
                what=change.what,
                index=(row, *change.index),
                address=change.address,
                expected=change.expected,
                found=change.found,
                width=change.width,
            )
            for change in changes
        )
