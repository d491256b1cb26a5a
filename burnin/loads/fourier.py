"""Fourier transforms there and back, with the energy of both sides compared.

Proves: that the additions, multiplications and shuffles of a transform are right: the way back gives the signal within
the error that rounding allows, the energies agree (Parseval's theorem), and each spectrum equals the first one bit by
bit.

Does not prove: that single elements are right beyond the rounding bound at the first pass, which is taken over the
whole signal; equal digests on other cores stand for the rest.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from burnin.calc.folding import chain, digest, fold_rows
from burnin.calc.sealed import SealedCopy, SealedRows, compare, reported
from burnin.calc.splitmix import derive, full_doubles
from burnin.errors import BurninError
from burnin.plugin.contracts import Fault, LoadContext, LoadSpec, Param, StepResult
from burnin.records.plan import Scalar

_SIGNALS: Final = 4
_FOLDED_WORDS: Final = 512

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


def transform_bound(points: int) -> float:
    """Return the relative error, in the 2-norm, that one transform may have.

    ``L h / (1 - L h)`` with ``L = log2 n`` and ``h = u + g4 (sqrt 2 + u)``, ``g4 = 4 u / (1 - 4 u)``, ``u = 2^-53``
    (Higham, "Accuracy and Stability of Numerical Algorithms", 2nd ed., theorem 24.2), for factors right to ``u``.
    """
    u = 2.0**-53
    per_stage = u + 4 * u / (1 - 4 * u) * (math.sqrt(2.0) + u)
    total = math.log2(points) * per_stage
    return total / (1 - total)


class _Session:
    """An opened load.

    Args:
        points: Points of a signal, a power of two.
        units: Rounds of one step.
        seed: Seed of the signals.
    """

    def __init__(self, *, points: int, units: int, seed: int) -> None:
        self._points, self._units, self._step = points, units, 0
        self._pending: list[Fault] = []
        width = 2 * points
        self._signals = SealedRows(
            "signals", np.empty((_SIGNALS, width)), lambda row: full_doubles(seed, row * width, width)
        )
        self._energies = SealedCopy("energies", np.array([row @ row for row in self._signals.rows]))
        first = [fold_rows(self._spectrum(row).reshape(-1, _FOLDED_WORDS)) for row in range(_SIGNALS)]
        self._folds = SealedCopy("folds of the spectra", np.stack(first))

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
        faults, self._pending = self._pending, []
        marks = []
        for row in list(range(_SIGNALS)) * self._units:
            spectrum = self._spectrum(row)
            found, mark = self._check(row, spectrum)
            faults += found
            marks.append(mark)
        self._step += 1
        return StepResult(amount=2.0 * len(marks), digest=chain(*marks), faults=tuple(faults[:16]))

    def finish(self) -> StepResult:
        """Check signals and references once more."""
        faults, self._pending = self._pending + self._mend(), []
        return StepResult(amount=0.0, faults=tuple(faults[:16]))

    def close(self) -> None:
        """Give the memory back."""
        self._signals.rows = np.empty((0, 2))

    def _spectrum(self, row: int) -> Floats:
        """Return the spectrum of a signal, real and imaginary parts in turn, shape (2 points,)."""
        with np.errstate(over="ignore", invalid="ignore"):  # a changed signal may hold infinities
            spectrum: Floats = np.fft.fft(self._signals.rows[row].view(np.complex128)).view(np.float64)
        return spectrum

    def _check(self, row: int, spectrum: Floats) -> tuple[list[Fault], int]:
        """Return what is wrong with one spectrum, and its digest."""
        folds = fold_rows(spectrum.reshape(-1, _FOLDED_WORDS))
        mark = digest(folds)
        signal = self._signals.rows[row]
        with np.errstate(over="ignore", invalid="ignore"):
            back = np.fft.ifft(spectrum.view(np.complex128)).view(np.float64)
            back -= signal
            energy = float(self._energies.values[row])
            error = math.sqrt(float(back @ back) / energy)
            parseval = abs(float(spectrum @ spectrum) / self._points - energy) / energy
        allowed = 2 * transform_bound(self._points)
        changed = self._mend_signal(row)
        if changed:
            return changed, mark
        faults = self._beyond("way back", error, allowed)
        # the energies are sums of 2 n squares, each side rounded; the spectrum's own error counts twice
        faults += self._beyond("energy", parseval, 2 * allowed + 4 * self._points * 2.0**-53)
        wrong = np.flatnonzero((folds != self._folds.values[row]).any(axis=0))
        if len(wrong):
            faults += self._locate(row, spectrum, wrong)
        return faults, mark

    def _beyond(self, what: str, observed: float, allowed: float) -> list[Fault]:
        """Return a fault when an error is beyond what rounding allows (or is no number)."""
        if observed <= allowed:
            return []
        values: dict[str, Scalar] = {"at": what, "relative_error": observed, "allowed": allowed}
        return [Fault(kind="wrong_result", step=self._step, values=values)]

    def _locate(self, row: int, spectrum: Floats, wrong: NDArray[np.intp]) -> list[Fault]:
        """Compare a wrong spectrum with the transform done again."""
        again = self._spectrum(row)
        right_now = np.array_equal(fold_rows(again.reshape(-1, _FOLDED_WORDS)), self._folds.values[row])
        about: dict[str, Scalar] = {"at": "comparison with the first spectrum", "signal": row}
        about |= {"wrong_again": not right_now, "folds_wrong": len(wrong)}
        found = reported(compare("spectrum", again, spectrum)) or ({},)
        return [Fault(kind="wrong_result", step=self._step, values=values | about) for values in found]

    def _mend_signal(self, row: int) -> list[Fault]:
        changes = self._energies.mend() + self._folds.mend() + self._signals.mend(row, row + 1)
        return [Fault(kind="memory_word", step=self._step, values=values) for values in reported(changes)]

    def _mend(self) -> list[Fault]:
        changes = self._energies.mend() + self._folds.mend() + self._signals.mend()
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
        return _Session(points=points, units=units, seed=derive(context.seed, 4))


PLUGIN = _Fourier()
