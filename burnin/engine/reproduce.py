"""One load on one core again from a given step, beside a second core: does the wrong result come back?

No journal is written; the safety watch is on as in any run.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Final

from burnin.engine.agreement import Agreement, disagreement, wrong_result
from burnin.engine.news import (
    Bench,
    Job,
    JobGone,
    JobProgress,
    JobReady,
    JobWrong,
    News,
    OperatorAsked,
    SamplerGone,
    Sampling,
    SweepTaken,
)
from burnin.engine.prepare import Places, Survey, jobs_of
from burnin.engine.safety import WATCH_STARTS_NS, SafetyRules
from burnin.engine.schedule import pace_of
from burnin.engine.seats import Seat
from burnin.engine.tally import WINDOW_STEPS
from burnin.host.protocol import Clock
from burnin.plugin.contracts import LoadSpec
from burnin.records.events import FaultFound
from burnin.records.plan import LoadUse, Scalar, Shape, Stage

OPENING_S: Final = 120.0
"""Longest time for the loads to open."""

_TICK_NS: Final = 100_000_000


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """What to repeat.

    Attributes:
        load: Name of the load.
        params: Its parameters.
        cores: Logical CPU suspected, then those beside it; empty where the load runs on any.
        seed: Seed.
        step: Step of the wrong result; work begins with the window of steps that holds it.
        span_s: How long to go on.
        pulsed: Steps as short as pulsed shapes ask for, and pulses.
    """

    load: str
    params: dict[str, Scalar]
    cores: tuple[int, ...]
    seed: int
    step: int
    span_s: float
    pulsed: bool = False

    @property
    def stage(self) -> Stage:
        """The stage it amounts to."""
        use = LoadUse(load=self.load, cores=self.cores or "one", params=self.params)
        shape = Shape(kind="pulsed") if self.pulsed else Shape()
        return Stage(name="again", duration_s=self.span_s, shape=shape, loads=(use,))

    def jobs(self, spec: LoadSpec, places: Places) -> tuple[Job, ...]:
        """Return the load instances, with the seed and the step of the wrong result."""
        first = max(0, self.step - 1) // WINDOW_STEPS * WINDOW_STEPS
        made = jobs_of(self.stage, 0, {self.load: spec}, places, run_seed=0)
        return tuple(replace(job, seed=self.seed, first_step=first) for job in made)


@dataclass(kw_only=True)
class Reproduced:
    """What came of it.

    Attributes:
        faults: Wrong results, first to last.
        steps: Core to the last step done, None for a load of no core.
        trouble: Why it ended early, in plain words; empty when it did not.
        stopped: ``operator``, ``safety`` or empty.
    """

    faults: list[FaultFound] = field(default_factory=list)
    steps: dict[int | None, int] = field(default_factory=dict)
    trouble: str = ""
    stopped: str = ""


class Reproduction:
    """Runs it.

    Args:
        jobs: The load instances.
        wanted: What is repeated.
        bench: Workers.
        survey: Channels for the safety watch.
        clock: Clock.
    """

    def __init__(
        self, jobs: tuple[Job, ...], wanted: Wanted, *, bench: Bench, survey: Survey, clock: Clock
    ) -> None:
        self._jobs = {job.load_id: job for job in jobs}
        self._wanted, self._bench, self._survey, self._clock = wanted, bench, survey, clock
        self._safety = SafetyRules(survey.watched, survey.trips, now_ns=clock.mono_ns() + WATCH_STARTS_NS)
        self._agreement = Agreement(jobs)
        self._opening = set(self._jobs)
        self._living = set(self._jobs)
        self._done = Reproduced()

    def run(self, seats: Mapping[int, Seat]) -> Reproduced:
        """Open, work, stop; return what was found."""
        self._agreement = Agreement(tuple(self._jobs.values()), seats)
        self._bench.start_sampling(Sampling(), self._survey.watch)
        try:
            self._listen(OPENING_S, lambda: bool(self._survey.watched) and not self._safety.heard)
            if not self._over:
                self._bench.start(list(self._jobs.values()))
            self._listen(OPENING_S, lambda: bool(self._opening))
            if not self._over:
                self._go()
                self._listen(self._wanted.span_s, lambda: bool(self._living))
                self._bench.finish(list(self._living))
                self._listen(1.0, lambda: bool(self._living))
            self._bench.stop(list(self._living))
            self._listen(2.0, lambda: bool(self._living), heed=False)
        finally:
            self._bench.end()
        return self._done

    @property
    def _over(self) -> bool:
        return bool(self._done.stopped or self._done.trouble)

    def _go(self) -> None:
        start_ns = self._clock.mono_ns()
        shape = self._wanted.stage.shape
        self._bench.go(
            {
                each: pace_of(shape, start_ns=start_ns, place=job.place, places=job.places)
                for each, job in self._jobs.items()
            }
        )

    def _listen(self, span_s: float, more: Callable[[], bool], *, heed: bool = True) -> None:
        deadline_ns = self._clock.mono_ns() + round(span_s * 1e9)
        while more() and self._clock.mono_ns() < deadline_ns and not (heed and self._over):
            for news in self._bench.wait(min(deadline_ns, self._clock.mono_ns() + _TICK_NS)):
                self._hear(news)
            if self._safety.silent(self._clock.mono_ns()) is not None:
                self._stop("safety", "the safety watch fell silent")

    def _stop(self, why: str, words: str) -> None:
        if not self._done.stopped:
            self._done.stopped, self._done.trouble = why, words
            self._bench.kill()

    def _hear(self, news: News) -> None:
        match news:
            case JobReady():
                self._opening.discard(news.load_id)
            case JobProgress():
                self._on_progress(news)
            case JobWrong():
                self._done.faults.append(wrong_result(self._jobs[news.load_id], 0, news))
            case JobGone():
                self._on_gone(news)
            case SweepTaken(watch=True):
                trip = self._safety.check(news.swept)
                if trip is not None:
                    self._stop(
                        "safety", f"{trip.channel or 'safety watch'}: {trip.why} {trip.detail}".strip()
                    )
            case SamplerGone(watch=True):
                self._stop("safety", f"the safety watch ended: {news.detail}")
            case OperatorAsked():
                self._stop("operator", f"stopped by the operator ({news.signal})")
            case _:
                return

    def _on_progress(self, news: JobProgress) -> None:
        self._done.steps[self._jobs[news.load_id].core] = news.steps
        for job, values in self._agreement.hear(news.load_id, news.checkpoints):
            self._done.faults.append(disagreement(job, 0, values))

    def _on_gone(self, news: JobGone) -> None:
        self._living.discard(news.load_id)
        self._opening.discard(news.load_id)
        if news.how not in {"stopped", "killed"} and not self._done.trouble:
            self._done.trouble = f"{news.load_id}: {news.how.replace('_', ' ')}: {news.detail}".rstrip(": ")
