"""Double-precision matrix products, every one of them checked.

Proves: that this core multiplies and adds doubles rightly while it is about as hot as arithmetic can make it, and that
operands and results stay as they were in caches and memory meanwhile. Products of whole numbers are checked with
Freivalds' method (R. Freivalds, 1977/79; false acceptance at most 2^-k for k vectors) and are exact, so there is no
tolerance to hide in; products of doubles with all 53 bits in use are compared bit by bit, through folds, with the first
one, which is itself held to the bound of Higham, "Accuracy and Stability of Numerical Algorithms", section 3.5.

Does not prove: anything about instructions that the numeric library's kernel does not use, about memory beyond the
operands, or (for the doubles) that the first product is right to the last bit; equal digests on other cores stand for
that.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from burnin.calc.folding import chain, digest, fold_rows
from burnin.calc.numeric_kernel import numeric_kernel
from burnin.calc.product_bound import product_gap
from burnin.calc.sealed import Change, SealedCopy, SealedRows, compare, reported
from burnin.calc.splitmix import derive, full_doubles, whole_numbers
from burnin.errors import BurninError
from burnin.plugin.contracts import Fault, LoadContext, LoadSpec, Param, StepResult
from burnin.records.plan import Scalar

_FASTEST_FLOP_S: Final = 86e9
"""Arithmetic rate for which a step is sized; a core with half of it takes twice the time."""

_BITS: Final = 12
_PROBE_BITS: Final = 5
"""12 + 12 + 5 bits and n up to 2^12 twice make 53: every sum of Freivalds' check is exact in a double."""

_PROBES: Final = 4
_SLICES: Final = 8
"""Each step checks one slice of the operands, so that this many products of a kind see them all."""

Floats = NDArray[np.float64]

SPEC: Final = LoadSpec(
    title="Double-precision matrix products, each one checked",
    proves="Multiplies and adds doubles rightly under the heaviest arithmetic, operands unchanged in memory.",
    does_not_prove="Instructions the numeric library does not use; memory beyond the operands.",
    resource="cpu",
    unit="products",
    params=(
        Param(name="n", default=2048, about="Rows and columns of the matrices.", low=64, high=4096),
        Param(
            name="values",
            default="mixed",
            about="Whole numbers (exact), doubles with all bits in use (hotter), or both in turn.",
            choices=("mixed", "integer", "full"),
        ),
        Param(
            name="rows", default=0, about="Rows done in one step; 0 fits them to the step.", low=0, high=4096
        ),
    ),
    finest_step_s=0.001,
    compare_digests=True,
)


@dataclass(eq=False)
class _Product:
    """One pair of operands and what their product must be.

    Attributes:
        kind: ``integer`` or ``full``.
        left: First operand.
        right: Second operand.
        folds: Folds of the rows of the product, shape (2, n).
        probes: Freivalds' vectors and their images under both operands, shape (2, vectors, n); none for doubles.
        slice_: Next slice of the operands to check.
    """

    kind: str
    left: SealedRows
    right: SealedRows
    folds: SealedCopy
    probes: SealedCopy | None
    slice_: int = 0

    def mend(self) -> tuple[Change, ...]:
        """Check everything that is kept of this product, and put right what changed."""
        probes = self.probes.mend() if self.probes else ()
        return probes + self.folds.mend() + self.left.mend() + self.right.mend()


class _Session:
    """An opened matrix load.

    Args:
        n: Rows and columns.
        rows: Rows done in one step.
        kinds: Kinds of product, done in turn.
        seed: Seed of the operands.
    """

    def __init__(self, *, n: int, rows: int, kinds: tuple[str, ...], seed: int) -> None:
        self._n, self._rows, self._step = n, rows, 0
        self._result: Floats = np.zeros((n, n))
        self._pending: list[Fault] = []
        self._products = [self._establish(kind, derive(seed, index)) for index, kind in enumerate(kinds)]

    @property
    def notes(self) -> dict[str, Scalar]:
        """Sizes, kernel and address of the product."""
        return {
            "n": self._n,
            "rows_per_step": self._rows,
            "values": ",".join(product.kind for product in self._products),
            "numeric_kernel": numeric_kernel(),
            "operand_bytes": sum(p.left.rows.nbytes + p.right.rows.nbytes for p in self._products),
            "product_address": f"0x{self._result.ctypes.data:x}",
        }

    def step(self) -> StepResult:
        """Multiply one panel of rows and check it, and a slice of the operands."""
        panels = -(-self._n // self._rows)
        turn, panel = divmod(self._step, panels)
        product = self._products[turn % len(self._products)]
        first = panel * self._rows
        stop = min(first + self._rows, self._n)
        np.matmul(product.left.rows[first:stop], product.right.rows, out=self._result[first:stop])
        folds, wrong = self._judge(product, first, stop, turn)
        faults = self._explain(product, first, wrong) if wrong.any() else self._mend_slice(product)
        faults, self._pending = self._pending + faults, []
        self._step += 1
        return StepResult(
            amount=(stop - first) / self._n,
            digest=chain(turn % len(self._products), first, digest(folds)),
            faults=tuple(faults[:16]),
            settled=False,
        )

    def finish(self) -> StepResult:
        """Check all operands and references once more."""
        changes = [change for product in self._products for change in product.mend()]
        faults, self._pending = self._pending + self._changed(changes), []
        return StepResult(amount=0.0, faults=tuple(faults[:16]))

    def close(self) -> None:
        """Give the memory back."""
        self._products.clear()
        self._result = np.zeros((0, 0))

    def _establish(self, kind: str, seed: int) -> _Product:
        """Make operands, multiply them once as the steps will, and verify that product fully."""
        left, right = (_operand(kind, name, derive(seed, index), self._n) for index, name in enumerate("ab"))
        for first in range(0, self._n, self._rows):
            stop = min(first + self._rows, self._n)
            np.matmul(left.rows[first:stop], right.rows, out=self._result[first:stop])
        probes = _probes(left.rows, right.rows, derive(seed, 2)) if kind == "integer" else None
        right_rows = (
            self._whole_and_right(probes)
            if probes is not None
            else product_gap(left.rows, right.rows, self._result, seed=derive(seed, 3)) <= 1.0
        )
        if not np.all(right_rows):
            self._pending.append(
                Fault(
                    kind="wrong_result", step=0, values={"values": kind, "at": "first product", "n": self._n}
                )
            )
        return _Product(
            kind=kind,
            left=left,
            right=right,
            folds=SealedCopy(f"folds of the {kind} product", fold_rows(self._result)),
            probes=None if probes is None else SealedCopy("vectors of the check", probes),
        )

    def _whole_and_right(self, probes: Floats) -> NDArray[np.bool_]:
        """Return for each row of a product of whole numbers whether it is whole and passes every vector."""
        whole: NDArray[np.bool_] = (np.rint(self._result) == self._result).all(axis=1)
        passes: NDArray[np.bool_] = (self._result @ probes[0].T == probes[1].T).all(axis=1)
        whole &= passes
        return whole

    def _judge(
        self, product: _Product, first: int, stop: int, turn: int
    ) -> tuple[NDArray[np.uint64], NDArray[np.bool_]]:
        """Return the folds of the panel's rows and which rows are wrong."""
        panel = self._result[first:stop]
        folds = np.empty((2, len(panel)), dtype=np.uint64)
        images = np.empty(len(panel))
        probe = None if product.probes is None else product.probes.values[:, turn % _PROBES]
        at_once = max(1, (512 << 10) // (8 * self._n))
        for start in range(0, len(panel), at_once):
            piece = slice(start, start + at_once)
            folds[:, piece] = fold_rows(panel[piece])
            if probe is not None:
                np.matmul(panel[piece], probe[0], out=images[piece])
        wrong = (folds != product.folds.values[:, first:stop]).any(axis=0)
        if probe is not None:
            wrong |= images != probe[1, first:stop]
        return folds, wrong

    def _mend_slice(self, product: _Product) -> list[Fault]:
        """Check the references and the next slice of the operands."""
        share = -(-self._rows // _SLICES)
        first = product.slice_ % self._n
        product.slice_ = first + share
        changes = product.left.mend(first, first + share) + product.right.mend(first, first + share)
        changes += product.folds.mend() + (product.probes.mend() if product.probes else ())
        return self._changed(changes)

    def _changed(self, changes: tuple[Change, ...] | list[Change]) -> list[Fault]:
        """Return changes in memory as faults."""
        return [Fault(kind="memory_word", step=self._step, values=value) for value in reported(changes)]

    def _explain(self, product: _Product, first: int, wrong: NDArray[np.bool_]) -> list[Fault]:
        """Find out why rows are wrong: an operand or reference changed, or the product itself is wrong."""
        changes = product.mend()
        if changes:
            return self._changed(changes)
        stop = first + len(wrong)
        again = np.matmul(product.left.rows[first:stop], product.right.rows)
        repeats = (fold_rows(again) != product.folds.values[:, first:stop]).any(axis=0)
        faults: list[Fault] = []
        for row in np.flatnonzero(wrong)[:16]:
            right = again[row] if product.kind == "full" else _exact_row(product, first + int(row))
            faults += self._wrong_row(first + int(row), right, again=bool(repeats[row]))
        if faults:
            faults[0].values["rows_wrong"] = int(wrong.sum())
        return faults[:16]

    def _wrong_row(self, row: int, right: Floats, *, again: bool) -> list[Fault]:
        """Return the wrong elements of one row of the product, or the row alone where they cannot be told."""
        about: dict[str, Scalar] = {"row": row, "wrong_again": again}
        changes = compare("product", right, self._result[row])
        found = [
            Fault(kind="wrong_result", step=self._step, values=value | about | {"column": change.index[0]})
            for value, change in zip(reported(changes), changes, strict=False)
        ]
        return found or [Fault(kind="wrong_result", step=self._step, values=about)]


def _operand(kind: str, name: str, seed: int, n: int) -> SealedRows:
    """Return an operand that can be made again row by row."""

    def whole(row: int) -> NDArray[Any]:
        return whole_numbers(seed, row * n, count=n, bits=_BITS).astype(np.float64)

    def full(row: int) -> NDArray[Any]:
        return full_doubles(seed, row * n, n)

    remake: Callable[[int], NDArray[Any]] = whole if kind == "integer" else full
    return SealedRows(f"{kind} operand {name}", np.empty((n, n)), remake)


def _probes(left: Floats, right: Floats, seed: int) -> Floats:
    """Return Freivalds' vectors and their images under right then left operand, shape (2, vectors, n)."""
    n = len(left)
    vectors = (
        whole_numbers(seed, 0, count=_PROBES * n, bits=_PROBE_BITS).astype(np.float64).reshape(_PROBES, n)
    )
    return np.stack([vectors, np.stack([left @ (right @ vector) for vector in vectors])])


def _exact_row(product: _Product, row: int) -> Floats:
    """Return one row of a product of whole numbers by whole-number arithmetic, in pieces."""
    left = product.left.rows[row].astype(np.int64)
    total = np.zeros(len(left), dtype=np.int64)
    for first in range(0, len(left), 256):
        total += left[first : first + 256] @ product.right.rows[first : first + 256].astype(np.int64)
    return total.astype(np.float64)


class _Matrix:
    """The load."""

    spec: LoadSpec = SPEC

    def open(self, context: LoadContext, params: dict[str, Scalar]) -> _Session:
        """Make operands and verify the first products.

        Raises:
            BurninError: the matrices do not fit into the memory allowed.
        """
        n, values, rows = (
            int(params.get("n", 2048)),
            str(params.get("values", "mixed")),
            int(params.get("rows", 0)),
        )
        kinds = ("integer", "full") if values == "mixed" else (values,)
        most = int(_FASTEST_FLOP_S * context.step_budget_s / (2.0 * n * n))
        panels = -(-n // max(1, min(n, rows or most)))
        rows = -(-n // panels)
        needed = 8 * n * n * (2 * len(kinds) + 1) + 8 * n * rows
        if needed > context.memory_bytes:
            raise BurninError(
                f"matrix: n = {n} with values = {values!r} needs {needed >> 20} MiB; "
                f"{context.memory_bytes >> 20} MiB allowed for one instance",
                slug="load_memory",
                hint="Set a smaller n, or values to 'integer' or 'full' alone.",
            )
        return _Session(n=n, rows=rows, kinds=kinds, seed=context.seed)


PLUGIN = _Matrix()
