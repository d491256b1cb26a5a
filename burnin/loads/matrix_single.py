"""Single-precision matrix products, every one of them checked.

Proves: that this core multiplies and adds singles rightly while it is hot, and that
operands and results stay as they were in caches and memory meanwhile. Products of whole numbers are exact and checked
with Freivalds' method, so there is no tolerance to hide in; products of numbers with all 24 bits in use are compared
bit by bit with the first one, which is itself held to a published rounding bound.

Does not prove: anything about instructions that the numeric library's kernel does not use, about memory beyond the
operands, or (for the full significands) that the first product is right to the last bit; equal digests on other cores stand for
that.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from burnin.calc.checked_product import SINGLE, CheckedProduct, Trouble, panel_rows
from burnin.calc.folding import chain, digest
from burnin.calc.numeric_kernel import numeric_kernel
from burnin.calc.sealed import Change, reported
from burnin.calc.splitmix import derive
from burnin.errors import BurninError
from burnin.plugin.contracts import Fault, LoadContext, LoadSpec, Param, StepResult
from burnin.records.plan import Scalar

_FASTEST_FLOP_S: Final = 172e9
"""Arithmetic rate for which a step is sized; a core with half of it takes twice the time."""

SPEC: Final = LoadSpec(
    title="Single-precision matrix products, each one checked",
    proves="Multiplies and adds single-precision numbers rightly, operands unchanged in memory.",
    does_not_prove="Instructions the numeric library does not use; memory beyond the operands.",
    resource="cpu",
    unit="products",
    params=(
        Param(
            name="n",
            default=2048,
            about="Rows and columns of the matrices; an even number.",
            low=64,
            high=4096,
        ),
        Param(
            name="values",
            default="mixed",
            about="Whole numbers (exact), numbers with all bits in use (hotter), or both in turn.",
            choices=("mixed", "integer", "full"),
        ),
        Param(
            name="rows", default=0, about="Rows done in one step; 0 fits them to the step.", low=0, high=4096
        ),
    ),
    finest_step_s=0.001,
    compare_digests=True,
)


class _Session:
    """An opened single-precision load.

    Args:
        n: Rows and columns.
        rows: Rows done in one step.
        kinds: Kinds of product, done in turn.
        seed: Seed of the operands.
        first: Number of the first step.
    """

    def __init__(self, *, n: int, rows: int, kinds: tuple[str, ...], seed: int, first: int) -> None:
        self._n, self._rows, self._step = n, rows, first
        self._result = np.zeros((n, n), dtype=np.float32)
        self._products = [
            CheckedProduct(kind, SINGLE, result=self._result, rows=rows, seed=derive(seed, index))
            for index, kind in enumerate(kinds)
        ]
        self._pending = [
            Fault(kind="wrong_result", step=0, values={"values": product.kind, "at": "first product", "n": n})
            for product in self._products
            if not product.first_is_right
        ]

    @property
    def notes(self) -> dict[str, Scalar]:
        """Sizes, kernel and address of the product."""
        return {
            "n": self._n,
            "rows_per_step": self._rows,
            "values": ",".join(product.kind for product in self._products),
            "numeric_kernel": numeric_kernel(),
            "operand_bytes": sum(product.operand_bytes for product in self._products),
            "product_address": f"0x{self._result.ctypes.data:x}",
        }

    def step(self) -> StepResult:
        """Multiply one panel of rows and check it, and a slice of the operands."""
        turn, panel = divmod(self._step, -(-self._n // self._rows))
        turn, kind = divmod(turn, len(self._products))
        product = self._products[kind]
        first = panel * self._rows
        stop = min(first + self._rows, self._n)
        product.multiply(first, stop)
        folds, wrong = product.judge(first, stop, turn=turn)
        if wrong.any():
            faults = self._faults(product.explain(first, wrong))
        else:
            faults = self._changed(product.mend_slice())
        faults, self._pending = self._pending + faults, []
        self._step += 1
        mark = chain(kind, turn % 2, first, digest(folds))
        return StepResult(
            amount=(stop - first) / self._n, digest=mark, faults=tuple(faults[:16]), settled=False
        )

    def finish(self) -> StepResult:
        """Check all operands and references once more."""
        changes = [change for product in self._products for change in product.mend()]
        faults, self._pending = self._pending + self._changed(changes), []
        return StepResult(amount=0.0, faults=tuple(faults[:16]))

    def close(self) -> None:
        """Give the memory back."""
        self._products.clear()
        self._result = np.zeros((0, 0), dtype=np.float32)

    def _changed(self, changes: Sequence[Change]) -> list[Fault]:
        """Return changes in memory as faults."""
        return [Fault(kind="memory_word", step=self._step, values=values) for values in reported(changes)]

    def _faults(self, troubles: list[Trouble]) -> list[Fault]:
        """Return what a product found as faults."""
        return [
            Fault(
                kind="memory_word" if trouble.in_memory else "wrong_result",
                step=self._step,
                values=trouble.values,
            )
            for trouble in troubles
        ]


class _MatrixSingle:
    """The load."""

    spec: LoadSpec = SPEC

    def open(self, context: LoadContext, params: dict[str, Scalar]) -> _Session:
        """Make operands and verify the first products.

        Raises:
            BurninError: the matrices do not fit into the memory allowed.
        """
        n, values, rows = (
            int(params.get("n", 2048)) // 2 * 2,
            str(params.get("values", "mixed")),
            int(params.get("rows", 0)),
        )
        kinds = ("integer", "full") if values == "mixed" else (values,)
        rows = panel_rows(n, most_rows=rows or int(_FASTEST_FLOP_S * context.step_budget_s / (2.0 * n * n)))
        needed = 4 * n * n * (2 * len(kinds) + 1) + 4 * n * rows + 24 * n * n
        if needed > context.memory_bytes:
            raise BurninError(
                f"matrix_single: n = {n} with values = {values!r} needs {needed >> 20} MiB; "
                f"{context.memory_bytes >> 20} MiB allowed for one instance",
                slug="load_memory",
                hint="Set a smaller n, or values to 'integer' or 'full' alone.",
            )
        return _Session(n=n, rows=rows, kinds=kinds, seed=context.seed, first=context.first_step)


PLUGIN = _MatrixSingle()
