"""One matrix product that is done again and again, with everything needed to check it and to say what is wrong.

Whole-number products: Freivalds' check on every panel of rows (R. Freivalds, "Probabilistic machines can use less
running time", IFIP 1977; false acceptance at most 2^-k for k vectors), with bit widths chosen so that no sum rounds.
Products with the full significand: compared bit by bit, through folds, with the first product, which is held to the
bound of :mod:`burnin.calc.product_bound`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import DTypeLike, NDArray

from burnin.calc.folding import fold_rows, half_fold
from burnin.calc.product_bound import product_gap
from burnin.calc.sealed import Change, SealedCopy, SealedRows, compare, reported
from burnin.calc.splitmix import U64, derive, full_doubles, full_floats, whole_numbers

Scalar = str | int | float | bool

_VECTORS: Final = 4
_VECTOR_BITS: Final = 5
_SLICES: Final = 8
"""Each step checks one slice of the operands, so that this many products see them all."""

_CACHED_BYTES: Final = 256 << 10
"""A piece of the product that the core's own cache keeps between two readings."""


@dataclass(frozen=True, kw_only=True)
class Number:
    """A number format and how wide whole numbers may be so that nothing rounds.

    Attributes:
        dtype: Type of operands and product.
        bits: Size of a whole number. Doubles: 12 + 12 + 5 and twice 2^12 rows make 53 bits, so that even the sums of
            Freivalds' check are exact. Singles: 63 * 63 * 4096 < 2^24; the check itself is done in doubles.
        roundoff: Unit roundoff.
        full: Returns numbers with the whole significand in use.
    """

    dtype: DTypeLike
    bits: int
    roundoff: float
    full: Callable[[int, int, int], NDArray[Any]]


DOUBLE: Final = Number(dtype=np.float64, bits=12, roundoff=2.0**-53, full=full_doubles)
SINGLE: Final = Number(dtype=np.float32, bits=6, roundoff=2.0**-24, full=full_floats)


@dataclass(frozen=True, kw_only=True)
class Trouble:
    """Something wrong: in memory (an operand or reference changed) or in a result.

    Attributes:
        in_memory: True for a changed operand or reference, False for a wrong product.
        values: What to report.
    """

    in_memory: bool
    values: dict[str, Scalar]


class CheckedProduct:
    """A product of two square matrices, done in panels of rows.

    Args:
        kind: ``integer`` or ``full``.
        number: Number format.
        result: Where products go, shape (n, n).
        rows: Rows of a panel.
        seed: Seed of the operands.
    """

    def __init__(self, kind: str, number: Number, *, result: NDArray[Any], rows: int, seed: int) -> None:
        self.kind, self.number, self.result, self._rows = kind, number, result, rows
        self._n, self._slice, self._round = len(result), 0, 0
        self.left, self.right = (self._operand(name, derive(seed, i)) for i, name in enumerate("ab"))
        self._multiply_all()
        vectors = self._vectors(derive(seed, 2)) if kind == "integer" else None
        self.first_is_right = self._first_is_right(vectors, derive(seed, 3))
        self.folds = SealedCopy(f"folds of the {kind} product", fold_rows(result))
        self.vectors = None if vectors is None else SealedCopy("vectors of the check", vectors)

    @property
    def operand_bytes(self) -> int:
        """Memory that the operands take."""
        return int(self.left.rows.nbytes + self.right.rows.nbytes)

    def multiply(self, first: int, stop: int) -> None:
        """Compute rows ``first`` to ``stop`` of the product."""
        with np.errstate(over="ignore", invalid="ignore"):  # a changed operand may hold infinities
            np.matmul(self.left.rows[first:stop], self.right.rows, out=self.result[first:stop])

    def judge(self, first: int, stop: int, *, turn: int) -> tuple[U64, NDArray[np.bool_]]:
        """Return half folds of rows ``first`` to ``stop`` of the result, shape (rows,), and which rows are wrong.

        Args:
            first: First row.
            stop: Row after the last.
            turn: Chooses the vector of the check and the half of the folds.
        """
        panel = self.result[first:stop]
        folds = np.empty(len(panel), dtype=np.uint64)
        images = np.empty(len(panel))
        vector = None if self.vectors is None else self.vectors.values[:, turn % _VECTORS]
        at_once = len(panel) if vector is None else max(1, _CACHED_BYTES // (8 * self._n))
        for start in range(0, len(panel), at_once):
            piece = slice(start, start + at_once)
            if (
                vector is not None
            ):  # before the fold: reading several rows side by side fetches a piece faster
                with np.errstate(over="ignore", invalid="ignore"):
                    images[piece] = _doubles(panel[piece]) @ vector[0]
            folds[piece] = half_fold(panel[piece], turn)
        wrong: NDArray[np.bool_] = folds != self.folds.values[turn % 2, first:stop]
        if vector is not None:
            wrong |= images != vector[1, first:stop]
        return folds, wrong

    def mend(self) -> tuple[Change, ...]:
        """Check everything that is kept, and put right what changed."""
        return self._mend_references() + self.left.mend() + self.right.mend()

    def mend_slice(self) -> tuple[Change, ...]:
        """Check the references and the next slice of the operands, and put right what changed."""
        if self._slice >= self._n:
            self._slice, self._round = 0, self._round + 1
        first = self._slice
        self._slice = stop = first + -(-self._rows // _SLICES)
        left = self.left.mend(first, stop, turn=self._round)
        return self._mend_references() + left + self.right.mend(first, stop, turn=self._round)

    def explain(self, first: int, wrong: NDArray[np.bool_]) -> list[Trouble]:
        """Find out why rows are wrong: something changed in memory, or else the product itself is wrong.

        Args:
            first: First row of the panel.
            wrong: Which of its rows are wrong.
        """
        changes = self.mend()
        if changes:
            return [Trouble(in_memory=True, values=values) for values in reported(changes)]
        stop = first + len(wrong)
        again = np.matmul(self.left.rows[first:stop], self.right.rows)
        repeats = (fold_rows(again) != self.folds.values[:, first:stop]).any(axis=0)
        found: list[Trouble] = []
        for row in np.flatnonzero(wrong)[:16]:
            right = again[row] if self.kind == "full" else self._exact_row(first + int(row))
            found += self._wrong_row(first + int(row), right, again=bool(repeats[row]))
        found[0].values["rows_wrong"] = int(wrong.sum())
        return found[:16]

    def _operand(self, name: str, seed: int) -> SealedRows:
        """Return an operand that can be made again row by row."""
        n, number = self._n, self.number

        def whole(row: int) -> NDArray[Any]:
            return whole_numbers(seed, row * n, count=n, bits=number.bits).astype(number.dtype)

        def full(row: int) -> NDArray[Any]:
            return number.full(seed, row * n, n)

        rows = np.empty((n, n), dtype=number.dtype)
        return SealedRows(f"{self.kind} operand {name}", rows, whole if self.kind == "integer" else full)

    def _multiply_all(self) -> None:
        """Compute the whole product panel by panel, as the steps will: other shapes may round otherwise."""
        for first in range(0, self._n, self._rows):
            self.multiply(first, min(first + self._rows, self._n))

    def _vectors(self, seed: int) -> NDArray[np.float64]:
        """Return Freivalds' vectors and their images under right then left operand, shape (2, vectors, n)."""
        numbers = whole_numbers(seed, 0, count=_VECTORS * self._n, bits=_VECTOR_BITS)
        vectors = numbers.astype(np.float64).reshape(_VECTORS, self._n)
        left, right = _doubles(self.left.rows), _doubles(self.right.rows)
        return np.stack([vectors, np.stack([left @ (right @ vector) for vector in vectors])])

    def _first_is_right(self, vectors: NDArray[np.float64] | None, seed: int) -> bool:
        """Return whether the first product passes every test there is."""
        if vectors is None:
            gap = product_gap(
                self.left.rows, self.right.rows, self.result, seed=seed, roundoff=self.number.roundoff
            )
            return gap <= 1.0
        whole = bool((np.rint(self.result) == self.result).all())
        return whole and bool((_doubles(self.result) @ vectors[0].T == vectors[1].T).all())

    def _mend_references(self) -> tuple[Change, ...]:
        return self.folds.mend() + (self.vectors.mend() if self.vectors else ())

    def _exact_row(self, row: int) -> NDArray[Any]:
        """Return one row of a product of whole numbers by whole-number arithmetic, in pieces."""
        left = self.left.rows[row].astype(np.int64)
        total = np.zeros(self._n, dtype=np.int64)
        for first in range(0, self._n, 256):
            total += left[first : first + 256] @ self.right.rows[first : first + 256].astype(np.int64)
        return total.astype(self.number.dtype)

    def _wrong_row(self, row: int, right: NDArray[Any], *, again: bool) -> list[Trouble]:
        """Return the wrong elements of one row of the product, or the row alone where they cannot be told."""
        about: dict[str, Scalar] = {"values": self.kind, "row": row, "wrong_again": again}
        changes = compare("product", right, self.result[row])
        found = [
            Trouble(in_memory=False, values=values | about | {"column": change.index[0]})
            for values, change in zip(reported(changes), changes, strict=True)
        ]
        return found or [Trouble(in_memory=False, values=about)]


def _doubles(values: NDArray[Any]) -> NDArray[np.float64]:
    """Return the values as doubles, without a copy where they are."""
    return np.asarray(values, dtype=np.float64)


def panel_rows(n: int, *, most_rows: int) -> int:
    """Return the rows of a panel: at most ``most_rows``, all panels of (nearly) one size.

    Args:
        n: Rows in all.
        most_rows: Most rows wanted, at least 1 is given.
    """
    panels = -(-n // max(1, min(n, most_rows)))
    return -(-n // panels)
