"""Numbers sorted by two methods, checked for order and for being the same numbers.

Proves: that comparisons, branches, swaps and merges move every number to its place and lose none: each result is in
order, has the sum and exclusive or of what went in, and equals the first result bit by bit.

Does not prove: anything about multiplication or floating point.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from burnin.calc.folding import chain, digest, fold_rows
from burnin.calc.sealed import SealedCopy, SealedRows, reported
from burnin.calc.splitmix import derive, words
from burnin.errors import BurninError
from burnin.plugin.contracts import Fault, LoadContext, LoadSpec, Param, StepResult
from burnin.records.plan import Scalar

_ROWS: Final = 4
_METHODS: Final = ("quicksort", "stable")
_FOLDED_WORDS: Final = 256

_UNIT_S: Final = 0.012
"""Time of one sorted row of 2^17 numbers for which a step is sized; the usual core needs less."""

SPEC: Final = LoadSpec(
    title="Numbers sorted and checked",
    proves="Comparisons, branches and moves are right: every number arrives, in order.",
    does_not_prove="Multiplication and floating point.",
    resource="cpu",
    unit="million numbers",
    params=(Param(name="log2_n", default=17, about="Numbers of a row, a power of two.", low=10, high=21),),
    finest_step_s=0.012,
    compare_digests=True,
)


class _Session:
    """An opened load.

    Args:
        count: Numbers of a row, a power of two.
        units: Rows sorted in one step.
        seed: Seed of the numbers.
        first: Number of the first step.
    """

    def __init__(self, *, count: int, units: int, seed: int, first: int) -> None:
        self._step, self._units = first, units
        self._rows = SealedRows(
            "numbers", np.empty((_ROWS, count), dtype=np.uint64), lambda row: words(seed, row * count, count)
        )
        self._pending: list[Fault] = []
        folds = []
        for row in range(_ROWS):
            done = np.sort(self._rows.rows[row], kind="stable")
            folds.append(fold_rows(done.reshape(-1, _FOLDED_WORDS)))
            self._pending += self._order_and_numbers(row, done, folds[-1])
        self._folds = SealedCopy("folds of the sorted rows", np.stack(folds))

    @property
    def notes(self) -> dict[str, Scalar]:
        """Sizes and methods."""
        return {"numbers": int(self._rows.rows.shape[1]), "rows": _ROWS, "methods": ",".join(_METHODS)}

    def step(self) -> StepResult:
        """Sort rows, each by one method, and check the results."""
        faults, self._pending = self._pending + self._mend(0, _ROWS), []
        marks: list[int] = []
        for unit in range(self._step * self._units, (self._step + 1) * self._units):
            row = unit % _ROWS
            kind: Any = _METHODS[unit // _ROWS % len(_METHODS)]
            done = np.sort(self._rows.rows[row], kind=kind)
            folds = fold_rows(done.reshape(-1, _FOLDED_WORDS))
            faults += self._check(row, kind, done, folds)
            marks.append(digest(folds))
        self._step += 1
        amount = self._units * self._rows.rows.shape[1] / 1e6
        return StepResult(amount=amount, digest=chain(*marks), faults=tuple(faults[:16]))

    def finish(self) -> StepResult:
        """Check numbers and references once more."""
        faults, self._pending = self._pending + self._mend(0, _ROWS), []
        return StepResult(amount=0.0, faults=tuple(faults[:16]))

    def close(self) -> None:
        """Give the memory back."""
        self._rows.rows = np.empty((0, 1), dtype=np.uint64)

    def _check(self, row: int, kind: str, done: NDArray[np.uint64], folds: NDArray[np.uint64]) -> list[Fault]:
        """Hold a sorted row to order, numbers and the first result; if it fails, to the row itself first."""
        faults = self._order_and_numbers(row, done, folds)
        wrong = np.flatnonzero((folds != self._folds.values[row]).any(axis=0))
        if not faults and not len(wrong):
            return []
        changed = self._mend(row, row + 1)
        if changed:
            return changed
        if len(wrong):
            faults.append(self._first_difference(row, kind, done, len(wrong)))
        return faults

    def _order_and_numbers(
        self, row: int, done: NDArray[np.uint64], folds: NDArray[np.uint64]
    ) -> list[Fault]:
        """Return what is wrong with a row on its own: order, and the numbers in it."""
        faults = []
        falls = done[1:] < done[:-1]
        if falls.any():
            faults.append(self._fault({"at": "order", "row": row, "place": int(falls.argmax()) + 1}))
        total = [int(np.add.reduce(folds[0])), int(np.bitwise_xor.reduce(folds[1]))]
        known = [int(value) for value in self._rows.folds.values[:, row]]
        if total != known:
            lost: dict[str, Scalar] = {"at": "numbers", "row": row}
            for name, right, got in zip(("sum", "xor"), known, total, strict=True):
                lost |= {f"{name}_expected": f"0x{right:016x}", f"{name}_found": f"0x{got:016x}"}
            faults.append(self._fault(lost))
        return faults

    def _first_difference(self, row: int, kind: str, done: NDArray[np.uint64], blocks: int) -> Fault:
        """Sort again by the other method and name the first number that differs."""
        other: Any = _METHODS[1 - _METHODS.index(kind)]
        again = np.sort(self._rows.rows[row], kind=other)
        places = np.flatnonzero(again != done)
        values: dict[str, Scalar] = {
            "at": "comparison with the first result",
            "row": row,
            "method": kind,
            "blocks_wrong": blocks,
        }
        if len(places):
            place = int(places[0])
            values |= {
                "place": place,
                "expected": f"0x{int(again[place]):016x}",
                "found": f"0x{int(done[place]):016x}",
            }
        return self._fault(values)

    def _mend(self, first: int, stop: int) -> list[Fault]:
        changes = self._rows.mend(first, stop) + self._folds.mend()
        return [Fault(kind="memory_word", step=self._step, values=values) for values in reported(changes)]

    def _fault(self, values: dict[str, Scalar]) -> Fault:
        return Fault(kind="wrong_result", step=self._step, values=values)


class _Sorting:
    """The load."""

    spec: LoadSpec = SPEC

    def open(self, context: LoadContext, params: dict[str, Scalar]) -> _Session:
        """Make the numbers and sort each row once.

        Raises:
            BurninError: they do not fit into the memory allowed.
        """
        count = 1 << int(params.get("log2_n", 17))
        needed = 8 * count * (_ROWS + 2)
        if needed > context.memory_bytes:
            raise BurninError(
                f"sorting: {count} numbers need {needed >> 20} MiB; {context.memory_bytes >> 20} MiB allowed",
                slug="load_memory",
                hint="Set a smaller log2_n.",
            )
        units = max(1, int(context.step_budget_s / (_UNIT_S * count / 131072)))
        return _Session(count=count, units=units, seed=derive(context.seed, 7), first=context.first_step)


PLUGIN = _Sorting()
