"""Fourier transforms there and back, with the energy of both sides compared.

Proves: that the additions, multiplications and shuffles of a transform are right: the way back gives the signal within
the error that rounding allows, the energies agree (Parseval's theorem), and each spectrum equals the first one bit by
bit.

Does not prove: that single elements are right beyond the rounding bound at the first pass, which is taken over the
whole signal; equal digests on other cores stand for the rest.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray

from burnin.calc.folding import as_words, chain, digest
from burnin.calc.sealed import Change, SealedCopy, SealedRows, compare, reported
from burnin.calc.splitmix import derive, full_doubles
from burnin.errors import BurninError
from burnin.plugin.contracts import Fault, LoadContext, LoadSpec, Param, StepResult
from burnin.records.plan import Scalar

_SIGNALS: Final = 4
_FOLDED_WORDS: Final = 4096
"""Words under one sum: few enough sums to cost nothing, and a swap of far words is seen."""

_CLOSELY: Final = 65
"""Identities are computed, and the signal held to its fold, for one transform in so many, for each signal in turn.

All transforms are compared with the first ones.
"""

_UNIT_S: Final = 0.016
"""Time of one round of all signals of 2^15 points for which a step is sized; the usual core needs less."""

SPEC: Final = LoadSpec(
    title="Fourier transforms there and back",
    proves="Butterflies of complex doubles are right; the energy stays; spectra are equal to the last bit.",
    does_not_prove="That the first spectrum is right beyond the rounding bound; other cores' digests stand for that.",
    resource="cpu",
    unit="transforms",
    params=(
        Param(name="log2_n", default=15, about="Points of a signal, as a power of two.", low=9, high=20),
    ),
    finest_step_s=0.016,
    compare_digests=True,
)

Floats = NDArray[np.float64]
Points = NDArray[np.complex128]

_PIECE: Final = 8192
"""Numbers of a difference taken at once: it stays in the core's own cache and needs no buffer of its own."""

_INTO: Final = np.lib.NumpyVersion(np.__version__) >= "2.0.0"
"""Whether this NumPy transforms into a given array."""


def transform_bound(points: int) -> float:
    """Return the relative error, in the 2-norm, that one transform may have.

    ``L h / (1 - L h)`` with ``L = log2 n`` and ``h = u + g4 (sqrt 2 + u)``, ``g4 = 4 u / (1 - 4 u)``, ``u = 2^-53``
    (Higham, "Accuracy and Stability of Numerical Algorithms", 2nd ed., theorem 24.2), for factors right to ``u``.
    """
    u = 2.0**-53
    per_stage = u + 4 * u / (1 - 4 * u) * (math.sqrt(2.0) + u)
    total = math.log2(points) * per_stage
    return total / (1 - total)


def _block_sums(values: Floats) -> NDArray[np.uint64]:
    """Return the sums modulo 2^64 of the words of each block: any one changed word changes its sum."""
    blocks = max(1, len(values) // _FOLDED_WORDS)
    sums: NDArray[np.uint64] = np.add.reduce(as_words(values).reshape(blocks, -1), axis=1)
    return sums


def there(signal: Floats, spectrum: Floats) -> None:
    """Write a signal's spectrum into an array of the same shape, (2 points,): nothing is allocated each time."""
    _transform(np.fft.fft, signal, spectrum)


def back_again(spectrum: Floats, signal: Floats) -> None:
    """Write the signal of a spectrum into an array of the same shape, (2 points,)."""
    _transform(np.fft.ifft, spectrum, signal)


def _transform(method: Callable[..., Points], values: Floats, result: Floats) -> None:
    """Transform complex numbers, real and imaginary parts in turn, into a given array."""
    with np.errstate(over="ignore", invalid="ignore"):  # a changed signal may hold infinities
        if _INTO:
            method(values.view(np.complex128), out=result.view(np.complex128))
        else:
            result.view(np.complex128)[:] = method(values.view(np.complex128))


def _squared_distance(one: Floats, other: Floats) -> float:
    """Return the square of the 2-norm of a difference."""
    total = 0.0
    for first in range(0, len(one), _PIECE):
        gap = one[first : first + _PIECE] - other[first : first + _PIECE]
        total += float(gap @ gap)
    return total


class _Session:
    """An opened load.

    Args:
        points: Points of a signal, a power of two.
        units: Rounds of one step.
        seed: Seed of the signals.
        first: Number of the first step.
    """

    def __init__(self, *, points: int, units: int, seed: int, first: int) -> None:
        self._points, self._units, self._step = points, units, first
        self._pending: list[Fault] = []
        width = 2 * points
        self._signals = SealedRows(
            "signals", np.empty((_SIGNALS, width)), lambda row: full_doubles(seed, row * width, width)
        )
        self._energies = SealedCopy("energies", np.array([row @ row for row in self._signals.rows]))
        self._spectrum, self._back = np.empty(width), np.empty(width)
        both = np.stack([self._both_folds(row) for row in range(_SIGNALS)], axis=1)
        self._folds = SealedCopy("folds of the spectra", both[0])
        self._returns = SealedCopy("folds of the ways back", both[1])
        self._references = (self._energies, self._folds, self._returns)
        self._mark = digest(self._folds.values)
        self._pending += self._all_closely()

    @property
    def notes(self) -> dict[str, Scalar]:
        """Sizes and bound."""
        return {
            "points": self._points,
            "signals": _SIGNALS,
            "relative_error_allowed": 2 * transform_bound(self._points),
        }

    def step(self) -> StepResult:
        """Transform every signal there and back, some rounds long, and check both ways."""
        faults, self._pending = self._pending + self._changed(self._references[self._step % 3].mend()), []
        mark, turn = self._mark, self._step * self._units * _SIGNALS
        for _ in range(self._units):
            for row in range(_SIGNALS):
                found, same = self._round(row, closely=turn % _CLOSELY == 0)
                faults += found
                if turn % _CLOSELY == 0:  # either half shows any one changed word
                    faults += self._changed(
                        self._signals.mend(row, row + 1, turn=turn // _CLOSELY // _SIGNALS)
                    )
                mark = mark if same else chain(mark, digest(self._spectrum))
                turn += 1
        self._step += 1
        amount = 2.0 * _SIGNALS * self._units
        return StepResult(amount=amount, digest=mark, faults=tuple(faults[:16]))

    def finish(self) -> StepResult:
        """Check signals and references once more, and every signal's identities."""
        faults, self._pending = self._pending + self._mend() + self._all_closely(), []
        return StepResult(amount=0.0, faults=tuple(faults[:16]))

    def close(self) -> None:
        """Give the memory back."""
        self._signals.rows = np.empty((0, 2))
        self._spectrum = self._back = np.empty(0)

    def _both_folds(self, row: int) -> tuple[NDArray[np.uint64], NDArray[np.uint64]]:
        """Transform a signal there and back; return the folds of both ways, each taken while the core has it near."""
        there(self._signals.rows[row], self._spectrum)
        folds = _block_sums(self._spectrum)
        back_again(self._spectrum, self._back)
        return folds, _block_sums(self._back)

    def _all_closely(self) -> list[Fault]:
        """Transform every signal once, with its identities."""
        return [fault for row in range(_SIGNALS) for fault in self._round(row, closely=True)[0]]

    def _round(self, row: int, *, closely: bool) -> tuple[list[Fault], bool]:
        """Transform one signal; return what is wrong, and whether the spectrum equals the first one.

        Both ways are always compared with the first time; identities are computed when asked for or when that differs.
        """
        ahead, back = self._both_folds(row)
        same = (
            ahead.tobytes() == self._folds.values[row].tobytes()
        )  # a fifth of the time of a comparison of arrays
        same_back = back.tobytes() == self._returns.values[row].tobytes()
        if same and same_back and not closely:
            return [], True
        errors = self._identities(row)
        if same and same_back and not errors:
            return [], True
        changed = self._mend()
        if changed:
            return changed, same
        if not same:
            errors += self._locate("spectrum", row)
        elif not same_back:
            errors += self._locate("way back", row)
        return errors, same

    def _identities(self, row: int) -> list[Fault]:
        """Hold the way back to the signal and the energy of the spectrum to that of the signal."""
        allowed = 2 * transform_bound(self._points)
        with np.errstate(over="ignore", invalid="ignore"):
            energy = float(self._energies.values[row])
            error = math.sqrt(_squared_distance(self._back, self._signals.rows[row]) / energy)
            parseval = abs(float(self._spectrum @ self._spectrum) / self._points - energy) / energy
        # the energies are sums of 2 n squares, each side rounded; the spectrum's own error counts twice
        room = 2 * allowed + 4 * self._points * 2.0**-53
        return self._beyond("way back", error, allowed) + self._beyond("energy", parseval, room)

    def _beyond(self, what: str, observed: float, allowed: float) -> list[Fault]:
        """Return a fault when an error is beyond what rounding allows (or is no number)."""
        if observed <= allowed:
            return []
        values: dict[str, Scalar] = {"at": what, "relative_error": observed, "allowed": allowed}
        return [Fault(kind="wrong_result", step=self._step, values=values)]

    def _locate(self, what: str, row: int) -> list[Fault]:
        """Compare a wrong spectrum or way back with the transforms done again."""
        spectrum, back = np.empty_like(self._spectrum), np.empty_like(self._back)
        there(self._signals.rows[row], spectrum)
        back_again(spectrum, back)
        again, found, known = (
            (spectrum, self._spectrum, self._folds)
            if what == "spectrum"
            else (back, self._back, self._returns)
        )
        right_now = np.array_equal(_block_sums(again), known.values[row])
        about: dict[str, Scalar] = {"at": f"comparison with the first {what}", "signal": row}
        about["wrong_again"] = not right_now
        values = reported(compare(what, again, found)) or ({},)
        return [Fault(kind="wrong_result", step=self._step, values=value | about) for value in values]

    def _mend(self) -> list[Fault]:
        """Check all signals and references."""
        changes = sum((reference.mend() for reference in self._references), ())
        return self._changed(changes + self._signals.mend())

    def _changed(self, changes: tuple[Change, ...]) -> list[Fault]:
        return [Fault(kind="memory_word", step=self._step, values=values) for values in reported(changes)]


class _Fourier:
    """The load."""

    spec: LoadSpec = SPEC

    def open(self, context: LoadContext, params: dict[str, Scalar]) -> _Session:
        """Make the signals and transform each once.

        Raises:
            BurninError: they do not fit into the memory allowed.
        """
        points = 1 << int(params.get("log2_n", 15))
        needed = 16 * points * (_SIGNALS + 4)
        if needed > context.memory_bytes:
            raise BurninError(
                f"fourier: {points} points need {needed >> 20} MiB; {context.memory_bytes >> 20} MiB allowed",
                slug="load_memory",
                hint="Set a smaller log2_n.",
            )
        units = max(1, int(context.step_budget_s / (_UNIT_S * points / 32768)))
        return _Session(points=points, units=units, seed=derive(context.seed, 4), first=context.first_step)


PLUGIN = _Fourier()
