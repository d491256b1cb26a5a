"""Edges of pulses: each worker notes how late it switched, the supervisor how far apart the workers were."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from burnin.engine.messages import Edge
from burnin.engine.news import Job
from burnin.engine.schedule import Pace
from burnin.records.events import PulsesMeasured


@dataclass(kw_only=True)
class EdgeWatch:
    """Notes the first and last instruction of each pulse of one worker.

    Attributes:
        pace: When it works; other shapes than pulses have no edges.
    """

    pace: Pace
    _pulse: int = -1
    _on_late_ns: int = 0
    _end_ns: int = 0
    _edges: list[Edge] = field(default_factory=list)

    def begins(self, now_ns: int) -> None:
        """A step begins."""
        if self.pace.kind != "pulsed":
            return
        since_ns = now_ns - self.pace.start_ns
        pulse = since_ns // self.pace.period_ns
        if pulse != self._pulse:
            self._close()
            self._pulse, self._on_late_ns = pulse, since_ns - pulse * self.pace.period_ns

    def ends(self, now_ns: int) -> None:
        """A step is over."""
        self._end_ns = now_ns

    def take(self) -> tuple[Edge, ...]:
        """Return the edges of the pulses that are over since the last call."""
        edges, self._edges = tuple(self._edges), []
        return edges

    def _close(self) -> None:
        if self._pulse < 0:
            return
        off_ns = self.pace.start_ns + round((self._pulse + self.pace.duty) * self.pace.period_ns)
        self._edges.append(
            Edge(
                pulse=self._pulse,
                on_late_us=self._on_late_ns // 1000,
                off_late_us=(self._end_ns - off_ns) // 1000,
            )
        )


class PulseLog:
    """How far apart the workers of a stage switched, pulse by pulse.

    Args:
        jobs: The load instances of the stage.
    """

    def __init__(self, jobs: tuple[Job, ...]) -> None:
        self._loads = len(jobs)
        self._open: dict[int, dict[str, Edge]] = {}
        self._late_us: list[int] = []
        self._spread_us: list[int] = []
        self._pulses = 0

    def hear(self, load_id: str, edges: tuple[Edge, ...]) -> None:
        """Take the edges of one worker; a pulse counts once all have told theirs."""
        for edge in edges:
            told = self._open.setdefault(edge.pulse, {})
            told[load_id] = edge
            if len(told) == self._loads:
                del self._open[edge.pulse]
                self._pulses += 1
                for late in (
                    [each.on_late_us for each in told.values()],
                    [each.off_late_us for each in told.values()],
                ):
                    self._late_us.append(max(late, key=abs))
                    self._spread_us.append(max(late) - min(late))

    def measured(self, stage: int) -> Iterator[PulsesMeasured]:
        """Yield what was measured, nothing without a pulse."""
        if self._pulses:
            yield PulsesMeasured(
                stage=stage,
                pulses=self._pulses,
                loads=self._loads,
                late_p99_ms=float(np.quantile(np.abs(self._late_us), 0.99)) / 1000,
                apart_p99_ms=float(np.quantile(self._spread_us, 0.99)) / 1000,
                apart_most_ms=max(self._spread_us) / 1000,
            )
