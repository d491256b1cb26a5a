"""A session of checked matrix products, which loads of different number formats share.

A load says which products it does; the session works through them panel by panel and reports what the checks find.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from burnin.calc.checked_product import CheckedProduct, Number, Trouble, panel_rows
from burnin.calc.folding import chain, digest
from burnin.calc.numeric_kernel import numeric_kernel
from burnin.calc.sealed import Change, reported
from burnin.calc.splitmix import derive
from burnin.errors import BurninError
from burnin.plugin.contracts import Fault, LoadContext, StepResult
from burnin.records.plan import Scalar

_MOST_FAULTS: Final = 16


@dataclass(frozen=True, kw_only=True)
class Products:
    """Which products a load does.

    Attributes:
        load: Name of the load, for messages.
        number: Number format.
        fastest_flop_s: Arithmetic rate for which a step is sized; a core with half of it takes twice the time.
        multiple: Rows and columns are made a multiple of this (a row is whole 64-bit words).
        opening_bytes: Bytes for each element that opening needs besides operands, result and one panel.
    """

    load: str
    number: Number
    fastest_flop_s: float
    multiple: int = 1
    opening_bytes: int = 0

    def open(self, context: LoadContext, params: dict[str, Scalar]) -> CheckedSession:
        """Make operands and verify the first products.

        Args:
            context: From the engine.
            params: ``n``, ``values`` and ``rows`` as the plan sets them.

        Raises:
            BurninError: the matrices do not fit into the memory allowed.
        """
        n = int(params.get("n", 2048)) // self.multiple * self.multiple
        values = str(params.get("values", "mixed"))
        kinds = ("integer", "full") if values == "mixed" else (values,)
        fitting = int(self.fastest_flop_s * context.step_budget_s / (2.0 * n * n))
        rows = panel_rows(n, most_rows=int(params.get("rows", 0)) or fitting)
        width = np.dtype(self.number.dtype).itemsize
        needed = width * n * (n * (2 * len(kinds) + 1) + rows) + self.opening_bytes * n * n
        if needed > context.memory_bytes:
            raise BurninError(
                f"{self.load}: n = {n} with values = {values!r} needs {needed >> 20} MiB; "
                f"{context.memory_bytes >> 20} MiB allowed for one instance",
                slug="load_memory",
                hint="Set a smaller n, or values to 'integer' or 'full' alone.",
            )
        return CheckedSession(self.number, n=n, rows=rows, kinds=kinds, context=context)


class CheckedSession:
    """An opened load of checked products.

    Args:
        number: Number format.
        n: Rows and columns.
        rows: Rows done in one step.
        kinds: Kinds of product, done in turn.
        context: Seed of the operands and number of the first step.
    """

    def __init__(
        self, number: Number, *, n: int, rows: int, kinds: tuple[str, ...], context: LoadContext
    ) -> None:
        self._n, self._rows, self._step = n, rows, context.first_step
        self._result = np.zeros((n, n), dtype=number.dtype)
        self._products = [
            CheckedProduct(kind, number, result=self._result, rows=rows, seed=derive(context.seed, index))
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
            amount=(stop - first) / self._n, digest=mark, faults=tuple(faults[:_MOST_FAULTS]), settled=False
        )

    def finish(self) -> StepResult:
        """Check all operands and references once more."""
        changes = [change for product in self._products for change in product.mend()]
        faults, self._pending = self._pending + self._changed(changes), []
        return StepResult(amount=0.0, faults=tuple(faults[:_MOST_FAULTS]))

    def close(self) -> None:
        """Give the memory back."""
        self._products.clear()
        self._result = self._result[:0, :0].copy()

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
