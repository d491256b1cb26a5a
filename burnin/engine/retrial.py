"""After a stage: work with a wrong result is done once more on the cores concerned, so that the one that is wrong is named.

First the same work again (opening a load checks its known answers), then work of a third seed. A core is named when cores
of two seats agree against it, when it contradicts itself, or when its own check fails; else the finding keeps "core A or B".
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Final

from burnin.engine.agreement import Agreement
from burnin.engine.news import Bench, Job, JobGone, JobProgress, JobReady, JobWrong, News
from burnin.engine.prepare import seed_for
from burnin.engine.schedule import Pace
from burnin.engine.seats import Seat, seat_name
from burnin.engine.tally import WINDOW_STEPS
from burnin.engine.verdict_on_cores import Results, accused, right_result
from burnin.host.protocol import Clock
from burnin.records.events import FaultFound, FaultRetried
from burnin.records.load_events import RetryKind

MOST_CASES: Final = 4
"""Wrong results of one stage that are gone into; further ones of the same load instance tell nothing new."""

PHASE_S: Final = 60.0
"""Longest time for one repetition: opening the load and two windows of steps."""

_NOT_ABOUT_A_CORE: Final = frozenset({"memory_word", "rate_implausible", "storage_block"})
_WINDOWS: Final = 2


@dataclass(kw_only=True)
class _Case:
    """One wrong result that is gone into."""

    fault: FaultFound
    jobs: tuple[Job, ...]
    results: Results = field(default_factory=Results)
    repeated: Results = field(default_factory=Results)
    until: dict[str, int] = field(default_factory=dict)
    living: dict[str, Job] = field(default_factory=dict)

    @property
    def waiting(self) -> bool:
        """Some repetition is not over."""
        return bool(self.living)

    def phases(self) -> Iterator[tuple[Job, ...]]:
        """Yield the jobs of the same work again, then those of a third seed."""
        step = self.fault.step
        first = (step - 1 if self.fault.fault == "disagreement" else step) // WINDOW_STEPS * WINDOW_STEPS
        third = seed_for(self.jobs[0].seed, "third")
        for name, seed, start in (("same", self.jobs[0].seed, first), ("third", third, 0)):
            again = [
                replace(job, load_id=f"{job.load_id}~{name}", seed=seed, first_step=start)
                for job in self.jobs
            ]
            self.until = {job.load_id: start + _WINDOWS * WINDOW_STEPS for job in again}
            self.living = {job.load_id: job for job in again}
            yield tuple(again)


class Retrials:
    """The wrong results of one stage that may be a core's fault.

    Args:
        agreement: Who did the same work.
        jobs: The load instances of the stage.
        seats: Logical CPU to seat.
    """

    def __init__(self, agreement: Agreement, jobs: tuple[Job, ...], seats: Mapping[int, Seat]) -> None:
        self._agreement = agreement
        self._jobs = {job.load_id: job for job in jobs}
        self._seats = seats
        self._cases: dict[str, _Case] = {}
        self._open: _Case | None = None

    def _seat(self, core: int) -> str:
        return seat_name(core, self._seats)

    def suspect(self, fault: FaultFound) -> None:
        """Take up a wrong result, unless it says nothing about a core or enough is known already."""
        job = self._jobs[fault.load_id]
        if fault.fault in _NOT_ABOUT_A_CORE or job.core is None or not job.compare_digests:
            return
        if fault.load_id in self._cases or len(self._cases) >= MOST_CASES:
            return
        answers = self._agreement.answers(fault.load_id, fault.step)
        jobs = [self._jobs[each] for each in answers] or [job]
        case = _Case(fault=fault, jobs=(*jobs, *self._referee(jobs)))
        for load_id, digest in answers.items():
            core = self._jobs[load_id].core
            if core is not None:
                case.results.add((job.seed, fault.step), core, digest)
        self._cases[fault.load_id] = case

    def _referee(self, jobs: list[Job]) -> list[Job]:
        """Return a job on one more core of another seat and the same type, none where the machine has none."""
        first = jobs[0]
        used = {self._seat(job.core) for job in jobs if job.core is not None}
        for partner in self._agreement.partners(first.load_id):
            if partner.core is not None and self._seat(partner.core) not in used:
                return [partner]
        mine = self._seats.get(-1 if first.core is None else first.core)
        for cpu, seat in self._seats.items():
            if mine is not None and seat.kind == mine.kind and self._seat(cpu) not in used:
                about = f"{first.load_id.rpartition('.')[0]}.{cpu}"
                return [replace(first, load_id=about, core=cpu, instance=first.instances)]
        return []

    def concerns(self, news: News) -> bool:
        """Return whether news are about a repetition."""
        return self._open is not None and getattr(news, "load_id", "") in self._open.until

    def hear(self, news: News, bench: Bench, now_ns: int) -> None:
        """Take news of a repetition."""
        case = self._open
        job = None if case is None else case.living.get(getattr(news, "load_id", ""))
        if case is None or job is None or job.core is None:
            return
        if isinstance(news, JobReady):
            bench.go({job.load_id: Pace(start_ns=now_ns)})
        elif isinstance(news, JobWrong) and news.fault not in _NOT_ABOUT_A_CORE:
            case.results.wrong.add(job.core)
        elif isinstance(news, JobProgress):
            for point in news.checkpoints:
                case.results.add((job.seed, point.step), job.core, point.digest)
                case.repeated.add((job.seed, point.step), job.core, point.digest)
            if news.steps >= case.until[job.load_id]:
                bench.stop([job.load_id])
        elif isinstance(news, JobGone):
            del case.living[job.load_id]

    def hold(
        self, bench: Bench, clock: Clock, listen: Callable[[int], None], halted: Callable[[], bool]
    ) -> Iterator[FaultRetried]:
        """Repeat what was taken up, case by case, and yield what came of it.

        Args:
            bench: Workers.
            clock: Clock for the time limit.
            listen: Hears news up to a moment, and hands those of repetitions to ``hear``.
            halted: Whether the run has to end.
        """
        for case in self._cases.values():
            self._open = case
            for jobs in case.phases():
                if halted():
                    break
                bench.start(jobs)
                self._wait(case, PHASE_S, clock, (listen, halted))
                bench.stop(list(case.living))
                self._wait(case, 2.0, clock, (listen, halted))
                if accused(case.results, self._seat):
                    break
            yield self._outcome(case, stopped=halted())
        self._open = None

    def _wait(
        self,
        case: _Case,
        span_s: float,
        clock: Clock,
        doors: tuple[Callable[[int], None], Callable[[], bool]],
    ) -> None:
        listen, halted = doors
        deadline_ns = clock.mono_ns() + round(span_s * 1e9)
        while case.waiting and not halted() and clock.mono_ns() < deadline_ns:
            listen(min(deadline_ns, clock.mono_ns() + 100_000_000))

    def _outcome(self, case: _Case, *, stopped: bool) -> FaultRetried:
        fault = case.fault
        found = accused(case.results, self._seat)
        own = fault.core if fault.fault != "disagreement" else None
        seats = {self._seat(core) for core in found}
        core: int | None = None
        how: RetryKind = "not_repeated" if stopped else "undecided"
        if len(seats) > 1:
            how = "on_every_core" if case.results.wrong >= set(_cores(case)) else how
        elif found:
            core, how = next(iter(found.items()))
        elif own is not None:
            core, how = own, "own_check"
        elif fault.core is not None:
            core, how = fault.core, "outvoted"
        return FaultRetried(
            load_id=fault.load_id,
            load=fault.load,
            stage=fault.stage,
            step=fault.step,
            seed=fault.seed,
            cores=tuple(_cores(case)),
            core=core,
            how=how,
            came_back=bool(case.results.wrong) or self._differs_again(case),
            results=case.results.count,
        )

    def _differs_again(self, case: _Case) -> bool:
        """Return whether the repetitions differed, among each other or from what is right by all results."""
        for work, by_core in case.repeated.given.items():
            right = right_result(case.results.given[work], self._seat)
            given = {each for values in by_core.values() for each in values}
            if len(given) > 1 or (right is not None and given != {right}):
                return True
        return False


def _cores(case: _Case) -> list[int]:
    return [job.core for job in case.jobs if job.core is not None]
