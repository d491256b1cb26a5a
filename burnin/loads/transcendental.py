"""Sines, exponentials, logarithms and roots, held to identities with stated bounds and to the last bit.

Proves: that the polynomial and table code of the elementary functions, with its multiply-adds, roundings and
conversions, is right: identities hold within what the functions' stated accuracy allows, and every value equals the
first one bit by bit.

Does not prove: that single values are right beyond those bounds the first time; equal digests on other cores stand
for the rest.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray

from burnin.calc.folding import chain, digest, fold_rows
from burnin.calc.sealed import SealedCopy, SealedRows, compare, reported
from burnin.calc.splitmix import derive, words
from burnin.plugin.contracts import Fault, LoadContext, LoadSpec, Param, StepResult
from burnin.records.plan import Scalar

Floats = NDArray[np.float64]

_ULP: Final = 2.0**-52
_STATED: Final = 4.0
"""Accuracy that NumPy states for its own elementary functions, units in the last place."""

_FOLDED_WORDS: Final = 256
_ROOM: Final = 1.01
"""For the second-order terms that the bounds leave out."""

_UNIT_S: Final = 0.005
"""Time of one round of all functions on 2^14 arguments for which a step is sized; the usual core needs less."""

SPEC: Final = LoadSpec(
    title="Elementary functions",
    proves="Sines, exponentials, logarithms, roots keep their identities and equal the first values to the last bit.",
    does_not_prove="Single values beyond the stated accuracy the first time; other cores' digests stand for that.",
    resource="cpu",
    unit="million values",
    params=(Param(name="log2_n", default=14, about="Arguments, a power of two.", low=8, high=20),),
    finest_step_s=0.005,
    compare_digests=True,
)


def _arguments(seed: int, row: int, count: int) -> Floats:
    """Return arguments from 2^-7 to below 2^7 with all bits in use: positive, as logarithm and root need them."""
    raw = words(seed, row * count, count)
    exponent = (raw >> np.uint64(52)) % np.uint64(14) + np.uint64(1016)
    values: Floats = (raw & np.uint64((1 << 52) - 1) | exponent << np.uint64(52)).view(np.float64)
    return values


def circle(x: Floats) -> tuple[list[Floats], Floats]:
    """Sine and cosine: ``sin^2 + cos^2 = 1``; each square is off by twice the stated accuracy and a rounding."""
    sine, cosine = np.sin(x), np.cos(x)
    gap = np.abs(sine * sine + cosine * cosine - 1.0)
    return [sine, cosine], gap / ((2 * _STATED + 1.5) * _ULP)


def powers(x: Floats) -> tuple[list[Floats], Floats]:
    """Logarithm and exponential: ``exp(log x) = x``; an error of the logarithm counts as often as its size."""
    logarithm = np.log(x)
    back = np.exp(logarithm)
    gap = np.abs(back - x) / x
    return [logarithm, back], gap / (_STATED * (np.abs(logarithm) + 1.0) * _ULP)


def roots(x: Floats) -> tuple[list[Floats], Floats]:
    """Square root, correctly rounded (IEEE 754): its square is off by two halves and a rounding."""
    root = np.sqrt(x)
    gap = np.abs(root * root - x) / x
    return [root], gap / (1.5 * _ULP)


def arcs(x: Floats) -> tuple[list[Floats], Floats]:
    """Arc tangent and tangent: ``tan(atan x) = x``; an error of the angle counts ``(1 + x^2) / x`` times."""
    angle = np.arctan(x)
    back = np.tan(angle)
    gap = np.abs(back - x) / x
    return [angle, back], gap / (_STATED * (angle * (1.0 + x * x) / x + 1.0) * _ULP)


IDENTITIES: Final[tuple[Callable[[Floats], tuple[list[Floats], Floats]], ...]] = (circle, powers, roots, arcs)
"""Each returns the values of its functions and the gap in units of what is allowed."""


class _Session:
    """An opened load.

    Args:
        count: Arguments, a power of two.
        units: Rounds of one step.
        seed: Seed of the arguments.
    """

    def __init__(self, *, count: int, units: int, seed: int) -> None:
        self._step, self._units = 0, units
        self._arguments = SealedRows(
            "arguments", np.empty((len(IDENTITIES), count)), lambda row: _arguments(seed, row, count)
        )
        firsts = [np.stack(identity(self._arguments.rows[i])[0]) for i, identity in enumerate(IDENTITIES)]
        self._firsts = [SealedCopy(f"first values {i}", values) for i, values in enumerate(firsts)]

    @property
    def notes(self) -> dict[str, Scalar]:
        """Sizes and identities."""
        return {
            "arguments": int(self._arguments.rows.shape[1]),
            "identities": ",".join(identity.__name__ for identity in IDENTITIES),
            "stated_accuracy_ulp": _STATED,
        }

    def step(self) -> StepResult:
        """Compute every function on its arguments, check identities and first values."""
        faults: list[Fault] = []
        marks, amount = [], 0
        for unit in range(self._units * len(IDENTITIES)):
            row = unit % len(IDENTITIES)
            identity = IDENTITIES[row]
            with np.errstate(all="ignore"):
                values, gap = identity(self._arguments.rows[row])
            stacked = np.stack(values)
            faults += self._check(row, stacked, gap)
            marks.append(digest(fold_rows(stacked.reshape(-1, _FOLDED_WORDS))))
            amount += stacked.size
        self._step += 1
        return StepResult(amount=amount / 1e6, digest=chain(*marks), faults=tuple(faults[:16]))

    def finish(self) -> StepResult:
        """Check arguments and references once more."""
        faults = [fault for row in range(len(IDENTITIES)) for fault in self._mend(row)]
        return StepResult(amount=0.0, faults=tuple(faults[:16]))

    def close(self) -> None:
        """Give the memory back."""
        self._arguments.rows = np.empty((0, 1))
        self._firsts.clear()

    def _check(self, row: int, values: Floats, gap: Floats) -> list[Fault]:
        """Hold values to the identity and to the first ones; arguments and references first."""
        changed = self._mend(row)
        if changed:
            return changed
        name = IDENTITIES[row].__name__
        faults: list[Fault] = []
        beyond = np.flatnonzero(~(gap <= _ROOM))
        if len(beyond):
            place = int(beyond[0])
            about: dict[str, Scalar] = {
                "at": f"identity {name}",
                "argument": float(self._arguments.rows[row, place]).hex(),
                "found": float(values[0, place]).hex(),
                "gap": float(np.nan_to_num(gap[place], nan=np.inf, posinf=1e308)),
                "values_wrong": len(beyond),
            }
            faults.append(self._fault(about))
        if not np.array_equal(values.view(np.uint64), self._firsts[row].values.view(np.uint64)):
            changes = compare(f"values of {name}", self._firsts[row].values, values)
            faults += [
                self._fault({"at": "comparison with the first values", **v}) for v in reported(changes)
            ]
        return faults

    def _mend(self, row: int) -> list[Fault]:
        changes = self._arguments.mend(row, row + 1) + self._firsts[row].mend()
        return [Fault(kind="memory_word", step=self._step, values=values) for values in reported(changes)]

    def _fault(self, values: dict[str, Scalar]) -> Fault:
        return Fault(kind="wrong_result", step=self._step, values=values)


class _Transcendental:
    """The load."""

    spec: LoadSpec = SPEC

    def open(self, context: LoadContext, params: dict[str, Scalar]) -> _Session:
        """Make the arguments and compute every function once."""
        count = 1 << int(params.get("log2_n", 14))
        units = max(1, int(context.step_budget_s / (_UNIT_S * count / 16384)))
        return _Session(count=count, units=units, seed=derive(context.seed, 8))


PLUGIN = _Transcendental()
