"""What the supervisor knows about each load instance of the running stage."""

from __future__ import annotations

from dataclasses import dataclass, field

from burnin.engine.news import Job, JobGone, JobProgress, JobReady
from burnin.records.events import LoadEnded, LoadStarted, WorkDone


@dataclass(kw_only=True)
class LoadState:
    """One load instance.

    Attributes:
        job: What it was started with.
        stage: Stage index.
        unit: Unit of its amounts.
        ready: It is open.
        settled: It has nothing left to check.
        gone: How it ended, None while it lives.
    """

    job: Job
    stage: int
    unit: str = ""
    ready: bool = False
    settled: bool = False
    gone: JobGone | None = None
    steps: int = 0
    amount: float = 0.0
    digest: int = 0
    faults: int = 0


@dataclass(kw_only=True)
class Loads:
    """All load instances of one stage.

    Attributes:
        states: Load id to state, in start order.
    """

    states: dict[str, LoadState] = field(default_factory=dict)

    @property
    def living(self) -> list[str]:
        """Ids of loads that have not ended."""
        return [load_id for load_id, state in self.states.items() if state.gone is None]

    @property
    def opening(self) -> list[str]:
        """Ids of loads that are neither open nor gone."""
        return [load_id for load_id in self.living if not self.states[load_id].ready]

    @property
    def unsettled(self) -> list[str]:
        """Ids of living loads with something unchecked."""
        return [load_id for load_id in self.living if not self.states[load_id].settled]

    def started(self, news: JobReady, physical: int | None, resource: str) -> LoadStarted:
        """Note that a load is open; return the journal's line."""
        state = self.states[news.load_id]
        state.ready, state.unit = True, news.unit
        return LoadStarted(
            load_id=news.load_id,
            load=state.job.load,
            stage=state.stage,
            core=state.job.core,
            physical=physical,
            pid=news.pid,
            seed=f"{state.job.seed:x}",
            params=state.job.params,
            unit=news.unit,
            notes={**news.notes, "resource": resource},
        )

    def progressed(self, news: JobProgress) -> None:
        """Note a load's totals."""
        state = self.states[news.load_id]
        state.steps, state.amount, state.digest = news.steps, news.amount, news.digest

    def ended(self, news: JobGone, *, planned: bool) -> LoadEnded:
        """Note that a load is over; return the journal's line."""
        state = self.states[news.load_id]
        state.gone = news
        return LoadEnded(
            load_id=news.load_id,
            how=news.how,
            code=news.code,
            detail=news.detail,
            steps=state.steps,
            amount=state.amount,
            digest=f"{state.digest:x}",
            planned=planned and news.how in {"stopped", "killed"},
        )

    def work(self) -> tuple[WorkDone, ...]:
        """Return the totals of the loads that are open and alive."""
        return tuple(
            WorkDone(
                load_id=load_id, steps=state.steps, amount=round(state.amount, 6), digest=f"{state.digest:x}"
            )
            for load_id, state in self.states.items()
            if state.ready and state.gone is None
        )
