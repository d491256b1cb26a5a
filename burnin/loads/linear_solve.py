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
from burnin.calc.sealed import SealedCopy, SealedRows, compare, reported
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


def residual_ratio(matrix: Floats, solution: Floats, right: Floats) -> float:
    """Return LAPACK's test ratio of a solution, the largest of its columns.

    ``||B - A X|| / (||A|| ||X|| eps)`` in 1-norms, column by column (TESTING/LIN/dget02.f).

    Args:
        matrix: Shape (n, n).
        solution: Shape (n, k).
        right: Shape (n, k).
    """
    with np.errstate(over="ignore", invalid="ignore"):
        residual = np.abs(right - matrix @ solution).sum(axis=0)
        scale = np.abs(matrix).sum(axis=0).max() * np.abs(solution).sum(axis=0) * _EPSILON
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
        self.golden = SealedCopy("first solution", self.solve())
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
        return residual_ratio(self.matrix.rows, solution, self.right.rows.T)


class _Session:
    """An opened load.

    Args:
        n: Unknowns.
        seed: Seed of the systems.
    """

    def __init__(self, *, n: int, seed: int) -> None:
        self._n, self._step = n, 0
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
        """Solve one system and check it, and that its operands are unchanged."""
        system = self._systems[self._step % _SYSTEMS]
        solution = system.solve()
        faults, self._pending = self._pending + self._check(system, solution), []
        self._step += 1
        return StepResult(amount=1.0, digest=digest(solution), faults=tuple(faults[:16]))

    def finish(self) -> StepResult:
        """Check all operands and references once more."""
        faults = [fault for system in self._systems for fault in self._mend(system)]
        faults, self._pending = self._pending + faults, []
        return StepResult(amount=0.0, faults=tuple(faults[:16]))

    def close(self) -> None:
        """Give the memory back."""
        self._systems.clear()

    def _check(self, system: _System, solution: Floats) -> list[Fault]:
        """Hold a solution to the residual and to the first one; operands first, as they explain both."""
        ratio = system.ratio(solution)
        changed = self._mend(system)
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

    def _mend(self, system: _System) -> list[Fault]:
        """Return what changed in memory, and put it right."""
        changes = system.matrix.mend() + system.right.mend() + system.golden.mend()
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
        return _Session(n=n, seed=derive(context.seed, 3))


PLUGIN = _LinearSolve()
