"""Runs a plan stage by stage. Loads stop first; the journal is written beside that and never waited for in a stop."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from burnin.engine.agreement import Agreement, disagreement, wrong_result
from burnin.engine.asides import Moment
from burnin.engine.assignment import Assignment
from burnin.engine.clockwork import ClockWatch
from burnin.engine.news import (
    Bench,
    Job,
    JobGone,
    JobProgress,
    JobReady,
    JobSettled,
    JobWrong,
    News,
    OperatorAsked,
    SamplerGone,
    Sampling,
    SweepTaken,
)
from burnin.engine.observer import Observer
from burnin.engine.prepare import jobs_of
from burnin.engine.pulses import PulseLog
from burnin.engine.recorder import Recorder
from burnin.engine.replay import Replays
from burnin.engine.retrial import Retrials
from burnin.engine.roster import Loads, LoadState
from burnin.engine.safety import WATCH_STARTS_NS, SafetyRules
from burnin.engine.schedule import Pace, pace_of
from burnin.engine.seats import seats_of
from burnin.engine.standing import Place, snapshot_of
from burnin.engine.steadiness import Steadiness
from burnin.engine.sweeps import SweepKeeper
from burnin.records.events import (
    AnyEvent,
    FaultFound,
    LoadsOff,
    OperatorStopped,
    RunClosed,
    SafetyTripped,
    SamplingTrouble,
    StageEnded,
    StageOpening,
    StageStarted,
)
from burnin.records.plan import Stage

DURABLE_S: Final = 30.0
"""How long a planned step waits for its line to be on disk before it goes on without."""

LONG_RUN_S: Final = 12 * 3600.0
SPARSE_WORK: Final = 10
"""In plans longer than this, totals of work stand in every tenth sweep: 72 h with 16 loads stay under 200 MB."""

_TICK_NS: Final = 100_000_000
_OFF_NS: Final = 5_000_000_000
_RESTARTS: Final = 3


class Supervisor:
    """The run's main loop.

    Args:
        assignment: What to run, on what.
        bench: Workers and samplers.
        recorder: The journal.
        observer: Who watches.
    """

    def __init__(self, assignment: Assignment, bench: Bench, recorder: Recorder, observer: Observer) -> None:
        self._task = assignment
        self._bench = bench
        self._recorder = recorder
        self._observer = observer
        self._clock = assignment.host.clock
        self._loads = Loads()
        self._agreement = Agreement(())
        self._replays = Replays()
        self._seats = seats_of(assignment.inventory)
        self._retrials = Retrials(self._agreement, (), self._seats)
        self._pulses = PulseLog(())
        survey = assignment.survey
        self._safety = SafetyRules(
            survey.watched, survey.trips, now_ns=self._clock.mono_ns() + WATCH_STARTS_NS
        )
        self._sweeps = SweepKeeper(survey.described.channels, 1 / assignment.plan.sample_hz)
        self._clocks = ClockWatch(self._clock)
        self._steadiness = Steadiness(survey.described.channels)
        self._halt = ""
        self._stopping = False
        self._stage_index = -1
        self._stage_end_ns = 0
        self._stage_span_ns = (0, 0)
        self._state = "running"
        self._restarts = 0
        self._work_every = SPARSE_WORK if assignment.plan.longest_s > LONG_RUN_S else 1
        self._physical = {core.cpu: core.core for core in assignment.inventory.cpu.cores}
        self._heard: Mapping[type, Callable[[Any], None]] = {
            JobReady: self._on_ready,
            JobProgress: self._on_progress,
            JobWrong: self._on_wrong,
            JobSettled: self._on_settled,
            JobGone: self._on_gone,
            SweepTaken: self._on_sweep,
            SamplerGone: self._on_sampler_gone,
            OperatorAsked: self._on_operator,
        }

    def run(self) -> str:
        """Run all stages; return the reason of the run's end as journaled."""
        survey = self._task.survey
        self._bench.start_sampling(survey.run, survey.watch)
        try:
            while (
                survey.watched and not self._safety.heard and not self._halt
            ):  # no load before somebody watches
                self._listen(self._clock.mono_ns() + _TICK_NS)
            for index, stage in enumerate(self._task.plan.stages):
                if self._halt:
                    break
                self._run_stage(index, stage)
        finally:
            self._bench.end()
        reason = self._halt or "complete"
        self._state = "over"
        self._show()
        for aside in self._task.asides:
            for event in aside.end():
                self._recorder.note(event)
        self._recorder.note(
            RunClosed(reason=reason, sweeps=self._recorder.sweeps, faults=self._recorder.faults)
        )
        return reason

    def _run_stage(self, index: int, stage: Stage) -> None:
        self._stage_index, self._stopping, self._state = index, False, "running"
        self._stage_span_ns = (0, 0)
        self._stage_end_ns = self._clock.mono_ns() + round(stage.longest_s * 1e9)
        paces = self._open_loads(index, stage) if stage.loads else lambda _: {}
        if self._halt:
            self._close_loads(self._halt)
            return
        self._planned(StageStarted(index=index, name=stage.name))
        reason = self._let_run(stage, paces)
        self._close_loads(reason)
        for measured in self._pulses.measured(index):
            self._recorder.note(measured)
        self._recorder.note(StageEnded(index=index, name=stage.name, reason=reason))
        self._state = "checking"
        for event in self._retrials.hold(self._bench, self._clock, self._listen, self._must_end):
            self._recorder.note(event)

    def _must_end(self) -> bool:
        return self._halt not in {"", "fault"}

    def _planned(self, event: AnyEvent) -> None:
        """Write an event and go on once it is on disk; a stop does not wait for that."""
        receipt = self._recorder.note(event)
        deadline_ns = self._clock.mono_ns() + round(DURABLE_S * 1e9)
        while (
            not self._recorder.durable(receipt, 0.02)
            and self._clock.mono_ns() < deadline_ns
            and not self._halt
        ):
            self._listen(self._clock.mono_ns())

    def _open_loads(self, index: int, stage: Stage) -> Callable[[int], dict[str, Pace]]:
        self._planned(StageOpening(index=index, name=stage.name))
        jobs = jobs_of(stage, index, self._task.specs, self._task.places(), run_seed=self._task.seed)
        self._loads = Loads(states={job.load_id: LoadState(job=job, stage=index) for job in jobs})
        self._agreement, self._replays = Agreement(jobs, self._seats), Replays()
        self._retrials = Retrials(self._agreement, jobs, self._seats)
        self._pulses = PulseLog(jobs)
        self._state = "opening"
        if not self._halt:
            self._bench.start(jobs)
        while self._loads.opening and not self._halt:  # the bench buries those that never open
            self._listen(self._clock.mono_ns() + _TICK_NS)
        self._state = "running"
        return lambda start_ns: {job.load_id: _pace(stage, job, start_ns) for job in jobs}

    def _let_run(self, stage: Stage, paces: Callable[[int], dict[str, Pace]]) -> str:
        start_ns = self._clock.mono_ns() + 20_000_000
        self._bench.go(paces(start_ns))
        self._stage_end_ns = start_ns + round(stage.longest_s * 1e9)
        shortest_s = stage.at_least_s if stage.until else stage.longest_s
        self._stage_span_ns = (start_ns, start_ns + round(shortest_s * 1e9))
        self._steadiness.begin(start_ns)
        return self._hold(stage)

    def _hold(self, stage: Stage) -> str:
        """Let the stage run; return why it ended."""
        while not self._halt:
            now_ns = self._clock.mono_ns()
            if now_ns >= self._stage_end_ns:
                return "longest" if stage.until else "time"
            if stage.until and self._steadiness.reached(now_ns, stage.at_least_s):
                return "steady"
            self._listen(min(self._stage_end_ns, now_ns + _TICK_NS))
        return self._halt

    def _close_loads(self, reason: str) -> None:
        planned = reason in {"time", "steady", "longest"}
        if planned and self._loads.unsettled:
            self._finish_checks()
        if self._replays.running:
            self._bench.stop(self._replays.running)
        for ended in self._replays.give_up():
            self._recorder.note(ended)
        if self._loads.living:
            self._stop_loads(reason if planned else self._halt)
        self._loads = Loads()

    def _finish_checks(self) -> None:
        self._state = "checking"
        waiting = self._loads.unsettled
        self._bench.finish(waiting)
        longest_s = max(self._loads.states[load_id].job.longest_finish_s for load_id in waiting)
        deadline_ns = self._clock.mono_ns() + round((longest_s + 2.0) * 1e9)
        while self._loads.unsettled and not self._halt and self._clock.mono_ns() < deadline_ns:
            self._listen(self._clock.mono_ns() + _TICK_NS)

    def _stop_loads(self, reason: str) -> None:
        self._stopping, self._state = True, "stopping"
        requested_ns = self._clock.mono_ns()
        count = len(self._loads.living)
        self._bench.stop(self._loads.living)
        self._await_off(reason, requested_ns, count)

    def _await_off(self, reason: str, requested_ns: int, count: int) -> None:
        deadline_ns = requested_ns + _OFF_NS
        while self._loads.living and self._clock.mono_ns() < deadline_ns:
            self._listen(self._clock.mono_ns() + 20_000_000)
        reaped_ns = self._clock.mono_ns()
        gone = [state.gone.last_ns for state in self._loads.states.values() if state.gone is not None]
        off_ns = max([each for each in gone if each >= requested_ns], default=requested_ns)
        self._recorder.note(
            LoadsOff(
                reason=reason, requested_ns=requested_ns, off_ns=off_ns, reaped_ns=reaped_ns, loads=count
            )
        )

    def _listen(self, until_ns: int) -> None:
        for news in self._bench.wait(until_ns):
            self._hear(news)
        trip = self._safety.silent(self._clock.mono_ns())
        if trip is not None:
            self._trip(trip)
        for trouble in self._sweeps.overdue(self._clock.mono_ns()):
            self._recorder.note(trouble)
        if not self._stopping:
            self._ask_asides()

    def _ask_asides(self) -> None:
        start_ns, end_ns = self._stage_span_ns
        now_ns = self._clock.mono_ns()
        moment = Moment(now_ns=now_ns, stage=self._stage_index, start_ns=start_ns, end_ns=end_ns)
        for aside in self._task.asides:
            for event in aside.look(moment):
                self._recorder.note(event)

    def _hear(self, news: News) -> None:
        if self._replays.concerns(news):
            self._on_replay(news)
        elif self._retrials.concerns(news):
            self._retrials.hear(news, self._bench, self._clock.mono_ns())
        else:
            self._heard[type(news)](news)

    def _on_replay(self, news: News) -> None:
        order, ended = self._replays.hear(news)
        load_id = getattr(news, "load_id", "")
        if order == "go":
            self._bench.go({load_id: Pace(start_ns=self._clock.mono_ns())})
        elif order == "stop":
            self._bench.stop([load_id])
        if ended is not None:
            self._recorder.note(ended)

    def _on_ready(self, news: JobReady) -> None:
        job = self._loads.states[news.load_id].job
        physical = None if job.core is None else self._physical.get(job.core)
        self._recorder.note(self._loads.started(news, physical, self._task.specs[job.load].resource))

    def _on_progress(self, news: JobProgress) -> None:
        self._loads.progressed(news)
        self._pulses.hear(news.load_id, news.edges)
        for job, values in self._agreement.hear(news.load_id, news.checkpoints):
            self._fault(disagreement(job, self._stage_index, values))

    def _on_wrong(self, news: JobWrong) -> None:
        self._fault(wrong_result(self._loads.states[news.load_id].job, self._stage_index, news))

    def _fault(self, event: FaultFound) -> None:
        self._loads.states[event.load_id].faults += 1
        self._recorder.note(event)
        self._retrials.suspect(event)
        if self._task.plan.on_fault == "stop" and not self._halt:
            self._halt = "fault"

    def _on_settled(self, news: JobSettled) -> None:
        self._loads.states[news.load_id].settled = True

    def _on_gone(self, news: JobGone) -> None:
        ended = self._loads.ended(news, planned=self._stopping)
        self._agreement.leave(news.load_id)
        if news.how == "exception" and not self._stopping and not self._halt:
            state = self._loads.states[news.load_id]
            self._bench.start([self._replays.begin(state.job, ended, steps=state.steps)])
        else:
            self._recorder.note(ended)

    def _on_sweep(self, news: SweepTaken) -> None:
        if news.watch:
            trip = self._safety.check(news.swept)
            if trip is not None:
                self._trip(trip)
            return
        work = () if self._recorder.sweeps % self._work_every else self._loads.work()
        for event in self._sweeps.take(news.swept, work):
            self._recorder.note(event, at_ns=news.swept.at_ns)
        for step in self._clocks.look():
            self._recorder.note(step)
        self._steadiness.take(news.swept)
        self._show()

    def _trip(self, trip: SafetyTripped) -> None:
        if self._halt == "safety":
            return
        living = len(self._loads.living)
        requested_ns = self._clock.mono_ns()
        self._stopping, self._state = True, "stopping"
        self._bench.kill()
        self._halt = "safety"
        self._recorder.note(trip)
        if living:
            self._await_off("safety", requested_ns, living)

    def _on_sampler_gone(self, news: SamplerGone) -> None:
        if news.watch:
            self._trip(SafetyTripped(why="watch_lost", read_ns=self._clock.mono_ns(), detail=news.detail))
            return
        self._recorder.note(SamplingTrouble(what="ended", detail=news.detail))
        if self._restarts < _RESTARTS:
            self._restarts += 1
            self._bench.start_sampling(self._task.survey.run, Sampling())
            self._recorder.note(
                SamplingTrouble(what="restarted", detail=f"try {self._restarts} of {_RESTARTS}")
            )

    def _on_operator(self, news: OperatorAsked) -> None:
        if not self._halt:
            self._halt = "operator"
            self._recorder.note(OperatorStopped(signal=news.signal))

    def _show(self) -> None:
        place = Place(
            stage=self._stage_index,
            state=self._state,
            left_s=(self._stage_end_ns - self._clock.mono_ns()) / 1e9,
            elapsed_s=self._recorder.elapsed_s,
            faults=self._recorder.faults,
        )
        task = self._task
        self._observer.snapshot(
            snapshot_of(task.run_id, task.plan, task.survey, place, (self._sweeps.last_good, self._loads))
        )


def _pace(stage: Stage, job: Job, start_ns: int) -> Pace:
    return pace_of(stage.shape, start_ns=start_ns, place=job.place, places=job.places)
