"""A bench without processes for rehearsals and tests: real load code, stepped in simulated time on a simulated machine."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from burnin.engine.messages import Swept
from burnin.engine.news import (
    Job,
    JobGone,
    JobProgress,
    JobReady,
    JobSettled,
    JobWrong,
    News,
    OperatorAsked,
    Sampling,
    SweepTaken,
)
from burnin.engine.schedule import Pace
from burnin.engine.sweep import DirectReader, Sweeper
from burnin.engine.tally import Tally
from burnin.errors import BurninError
from burnin.host.protocol import Host
from burnin.plugin.contracts import Load, LoadContext, LoadSession, Source, StepResult

STEPS_EVERY_NS: Final = 1_000_000_000
"""Simulated time between two real steps of each load: few enough that a simulated hour takes seconds."""


@dataclass(kw_only=True)
class _Desk:
    """One load of the rehearsal."""

    job: Job
    session: LoadSession
    unit: str
    tally: Tally
    pace: Pace | None = None
    due_ns: int = 0
    finishing: bool = False


@dataclass(kw_only=True)
class _Ear:
    watch: bool
    sweeper: Sweeper
    period_ns: int
    due_ns: int


@dataclass(kw_only=True)
class Script:
    """What a test or rehearsal wants to happen.

    Attributes:
        on_load: Called with the share of CPUs and of memory loads at work whenever it changes.
        operator_at_s: When the operator asks for the end, seconds after sampling began; None for never.
        memory_bytes: Memory each load of the rehearsal may really use.
        params: Load name to parameters that make it small.
        steps: Load name to real steps in each simulated second, where one is too coarse to compare rates of work.
    """

    on_load: Callable[[float, float], None] = lambda cpu, memory: None  # noqa: ARG005 - nobody listens by default
    operator_at_s: float | None = None
    memory_bytes: int = 24 << 20
    params: Mapping[str, Mapping[str, str | int | float | bool]] = field(default_factory=dict)
    steps: Mapping[str, int] = field(default_factory=dict)


class InlineBench:
    """Steps loads and sweeps sources in the calling thread, moving the host's clock forward.

    Args:
        host: A host whose clock jumps.
        loads: Name to load.
        sources: Name to source.
        script: What is to happen.
    """

    def __init__(
        self,
        host: Host,
        loads: Mapping[str, Load],
        sources: Mapping[str, Source],
        script: Script | None = None,
    ) -> None:
        self._host = host
        self._clock = host.clock
        self._loads = loads
        self._sources = sources
        self._script = script or Script()
        self._desks: dict[str, _Desk] = {}
        self._ears: list[_Ear] = []
        self._news: list[News] = []
        self._start_ns = self._clock.mono_ns()
        self._asked = False
        self._told: tuple[float, float] = (0.0, 0.0)

    def start_sampling(self, run: Sampling, watch: Sampling) -> None:
        """Start both samplers on the simulated clock."""
        for sampling, is_watch in ((run, False), (watch, True)):
            if not sampling.columns and is_watch:
                continue
            sweeper = Sweeper(
                self._host, self._sources, sampling.selection, budget_s=30.0, reader=DirectReader
            )
            due_ns = self._clock.mono_ns() + 100_000_000
            self._ears.append(
                _Ear(watch=is_watch, sweeper=sweeper, period_ns=round(sampling.period_s * 1e9), due_ns=due_ns)
            )

    def start(self, jobs: Sequence[Job]) -> None:
        """Open each load here and now."""
        for job in jobs:
            load = self._loads[job.load]
            context = LoadContext(
                seed=job.seed,
                instance=job.instance,
                instances=job.instances,
                memory_bytes=min(job.memory_bytes, self._script.memory_bytes),
                step_budget_s=1e-6,  # the smallest step there is: equal steps give an even rate of work
                first_step=job.first_step,
            )
            try:
                session = load.open(context, {**job.params, **self._script.params.get(job.load, {})})
            except BurninError as error:
                self._news.append(self._gone(job.load_id, detail=error.message, started=False))
                continue
            tally = Tally(steps=job.first_step)
            self._desks[job.load_id] = _Desk(job=job, session=session, unit=load.spec.unit, tally=tally)
            self._news.append(
                JobReady(load_id=job.load_id, pid=0, unit=load.spec.unit, notes=dict(session.notes))
            )

    def _gone(self, load_id: str, *, detail: str = "", started: bool = True) -> JobGone:
        now_ns = self._clock.mono_ns()
        if started:
            return JobGone(load_id=load_id, how="stopped", last_ns=now_ns)
        return JobGone(load_id=load_id, how="not_started", detail=detail, last_ns=now_ns)

    def go(self, paces: dict[str, Pace]) -> None:
        """Let loads work at their pace."""
        for load_id, pace in paces.items():
            if load_id in self._desks:
                self._desks[load_id].pace = pace
                self._desks[load_id].due_ns = pace.start_ns

    def finish(self, load_ids: Sequence[str]) -> None:
        """Let loads check what is unchecked."""
        for load_id in load_ids:
            desk = self._desks.get(load_id)
            if desk is None:
                continue
            result = desk.session.finish()
            self._wrong(desk, result)
            while not result.settled:
                result = desk.session.finish()
                self._wrong(desk, result)
            desk.pace = None
            self._news.append(JobSettled(load_id=load_id))

    def stop(self, load_ids: Sequence[str]) -> None:
        """Close loads."""
        for load_id in load_ids:
            desk = self._desks.pop(load_id, None)
            if desk is not None:
                desk.session.close()
                self._news.append(self._gone(load_id))
        self._tell_load()

    def kill(self) -> int:
        """Close every load."""
        self.stop(list(self._desks))
        return self._clock.mono_ns()

    def wait(self, until_ns: int) -> list[News]:
        """Move the clock to the next thing that happens, at most to ``until_ns``, and return what happened."""
        if self._news:
            return self._take()
        self._tell_load()
        due_ns = min([until_ns, *(ear.due_ns for ear in self._ears), *self._working_due()])
        self._clock.sleep_until(due_ns)
        now_ns = self._clock.mono_ns()
        self._operator(now_ns)
        for desk in self._desks.values():
            self._step(desk, now_ns)
        for ear in self._ears:
            if ear.due_ns <= now_ns:
                self._sweep(ear, now_ns)
        return self._take()

    def _working_due(self) -> list[int]:
        return [desk.due_ns for desk in self._desks.values() if desk.pace is not None]

    def _take(self) -> list[News]:
        news, self._news = self._news, []
        return news

    def _operator(self, now_ns: int) -> None:
        at_s = self._script.operator_at_s
        if at_s is not None and not self._asked and now_ns - self._start_ns >= at_s * 1e9:
            self._asked = True
            self._news.append(OperatorAsked(signal="SIGINT"))

    def _step(self, desk: _Desk, now_ns: int) -> None:
        if desk.pace is None or desk.due_ns > now_ns:
            return
        desk.due_ns += STEPS_EVERY_NS
        if not desk.pace.active(now_ns):
            desk.due_ns = max(desk.pace.next_change_ns(now_ns), now_ns + 1_000_000)
            return
        for _ in range(self._script.steps.get(desk.job.load, 1)):
            result = desk.session.step()
            desk.tally.add(result)
            self._wrong(desk, result)
        self._news.append(
            JobProgress(
                load_id=desk.job.load_id,
                steps=desk.tally.steps,
                amount=desk.tally.amount,
                digest=desk.tally.digest,
                checkpoints=desk.tally.take_points(),
            )
        )

    def _wrong(self, desk: _Desk, result: StepResult) -> None:
        for fault in result.faults:
            self._news.append(
                JobWrong(
                    load_id=desk.job.load_id, fault=fault.kind, step=fault.step, values=dict(fault.values)
                )
            )

    def _sweep(self, ear: _Ear, now_ns: int) -> None:
        late_ns = now_ns - ear.due_ns
        readings, changes = ear.sweeper.sweep()
        swept = Swept(
            at_ns=now_ns,
            late_ns=late_ns,
            took_ns=0,
            values=tuple(reading.value for reading in readings),
            quality=tuple(reading.quality for reading in readings),
            changes=changes,
        )
        ear.due_ns += ear.period_ns
        self._news.append(SweepTaken(watch=ear.watch, swept=swept))

    def _tell_load(self) -> None:
        now_ns = self._clock.mono_ns()
        busy = [desk for desk in self._desks.values() if desk.pace is not None and desk.pace.active(now_ns)]
        memory = [desk for desk in busy if self._loads[desk.job.load].spec.resource == "memory"]
        cores = max((desk.job.places for desk in busy), default=1)
        share = (min(1.0, len(busy) / cores), min(1.0, len(memory) / cores))
        if share != self._told:
            self._told = share
            self._script.on_load(*share)

    def end(self) -> None:
        """Close everything."""
        self.kill()
        for ear in self._ears:
            ear.sweeper.close()
        self._ears.clear()
