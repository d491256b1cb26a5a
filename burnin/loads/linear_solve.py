"""Linear systems solved by elimination with pivoting, held to LAPACK's own test and to the last bit.

Proves: that division, pivoting and triangular solves of doubles give right results: the residual passes the test that
LAPACK is tested with, and the solution equals the first one bit by bit.

Does not prove: that the first solution is right beyond that residual, which is a coarse test (a change of one element
by 2^-30 passes it for large systems); equal digests on other cores stand for the rest.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from burnin.calc.folding import digest
from burnin.calc.numeric_kernel import numeric_kernel
from burnin.calc.sealed import Change, SealedCopy, SealedRows, compare, reported
from burnin.calc.splitmix import derive, full_doubles
from burnin.errors import BurninError
from burnin.plugin.contracts import Fault, LoadContext, LoadSpec, Param, StepResult
from burnin.records.plan import Scalar

_THRESHOLD: Final = 30.0
"""Largest ratio that passes, from LAPACK's test programs (TESTING/dtest.in)."""

_EPSILON: Final = 2.0**-53
"""Relative machine precision as LAPACK takes it (``dlamch('Epsilon')``)."""

_SYSTEMS: Final = 2
_RIGHT_SIDES: Final = 4
_PARTS: Final = 8
"""Each step checks one part of the matrix in memory."""

SPEC: Final = LoadSpec(
    title="Linear systems by elimination",
    proves="Division, pivoting and triangular solves of doubles give right results, equal to the last bit.",
    does_not_prove="That the first solution is right beyond its residual; other cores' digests stand for that.",
    resource="cpu",
    unit="systems",
    params=(Param(name="n", default=768, about="Unknowns of a system.", low=16, high=2048),),
    finest_step_s=0.02,
    compare_digests=True,
)

Floats = NDArray[np.float64]


def one_norm(matrix: Floats) -> float:
    """Return the largest sum of a column's absolute values."""
    return float(np.abs(matrix).sum(axis=0).max())


def residual_ratio(matrix: Floats, solution: Floats, right: Floats, *, norm: float) -> float:
    """Return LAPACK's test ratio of a solution, the largest of its columns.

    ``||B - A X|| / (||A|| ||X|| eps)`` in 1-norms, column by column (TESTING/LIN/dget02.f).

    Args:
        matrix: Shape (n, n).
        solution: Shape (n, k).
        right: Shape (n, k).
        norm: 1-norm of the matrix.
    """
    with np.errstate(over="ignore", invalid="ignore"):
        residual = np.abs(right - matrix @ solution).sum(axis=0)
        scale = norm * np.abs(solution).sum(axis=0) * _EPSILON
        ratio = residual / scale
    return float(np.max(np.where(np.isnan(ratio), np.inf, ratio)))


class _System:
    """One system and its first solution.

    Args:
        n: Unknowns.
        seed: Seed of matrix and right sides.
    """

    def __init__(self, n: int, seed: int) -> None:
        one, two = derive(seed, 0), derive(seed, 1)
        self.matrix = SealedRows("matrix", np.empty((n, n)), lambda row: full_doubles(one, row * n, n))
        self.right = SealedRows(
            "right sides", np.empty((_RIGHT_SIDES, n)), lambda row: full_doubles(two, row * n, n)
        )
        self.norm = SealedCopy("norm", np.array([one_norm(self.matrix.rows)]))
        self.golden = SealedCopy("first solution", self.solve())
        self.mark = digest(self.golden.values)
        self.first_ratio = self.ratio(self.golden.values)

    def solve(self) -> Floats:
        """Return the solution, contiguous, shape (n, right sides); all NaN when the solver finds none."""
        try:
            with np.errstate(over="ignore", invalid="ignore"):  # a changed operand may hold infinities
                return np.ascontiguousarray(np.linalg.solve(self.matrix.rows, self.right.rows.T))
        except np.linalg.LinAlgError:
            return np.full((len(self.matrix.rows), _RIGHT_SIDES), np.nan)

    def ratio(self, solution: Floats) -> float:
        """Return LAPACK's test ratio of a solution."""
        norm = float(self.norm.values[0])
        return residual_ratio(self.matrix.rows, solution, self.right.rows.T, norm=norm)

    def mend(self, part: int) -> tuple[Change, ...]:
        """Check references and one part of the matrix (all of it for a negative one), and put right what changed."""
        rows = -(-len(self.matrix.rows) // _PARTS)
        first, stop = (0, None) if part < 0 else (rows * part, rows * (part + 1))
        references = self.golden.mend() + self.norm.mend() + self.right.mend()
        return references + self.matrix.mend(first, stop)


class _Session:
    """An opened load.

    Args:
        n: Unknowns.
        seed: Seed of the systems.
        first: Number of the first step.
    """

    def __init__(self, *, n: int, seed: int, first: int) -> None:
        self._n, self._step = n, first
        self._systems = [_System(n, derive(seed, index)) for index in range(_SYSTEMS)]
        self._pending = [
            self._fault({"at": "first solution", "ratio": system.first_ratio, "limit": _THRESHOLD})
            for system in self._systems
            if system.first_ratio > _THRESHOLD
        ]

    @property
    def notes(self) -> dict[str, Scalar]:
        """Size, kernel and the ratios of the first solutions."""
        return {
            "n": self._n,
            "numeric_kernel": numeric_kernel(),
            "first_ratios": ",".join(f"{system.first_ratio:.2f}" for system in self._systems),
        }

    def step(self) -> StepResult:
        """Solve one system and check it, and a part of its operands."""
        system = self._systems[self._step % _SYSTEMS]
        solution = system.solve()
        same = np.array_equal(solution.view(np.uint64), system.golden.values.view(np.uint64))
        ratio = system.ratio(solution)
        if same and ratio <= _THRESHOLD:
            faults = self._mend(system, self._step // _SYSTEMS % _PARTS)
        else:
            faults = self._check(system, solution, ratio)
        faults, self._pending = self._pending + faults, []
        self._step += 1
        mark = system.mark if same else digest(solution)
        return StepResult(amount=1.0, digest=mark, faults=tuple(faults[:16]), settled=False)

    def finish(self) -> StepResult:
        """Check all operands and references once more."""
        faults = [fault for system in self._systems for fault in self._mend(system, -1)]
        faults, self._pending = self._pending + faults, []
        return StepResult(amount=0.0, faults=tuple(faults[:16]))

    def close(self) -> None:
        """Give the memory back."""
        self._systems.clear()

    def _check(self, system: _System, solution: Floats, ratio: float) -> list[Fault]:
        """Say what is wrong with a solution; operands first, as they explain both tests."""
        changed = self._mend(system, -1)
        if changed:
            return changed
        faults = []
        if ratio > _THRESHOLD:
            faults.append(self._fault({"at": "residual", "ratio": ratio, "limit": _THRESHOLD}))
        faults += [
            self._fault({"at": "comparison with the first solution", "ratio": ratio, **values})
            for values in reported(compare("solution", system.golden.values, solution))
        ]
        return faults

    def _mend(self, system: _System, part: int) -> list[Fault]:
        """Return what changed in memory, and put it right."""
        changes = system.mend(part)
        return [Fault(kind="memory_word", step=self._step, values=values) for values in reported(changes)]

    def _fault(self, values: dict[str, Scalar]) -> Fault:
        return Fault(kind="wrong_result", step=self._step, values=values)


class _LinearSolve:
    """The load."""

    spec: LoadSpec = SPEC

    def open(self, context: LoadContext, params: dict[str, Scalar]) -> _Session:
        """Make the systems and solve each once.

        Raises:
            BurninError: they do not fit into the memory allowed.
        """
        n = int(params.get("n", 768))
        needed = 8 * n * n * (_SYSTEMS + 1)
        if needed > context.memory_bytes:
            raise BurninError(
                f"linear_solve: n = {n} needs {needed >> 20} MiB; {context.memory_bytes >> 20} MiB allowed",
                slug="load_memory",
                hint="Set a smaller n.",
            )
        return _Session(n=n, seed=derive(context.seed, 3), first=context.first_step)


PLUGIN = _LinearSolve()
