from __future__ import annotations

from collections import deque
from pathlib import Path

import pytest
from conftest_engine import FakeLoad, FakeSource, ToldBench, Watcher, swept, temperature

from burnin.engine.messages import Checkpoint
from burnin.engine.news import (
    JobGone,
    JobProgress,
    JobSettled,
    JobWrong,
    OperatorAsked,
    SamplerGone,
    SweepTaken,
)
from burnin.engine.prepare import Places, survey
from burnin.engine.recorder import Recorder
from burnin.engine.supervisor import Assignment, Supervisor
from burnin.host.simulated import SimulatedHost
from burnin.journal.reader import read_run
from burnin.journal.writer import JournalWriter
from burnin.records.events import (
    Anchor,
    FaultFound,
    LoadEnded,
    LoadsOff,
    LoadStarted,
    OperatorStopped,
    RunClosed,
    RunOpened,
    SafetyTripped,
    SamplingTrouble,
    Software,
    StageEnded,
    Sweep,
)
from burnin.records.inventory import CpuCore, CpuPart, Inventory
from burnin.records.plan import LoadUse, Plan, Stage

S = 1_000_000_000
IDLE = Stage(name="idle", kind="idle", duration_s=2)
SOAK = Stage(name="soak", kind="soak", duration_s=5, loads=(LoadUse(load="spin"),))


class Rig:
    """A supervisor with everything around it told what to say."""

    def __init__(self, tmp_path: Path, clock, *stages: Stage, channels=(), **plan) -> None:
        self.clock = clock
        self.host = SimulatedHost(clock=clock)
        self.plan = Plan(format=1, name="p", title="P", stages=stages or (SOAK,), **plan)
        self.bench = ToldBench(clock)
        self.watcher = Watcher()
        self.folder = tmp_path
        self.writer = JournalWriter(tmp_path, clock=clock)
        self.recorder = Recorder(self.writer, clock, self.watcher)
        anchor = Anchor(wall_ns=0, utc_offset_s=0, mono_ns=clock.mono_ns(), boot_ns=0)
        self.recorder.note(
            RunOpened(
                journal_format=1,
                run_id="r",
                anchor=anchor,
                software=Software(burnin="0", python="3"),
                plan=self.plan,
                plan_sha256="0",
            )
        )
        found = survey(self.host, {"fake": FakeSource(channels)}, self.plan)
        self.recorder.note(found.described)
        self.task = Assignment(
            run_id="r",
            plan=self.plan,
            seed=42,
            host=self.host,
            inventory=Inventory(cpu=CpuPart(cores=(CpuCore(cpu=0, core=5), CpuCore(cpu=1, core=6)))),
            survey=found,
            specs={"spin": FakeLoad().spec},
            places=lambda: Places(cpus=(0, 1), available_bytes=4 << 30),
        )

    def run(self) -> str:
        reason = Supervisor(self.task, self.bench, self.recorder, self.watcher).run()
        assert self.recorder.close()
        return reason

    def view(self):
        return read_run(self.folder)


@pytest.fixture
def rig(tmp_path, clock):
    return lambda *stages, **fields: Rig(tmp_path, clock, *stages, **fields)


def test_a_quiet_run_goes_through_its_stages_and_closes(rig) -> None:
    made = rig(IDLE, SOAK)
    assert made.run() == "complete"
    view = made.view()
    assert [span.reason for span in view.stage_spans()] == ["time", "time"]
    assert view.closed.reason == "complete"
    starts = [event for _, event in view.of(LoadStarted)]
    assert [(event.core, event.physical, event.pid) for event in starts] == [(0, 5, 7), (1, 6, 7)]
    assert starts[0].seed == starts[1].seed
    ended = made.watcher.of(LoadEnded)
    assert all(event.planned and event.how == "stopped" for event in ended)
    (off,) = made.watcher.of(LoadsOff)
    assert off.loads == 2
    assert made.bench.calls[-1] == ("end",)
    assert made.watcher.snapshots[-1].state == "over"


def test_loads_are_asked_to_check_what_is_unchecked_before_they_are_stopped(rig) -> None:
    made = rig()
    made.bench.script = deque([[] for _ in range(40)])
    made.run()
    names = [call[0] for call in made.bench.calls]
    assert names.index("finish") < names.index("stop")


def test_a_settled_load_is_not_waited_for(rig, clock) -> None:
    made = rig()

    def settle(bench):
        return [JobSettled(load_id=job.load_id) for job in bench.jobs]

    made.bench.script = deque([[], settle])
    assert made.run() == "complete"
    assert "finish" not in [call[0] for call in made.bench.calls]


def test_sweeps_carry_values_and_work(rig) -> None:
    made = rig(SOAK, channels=(temperature(),))

    def sweep(bench):
        first = bench.jobs[0].load_id
        progress = JobProgress(load_id=first, steps=3, amount=6.0, digest=255)
        at_ns = bench.clock.mono_ns()
        return [progress, SweepTaken(watch=False, swept=swept(at_ns, 55.5))]

    made.bench.script = deque([sweep])
    made.run()
    view = made.view()
    assert view.values[0, 0] == 55.5
    assert view.work["1.spin.0"].amount[0] == 6.0
    assert made.watcher.snapshots[0].values == (55.5,)


def wrong(bench):
    return [JobWrong(load_id=bench.jobs[1].load_id, fault="wrong_result", step=9, values={"found": "0x1"})]


def test_a_wrong_result_is_journaled_and_the_run_goes_on(rig) -> None:
    made = rig(SOAK, IDLE)
    made.bench.script = deque([wrong])
    assert made.run() == "complete"
    (fault,) = made.watcher.of(FaultFound)
    assert (fault.core, fault.step, fault.fault, fault.load) == (1, 9, "wrong_result", "spin")
    assert made.view().closed.faults == 1


def test_a_plan_can_end_the_run_with_the_first_wrong_result(rig) -> None:
    made = rig(SOAK, IDLE, on_fault="stop")
    made.bench.script = deque([wrong, wrong])
    assert made.run() == "fault"
    assert [span.reason for span in made.view().stage_spans()] == ["fault"]


def test_cores_that_disagree_are_a_fault(rig) -> None:
    made = rig()

    def differ(bench):
        return [
            JobProgress(
                load_id=job.load_id,
                steps=16,
                amount=1.0,
                digest=number,
                checkpoints=(Checkpoint(step=16, digest=number),),
            )
            for number, job in enumerate(bench.jobs)
        ]

    made.bench.script = deque([differ])
    made.run()
    (fault,) = made.watcher.of(FaultFound)
    assert fault.fault == "disagreement"
    assert fault.values["who"] == "core 0 or core 1"


def test_a_load_that_dies_is_not_planned_and_the_other_goes_on(rig) -> None:
    made = rig()

    def die(bench):
        job = bench.jobs.pop(0)
        return [JobGone(load_id=job.load_id, how="signal", code=9, detail="SIGKILL", last_ns=1)]

    made.bench.script = deque([die])
    assert made.run() == "complete"
    first, second = made.watcher.of(LoadEnded)
    assert (first.how, first.code, first.planned) == ("signal", 9, False)
    assert second.planned


def test_the_operator_ends_the_run_without_finishing_checks(rig) -> None:
    made = rig(SOAK, IDLE)
    made.bench.script = deque([[], [OperatorAsked(signal="SIGINT")], [OperatorAsked(signal="SIGTERM")]])
    assert made.run() == "operator"
    assert [event.signal for event in made.watcher.of(OperatorStopped)] == ["SIGINT"]
    assert "finish" not in [call[0] for call in made.bench.calls]
    assert made.view().closed.reason == "operator"


def test_the_operator_can_stop_a_run_while_loads_open(rig) -> None:
    made = rig()
    made.bench.start = lambda jobs: made.bench.soon.append(OperatorAsked(signal="SIGHUP"))
    assert made.run() == "operator"


def hot(bench):
    return [SweepTaken(watch=True, swept=swept(bench.clock.mono_ns(), 97.0))]


def test_a_crossing_reading_kills_the_loads_before_it_is_written(rig) -> None:
    made = rig(SOAK, IDLE, channels=(temperature(),))
    made.bench.script = deque([hot, hot])
    assert made.run() == "safety"
    (trip,) = made.watcher.of(SafetyTripped)
    assert (trip.why, trip.value, trip.limit) == ("value", 97.0, 95.0)
    (off,) = made.watcher.of(LoadsOff)
    assert (off.off_ns - off.requested_ns) / S < 0.5
    kinds = [type(event) for event in made.watcher.events]
    assert made.bench.calls[-2] == ("kill",)
    assert kinds.index(SafetyTripped) < kinds.index(LoadsOff)
    assert [event.how for event in made.watcher.of(LoadEnded)] == ["killed", "killed"]
    assert all(event.planned for event in made.watcher.of(LoadEnded))
    assert [event.reason for event in made.watcher.of(StageEnded)] == ["safety"]


def test_a_trip_while_idle_ends_the_run_too(rig) -> None:
    made = rig(IDLE, SOAK, channels=(temperature(),))
    made.bench.script = deque([hot])
    assert made.run() == "safety"
    assert made.watcher.of(LoadsOff) == []


def test_a_watch_that_dies_or_falls_silent_stops_the_loads(rig) -> None:
    made = rig(channels=(temperature(),))
    made.bench.script = deque([[SamplerGone(watch=True, detail="exit 1")]])
    assert made.run() == "safety"
    assert made.watcher.of(SafetyTripped)[0].why == "watch_lost"


def test_a_watch_that_says_nothing_stops_the_loads(tmp_path, clock) -> None:
    made = Rig(
        tmp_path,
        clock,
        Stage(name="s", kind="soak", duration_s=60, loads=SOAK.loads),
        channels=(temperature(),),
    )
    made.bench.silent_watch = True
    assert made.run() == "safety"
    assert made.watcher.of(SafetyTripped)[0].why == "watch_lost"
    assert made.watcher.of(LoadStarted) == []


def test_a_watch_that_falls_silent_during_a_stage_stops_the_loads(tmp_path, clock) -> None:
    made = Rig(
        tmp_path,
        clock,
        Stage(name="s", kind="soak", duration_s=60, loads=SOAK.loads),
        channels=(temperature(),),
    )

    def fall_silent(bench):
        bench.silent_watch = True
        return []

    made.bench.script = deque([fall_silent])
    assert made.run() == "safety"
    assert made.watcher.of(SafetyTripped)[0].why == "watch_lost"
    assert made.watcher.of(LoadsOff)


def test_a_sampler_that_dies_is_started_again_three_times(rig) -> None:
    made = rig()
    made.bench.script = deque([[SamplerGone(watch=False, detail="x")] for _ in range(5)])
    assert made.run() == "complete"
    restarts = [call for call in made.bench.calls if call[0] == "start_sampling"]
    assert len(restarts) == 4
    assert [event.what for event in made.watcher.of(SamplingTrouble)].count("restarted") == 3
    assert restarts[1][2].columns == ()


def test_a_stage_can_end_when_the_temperature_is_steady(tmp_path, clock) -> None:
    stage = Stage(
        name="s", kind="soak", until="steady", at_least_s=60, at_most_s=3000, loads=(LoadUse(load="spin"),)
    )
    made = Rig(tmp_path, clock, stage, channels=(temperature(role="cpu_core"),))
    made.task = type(made.task)(**{**made.task.__dict__, "survey": _unwatched(made.task.survey)})

    def sweep(bench):
        return [SweepTaken(watch=False, swept=swept(bench.clock.mono_ns(), 50.0))]

    made.bench.script = deque([sweep] * 40_000)
    assert made.run() == "complete"
    (span,) = made.view().stage_spans()
    assert span.reason == "steady"
    assert 600 <= span.span_s < 700


def _unwatched(found):
    return type(found)(**{**found.__dict__, "watched": ()})


def test_a_condition_never_met_ends_at_the_longest_time(rig) -> None:
    stage = Stage(
        name="s", kind="soak", until="steady", at_least_s=1, at_most_s=3, loads=(LoadUse(load="spin"),)
    )
    made = rig(stage)
    made.run()
    assert [span.reason for span in made.view().stage_spans()] == ["longest"]


def test_loads_that_do_not_go_are_left_to_the_bench_after_five_seconds(rig) -> None:
    made = rig()
    made.bench.silent_stop = True
    assert made.run() == "complete"
    (off,) = made.watcher.of(LoadsOff)
    assert (off.reaped_ns - off.requested_ns) / S == pytest.approx(5.0, abs=0.1)


def test_snapshots_name_what_every_load_does(rig) -> None:
    made = rig(channels=(temperature(),))
    sweep = lambda bench: [SweepTaken(watch=False, swept=swept(bench.clock.mono_ns(), 50.0))]  # noqa: E731

    def die(bench):
        job = bench.jobs.pop(0)
        return [JobGone(load_id=job.load_id, how="hung", last_ns=1), *sweep(bench)]

    made.bench.start_real = made.bench.start

    def start(jobs):
        made.bench.start_real(jobs)
        made.bench.soon = [*sweep(made.bench), *made.bench.soon]

    made.bench.start = start
    made.bench.script = deque([sweep, die])
    made.run()
    states = [[line.state for line in snapshot.loads] for snapshot in made.watcher.snapshots]
    assert ["opening", "opening"] in states
    assert ["working", "working"] in states
    assert ["hung", "working"] in states
    assert made.watcher.snapshots[1].trips == {"fake/cpu": 95.0}


def test_the_last_line_counts_sweeps(rig) -> None:
    made = rig(channels=(temperature(),))
    made.bench.script = deque(
        [lambda bench: [SweepTaken(watch=False, swept=swept(bench.clock.mono_ns(), 50.0))]]
    )
    made.run()
    assert made.watcher.of(RunClosed)[0].sweeps == 1
    assert made.watcher.of(Sweep) == []


def raising(bench):
    job = bench.jobs.pop(0)
    return [
        JobProgress(load_id=job.load_id, steps=7, amount=1.0, digest=0),
        JobGone(load_id=job.load_id, how="exception", detail="ValueError: odd", last_ns=1),
    ]


def again(*news):
    return lambda bench: [each("1.spin.0~again") if callable(each) else each for each in news]


@pytest.mark.parametrize(
    ("answer", "told"),
    [
        (
            lambda load_id: JobGone(load_id=load_id, how="exception", detail="x", last_ns=2),
            "replayed: same; Value",
        ),
        (
            lambda load_id: JobProgress(load_id=load_id, steps=40, amount=1.0, digest=0),
            "replayed: not repeated in 40 steps; Value",
        ),
        (
            lambda load_id: JobGone(load_id=load_id, how="signal", code=9, last_ns=2),
            "not replayed: the replay ended",
        ),
        (
            lambda load_id: JobProgress(load_id=load_id, steps=8, amount=1.0, digest=0),
            "not replayed: the stage ended",
        ),
    ],
)
def test_an_error_in_a_loads_own_code_is_replayed_on_the_same_core(rig, answer, told) -> None:
    made = rig()
    made.bench.script = deque([raising, [], again(answer), again(answer)])
    assert made.run() == "complete"
    (first, *_) = [event for event in made.watcher.of(LoadEnded) if event.how == "exception"]
    assert first.detail.startswith(told)
    assert (first.load_id, first.steps) == ("1.spin.0", 7)
    started = list(made.watcher.of(LoadStarted))
    assert all("~again" not in event.load_id for event in started)
    assert started[0].notes["resource"] == "cpu"


def test_long_plans_carry_totals_of_work_in_every_tenth_sweep(rig) -> None:
    import msgspec

    made = rig(SOAK, channels=(temperature(),))
    longer = msgspec.structs.replace(
        made.plan, stages=(*made.plan.stages, Stage(name="z", kind="idle", duration_s=90_000))
    )
    made.task = type(made.task)(**{**made.task.__dict__, "plan": longer})

    def sweep(bench):
        at_ns = bench.clock.mono_ns()
        return [
            SweepTaken(watch=True, swept=swept(at_ns, 50.0)),
            SweepTaken(watch=False, swept=swept(at_ns, 50.0)),
        ]

    made.bench.script = deque([*[sweep] * 25, [OperatorAsked(signal="SIGINT")]])
    made.run()
    view = made.view()
    assert len(view.t_ns) == 25
    assert len(view.work["1.spin.0"].t_ns) == 3
