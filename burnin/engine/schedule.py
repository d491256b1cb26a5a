"""Shapes of load as pure functions of time, so that every worker switches by itself at the same moment."""

from __future__ import annotations

from typing import Final

from burnin.records.base import LooseRecord
from burnin.records.plan import Shape, ShapeKind

FOR_EVER_NS: Final = 1 << 62


class Pace(LooseRecord, frozen=True, kw_only=True):
    """When one load instance works.

    Attributes:
        kind: Shape of the stage.
        start_ns: Monotonic time at which the shape begins, the same for all instances.
        period_ns: Pulse period, or time per core or step of the staircase.
        duty: Share of the period under load (pulsed).
        place: Number of this instance's core among the cores of the stage, from 0.
        places: How many cores the stage uses.
    """

    kind: ShapeKind = "steady"
    start_ns: int = 0
    period_ns: int = 2_000_000_000
    duty: float = 0.5
    place: int = 0
    places: int = 1

    def active(self, now_ns: int) -> bool:
        """Return whether this instance works at ``now_ns``."""
        since = now_ns - self.start_ns
        if since < 0:
            return False
        if self.kind == "steady":
            return True
        if self.kind == "pulsed":
            return since % self.period_ns < self.duty * self.period_ns
        turn = since // self.period_ns
        if self.kind == "one_core":
            return turn % self.places == self.place
        return self.place < _climbers(turn, self.places)

    def next_change_ns(self, now_ns: int) -> int:
        """Return the next moment at which ``active`` may change; far away for a steady load."""
        since = now_ns - self.start_ns
        if since < 0:
            return self.start_ns
        if self.kind == "steady":
            return FOR_EVER_NS
        begun = now_ns - since % self.period_ns
        if self.kind == "pulsed":
            edge = begun + round(self.duty * self.period_ns)
            return edge if now_ns < edge else begun + self.period_ns
        return begun + self.period_ns


def _climbers(turn: int, places: int) -> int:
    """Return how many instances work on step ``turn`` of a staircase up and down (1, 2, ... n, ... 2, 1, 1, 2 ...)."""
    phase = turn % (2 * places)
    return phase + 1 if phase < places else 2 * places - phase


def pace_of(shape: Shape, *, start_ns: int, place: int, places: int) -> Pace:
    """Return the pace of one instance under a stage's shape."""
    return Pace(
        kind=shape.kind,
        start_ns=start_ns,
        period_ns=max(1, round(shape.period_s * 1e9)),
        duty=shape.duty,
        place=place,
        places=max(1, places),
    )
