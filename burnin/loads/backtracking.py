"""Placements of n queens counted by trying, held to the published numbers.

Proves: that integer logic, comparisons, branches and calls of the interpreter are right: the counts add up to the
published total, mirrored halves agree, and every column takes as many steps as the first time.

Does not prove: anything about arithmetic units or memory; it runs cool.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from burnin.calc.folding import chain
from burnin.calc.queens import TOTALS, placements
from burnin.calc.sealed import SealedCopy, reported
from burnin.plugin.contracts import Fault, LoadContext, LoadSpec, Param, StepResult
from burnin.records.plan import Scalar

SPEC: Final = LoadSpec(
    title="Placements of queens, counted by trying",
    proves="Integer logic, branches and calls are right: counts equal the published ones.",
    does_not_prove="Arithmetic units; memory.",
    resource="cpu",
    unit="columns",
    params=(Param(name="n", default=12, about="Size of the board.", low=8, high=13),),
    finest_step_s=0.02,
    compare_digests=True,
)


class _Session:
    """An opened load.

    Args:
        n: Size of the board.
        first: Number of the first step.
    """

    def __init__(self, n: int, *, first: int) -> None:
        self._n, self._step, self._total = n, first, 0
        self._whole = first % n == 0
        totals = [TOTALS[size] for size in sorted(TOTALS)]
        self._totals = SealedCopy("published totals", np.array(totals, dtype=np.uint64))
        self._first: dict[int, tuple[int, int]] = {}

    @property
    def notes(self) -> dict[str, Scalar]:
        """Size, and where the answer comes from."""
        return {"n": self._n, "published_total": TOTALS[self._n], "source": "OEIS A000170"}

    def step(self) -> StepResult:
        """Count one column; after the last column compare the total."""
        column = self._step % self._n
        count, tried = placements(self._n, column)
        faults = self._check_column(column, count, tried)
        self._total += count
        if column == self._n - 1:
            faults += self._check_total() if self._whole else []
            self._total, self._whole = 0, True
        self._step += 1
        return StepResult(amount=1.0, digest=chain(column, count, tried), faults=tuple(faults))

    def finish(self) -> StepResult:
        """Check the published totals once more; a round that is not complete stands on its columns alone."""
        return StepResult(amount=0.0, faults=tuple(self._mend()))

    def close(self) -> None:
        """Forget the first counts."""
        self._first.clear()

    def _check_column(self, column: int, count: int, tried: int) -> list[Fault]:
        """Hold a column to its first count and to the mirrored column."""
        mirrored = self._first.get(self._n - 1 - column, (count, tried))
        first = self._first.setdefault(column, (count, tried))
        if (count, tried) == first and count == mirrored[0]:
            return []
        again = placements(self._n, column)
        values: dict[str, Scalar] = {
            "column": column,
            "expected": first[0],
            "expected_tried": first[1],
            "mirrored": mirrored[0],
            "found": count,
            "found_tried": tried,
            "found_again": again[0],
        }
        return [self._fault(values)]

    def _check_total(self) -> list[Fault]:
        """Hold the sum of all columns to the published total."""
        changed = self._mend()
        right = int(self._totals.values[sorted(TOTALS).index(self._n)])
        if self._total == right:
            return changed
        return [*changed, self._fault({"at": "total", "expected": right, "found": self._total})]

    def _mend(self) -> list[Fault]:
        return [
            Fault(kind="memory_word", step=self._step, values=values)
            for values in reported(self._totals.mend())
        ]

    def _fault(self, values: dict[str, Scalar]) -> Fault:
        return Fault(kind="wrong_result", step=self._step, values=values)


class _Backtracking:
    """The load."""

    spec: LoadSpec = SPEC

    def open(self, context: LoadContext, params: dict[str, Scalar]) -> _Session:
        """Get ready."""
        return _Session(int(params.get("n", 12)), first=context.first_step)


PLUGIN = _Backtracking()
