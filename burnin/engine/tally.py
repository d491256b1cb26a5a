"""What a load has done so far, and the folds of its results by which cores are compared."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from burnin.engine.messages import Checkpoint
from burnin.plugin.contracts import StepResult

WINDOW_STEPS: Final = 16
"""Steps folded into one checkpoint; a checkpoint stands at every multiple, so that it can be repeated from there."""

_MASK: Final = (1 << 64) - 1


def fold(digest: int, result: int) -> int:
    """Return the 64-bit fold of a step's digest into the digest so far; the order of steps matters."""
    return ((((digest << 7) | (digest >> 57)) & _MASK) ^ result) & _MASK


@dataclass(kw_only=True)
class Tally:
    """Totals of one load instance.

    Attributes:
        steps: Steps done, and those before the first one of this process.
        amount: Work done, in the load's unit.
        digest: Fold of all results.
    """

    steps: int = 0
    amount: float = 0.0
    digest: int = 0
    _window: int = 0
    _points: list[Checkpoint] = field(default_factory=list)

    def add(self, result: StepResult) -> None:
        """Count one step."""
        self.steps += 1
        self.amount += result.amount
        self.digest = fold(self.digest, result.digest)
        self._window = fold(self._window, result.digest)
        if self.steps % WINDOW_STEPS == 0:
            self._points.append(Checkpoint(step=self.steps, digest=self._window))
            self._window = 0

    def take_points(self) -> tuple[Checkpoint, ...]:
        """Return the checkpoints since the last call."""
        points, self._points = tuple(self._points), []
        return points
