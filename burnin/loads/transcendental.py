"""Sines, exponentials, logarithms and roots, held to identities with stated bounds and to the last bit.

Proves: that the polynomial and table code of the elementary functions, with its multiply-adds, roundings and
conversions, is right: identities hold within what the functions' stated accuracy allows, and every value equals the
first one bit by bit.

Does not prove: that single values are right beyond those bounds the first time; equal digests on other cores stand
for the rest.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from burnin.calc.folding import as_words, chain, digest
from burnin.calc.sealed import Change, SealedCopy, SealedRows, compare, reported
from burnin.calc.splitmix import derive, words
from burnin.plugin.contracts import Fault, LoadContext, LoadSpec, Param, StepResult
from burnin.records.plan import Scalar

Floats = NDArray[np.float64]

_ULP: Final = 2.0**-52
_STATED: Final = 4.0
"""Accuracy that NumPy states for its own elementary functions, units in the last place."""

_PARTS: Final = 8
_CLOSELY: Final = 200
"""In so many rounds each identity is held to one part of its values, another part each time; to all at both ends."""

_ROOM: Final = 1.01
"""For the second-order terms that the bounds leave out."""

_UNIT_S: Final = 0.0025
"""Time of one round of all functions on 2^13 arguments for which a step is sized; the usual core needs less."""

SPEC: Final = LoadSpec(
    title="Elementary functions",
    proves="Sines, exponentials, logarithms, roots keep their identities and equal the first values to the last bit.",
    does_not_prove="Single values beyond the stated accuracy the first time; other cores' digests stand for that.",
    resource="cpu",
    unit="million values",
    params=(Param(name="log2_n", default=13, about="Arguments, a power of two.", low=8, high=20),),
    finest_step_s=0.005,
    compare_digests=True,
)


def _arguments(seed: int, row: int, count: int) -> Floats:
    """Return arguments from 2^-7 to below 2^7 with all bits in use: positive, as logarithm and root need them."""
    raw = words(seed, row * count, count)
    exponent = (raw >> np.uint64(52)) % np.uint64(14) + np.uint64(1016)
    values: Floats = (raw & np.uint64((1 << 52) - 1) | exponent << np.uint64(52)).view(np.float64)
    return values


def circle(_: Floats, values: Floats) -> Floats:
    """Sine and cosine: ``sin^2 + cos^2 = 1``; each square is off by twice the stated accuracy and a rounding."""
    sine, cosine = values
    gap: Floats = np.abs(sine * sine + cosine * cosine - 1.0) / ((2 * _STATED + 1.5) * _ULP)
    return gap


def powers(x: Floats, values: Floats) -> Floats:
    """Logarithm and exponential: ``exp(log x) = x``; an error of the logarithm counts as often as its size."""
    logarithm, back = values
    gap: Floats = np.abs(back - x) / x / (_STATED * (np.abs(logarithm) + 1.0) * _ULP)
    return gap


def roots(x: Floats, values: Floats) -> Floats:
    """Square root, correctly rounded (IEEE 754), and its square: off by two halves and a rounding."""
    gap: Floats = np.abs(values[1] - x) / x / (1.5 * _ULP)
    return gap


def arcs(x: Floats, values: Floats) -> Floats:
    """Arc tangent and tangent: ``tan(atan x) = x``; an error of the angle counts ``(1 + x^2) / x`` times."""
    angle, back = values
    gap: Floats = np.abs(back - x) / x / (_STATED * (angle * (1.0 + x * x) / x + 1.0) * _ULP)
    return gap


def hyperbolas(x: Floats, values: Floats) -> Floats:
    """Area sine and sine: ``sinh(asinh x) = x``; an error of the area counts ``area * sqrt(1 + x^2) / x`` times."""
    area, back = values
    gap: Floats = np.abs(back - x) / x / (_STATED * (area * np.sqrt(1.0 + x * x) / x + 1.0) * _ULP)
    return gap


@dataclass(frozen=True, kw_only=True)
class Identity:
    """Two functions, the second of the argument or of the first's value, and how far they may be from an identity.

    Attributes:
        name: Name for people.
        first: First function, written into its second argument.
        second: Second function.
        inward: Whether the second function takes the first's value.
        gap: Returns the gap in units of what is allowed, from arguments and both values.
    """

    name: str
    first: Callable[[Floats, Floats], object]
    second: Callable[[Floats, Floats], object]
    inward: bool
    gap: Callable[[Floats, Floats], Floats]

    def compute(self, x: Floats, values: Floats) -> None:
        """Write both functions of ``x`` into ``values``, shape (2, n)."""
        self.first(x, values[0])
        self.second(values[0] if self.inward else x, values[1])


IDENTITIES: Final = (
    Identity(name="circle", first=np.sin, second=np.cos, inward=False, gap=circle),
    Identity(name="powers", first=np.log, second=np.exp, inward=True, gap=powers),
    Identity(name="roots", first=np.sqrt, second=np.square, inward=True, gap=roots),
    Identity(name="arcs", first=np.arctan, second=np.tan, inward=True, gap=arcs),
    Identity(name="hyperbolas", first=np.arcsinh, second=np.sinh, inward=True, gap=hyperbolas),
)


def _sums(values: Floats) -> NDArray[np.uint64]:
    """Return the sums modulo 2^64 of the words along the last axis: any one changed value changes its sum."""
    sums: NDArray[np.uint64] = np.add.reduce(as_words(values), axis=-1)
    return sums


def known_powers() -> list[tuple[float, float]]:
    """Return powers of 1.1 as this core computes them beside the right values.

    Exponents 53, 52, 3, 107 and -3 are those on which a faulty core was first described (H. D. Dixit and others,
    "Silent Data Corruptions at Scale", arXiv:2102.11245).
    """
    right = {53: 156.2472, 52: 142.0429, 3: 1.331, 107: 26854.51, -3: 0.7513}
    found = np.power(np.full(len(right), 1.1), np.array(list(right), dtype=np.float64))
    return list(zip(found.tolist(), right.values(), strict=True))


class _Session:
    """An opened load.

    Args:
        count: Arguments, a power of two.
        units: Rounds of one step.
        seed: Seed of the arguments.
        first: Number of the first step.
    """

    def __init__(self, *, count: int, units: int, seed: int, first: int) -> None:
        self._step, self._units = first, units
        self._arguments = SealedRows(
            "arguments", np.empty((len(IDENTITIES), count)), lambda row: _arguments(seed, row, count)
        )
        self._values = np.empty((len(IDENTITIES), 2, count))
        self._firsts = []
        for row, identity in enumerate(IDENTITIES):
            identity.compute(self._arguments.rows[row], self._values[row])
            self._firsts.append(SealedCopy(f"first values of {identity.name}", self._values[row]))
        self._sums = SealedCopy("sums", _sums(self._values))
        self._mark = digest(self._sums.values)
        self._pending = [
            self._fault({"at": "known power", "expected": right, "found": found})
            for found, right in known_powers()
            if not abs(found / right - 1.0) < 5e-5
        ]
        self._pending += self._explained(self._breaking())

    @property
    def notes(self) -> dict[str, Scalar]:
        """Sizes and identities."""
        return {
            "arguments": int(self._arguments.rows.shape[1]),
            "identities": ",".join(identity.name for identity in IDENTITIES),
            "stated_accuracy_ulp": _STATED,
            "identity_checked_on": f"one part in {_PARTS} each time; all values are compared with the first ones",
        }

    def step(self) -> StepResult:
        """Compute every function on its arguments, check first values and, on a part in turn, the identities."""
        faults, self._pending = self._pending + self._mend_in_turn(), []
        mark, known = self._mark, self._known_total()
        with np.errstate(all="ignore"):  # a changed argument may be out of range
            for unit in range(self._units):
                found, same = self._round(self._step * self._units + unit, known)
                faults += found
                mark = mark if same else chain(mark, digest(self._values))
        self._step += 1
        amount = self._units * self._values.size
        return StepResult(amount=amount / 1e6, digest=mark, faults=tuple(faults[:16]))

    def finish(self) -> StepResult:
        """Check arguments and references once more, and all values of one more round in every way."""
        faults, self._pending = self._pending, []
        faults += [fault for row in range(len(IDENTITIES)) for fault in self._mend(row)]
        with np.errstate(all="ignore"):
            different = self._compute(self._known_total())
        faults += self._explained(different | self._breaking())
        return StepResult(amount=0.0, faults=tuple(faults[:16]))

    def close(self) -> None:
        """Give the memory back."""
        self._arguments.rows = np.empty((0, 1))
        self._firsts.clear()

    def _known_total(self) -> np.uint64:
        """Return the sum modulo 2^64 of all words of the first values."""
        total: np.uint64 = np.add.reduce(self._sums.values, axis=None)
        return total

    def _compute(self, known: np.uint64) -> set[int]:
        """Compute all functions once; return which differ from the first time.

        One sum over all values, taken at once, costs least; it shows any one changed value. Only when it differs are
        those of the single functions taken.
        """
        for row, identity in enumerate(IDENTITIES):
            identity.compute(self._arguments.rows[row], self._values[row])
        if np.add.reduce(as_words(self._values), axis=None) == known:
            return set()
        return set(np.flatnonzero((_sums(self._values) != self._sums.values).any(axis=1)).tolist())

    def _round(self, turn: int, known: np.uint64) -> tuple[list[Fault], bool]:
        """Compute all functions once; return what is wrong, and whether all values equal the first ones."""
        wrong = self._compute(known)
        same, due = not wrong, turn % _CLOSELY
        if due < len(IDENTITIES):
            size = -(-self._values.shape[2] // _PARTS)
            first = turn // _CLOSELY % _PARTS * size
            if not self._holds(due, slice(first, first + size)):
                wrong.add(due)
        return self._explained(wrong) if wrong else [], same

    def _holds(self, row: int, chosen: slice) -> bool:
        """Return whether an identity holds on the values chosen."""
        with np.errstate(all="ignore"):
            gap = IDENTITIES[row].gap(self._arguments.rows[row, chosen], self._values[row, :, chosen])
        return bool((gap <= _ROOM).all())

    def _breaking(self) -> set[int]:
        """Return which identities do not hold on all values."""
        return {row for row in range(len(IDENTITIES)) if not self._holds(row, slice(None))}

    def _explained(self, wrong: set[int]) -> list[Fault]:
        """Return the faults of the functions that are wrong: what changed in memory, else how the values are wrong."""
        return [fault for row in sorted(wrong) for fault in self._mend(row) or self._explain(row)]

    def _explain(self, row: int) -> list[Fault]:
        """Say which values break the identity and which differ from the first ones."""
        identity, arguments, values = IDENTITIES[row], self._arguments.rows[row], self._values[row]
        with np.errstate(all="ignore"):
            gap = identity.gap(arguments, values)
        faults: list[Fault] = []
        beyond = np.flatnonzero(~(gap <= _ROOM))
        if len(beyond):
            place = int(beyond[0])
            about: dict[str, Scalar] = {
                "at": f"identity {identity.name}",
                "argument": float(arguments[place]).hex(),
                "found": float(values[0, place]).hex(),
                "gap": float(np.nan_to_num(gap[place], nan=np.inf)),
                "values_wrong": len(beyond),
            }
            faults.append(self._fault(about))
        changes = compare(f"values of {identity.name}", self._firsts[row].values, values)
        faults += [self._fault({"at": "comparison with the first values", **v}) for v in reported(changes)]
        return faults

    def _mend(self, row: int) -> list[Fault]:
        """Check arguments and references of one identity."""
        changes = self._arguments.mend(row, row + 1) + self._firsts[row].mend() + self._sums.mend()
        return self._changed(changes)

    def _mend_in_turn(self) -> list[Fault]:
        """Check the sums, and of one identity first values or one half of the arguments' fold: each in turn."""
        turn, place = divmod(self._step, 2 * len(IDENTITIES))
        row = place // 2
        changes = self._firsts[row].mend() if place % 2 else self._arguments.mend(row, row + 1, turn=turn)
        return self._changed(self._sums.mend() + changes)

    def _changed(self, changes: tuple[Change, ...]) -> list[Fault]:
        return [Fault(kind="memory_word", step=self._step, values=values) for values in reported(changes)]

    def _fault(self, values: dict[str, Scalar]) -> Fault:
        return Fault(kind="wrong_result", step=self._step, values=values)


class _Transcendental:
    """The load."""

    spec: LoadSpec = SPEC

    def open(self, context: LoadContext, params: dict[str, Scalar]) -> _Session:
        """Make the arguments and compute every function once."""
        count = 1 << int(params.get("log2_n", 13))
        units = max(1, int(context.step_budget_s / (_UNIT_S * count / 8192)))
        return _Session(count=count, units=units, seed=derive(context.seed, 8), first=context.first_step)


PLUGIN = _Transcendental()
