"""The repetition of a wrong result, on an inline bench with the faulty loads of the naming trials."""

from __future__ import annotations

from types import SimpleNamespace

import pytest
from conftest_engine import FakeSource, ToldBench, swept, temperature
from test_bad_core import SPEC, AlwaysOther, Machine, UnsureLoad

from burnin.engine.inline_bench import InlineBench, Script
from burnin.engine.news import JobGone, OperatorAsked, SamplerGone, SweepTaken
from burnin.engine.prepare import Places, survey
from burnin.engine.reproduce import Reproduction, Wanted
from burnin.engine.seats import Seat
from burnin.engine.tally import WINDOW_STEPS
from burnin.host.simulated import SimulatedClock, SimulatedHost
from burnin.records.plan import Plan

SEATS = {0: Seat(core=0), 1: Seat(core=1)}


def wanted(**fields) -> Wanted:
    about = {"load": "unsure", "params": {}, "cores": (0, 1), "seed": 42, "step": 1001, "span_s": 3.0}
    return Wanted(**about | fields)


def work(made: Wanted, *, load=None, bench=None, channels=()) -> Reproduction:
    clock = SimulatedClock()
    host = SimulatedHost(clock=clock)
    source = FakeSource(channels)
    plan = Plan(format=1, name="p", title="P", stages=(made.stage,))
    jobs = made.jobs(SPEC, Places(cpus=(0, 1), available_bytes=4 << 30))
    inline = InlineBench(host, {"unsure": load}, {"fake": source}, Script(steps={"unsure": 100}))
    return Reproduction(
        jobs,
        made,
        bench=bench(clock) if bench else inline,
        survey=survey(host, {"fake": source}, plan),
        clock=clock,
    )


def test_work_begins_with_the_window_of_the_step_and_its_seed() -> None:
    jobs = wanted().jobs(SPEC, Places(cpus=(0, 1), available_bytes=4 << 30))
    assert {job.first_step for job in jobs} == {1001 // WINDOW_STEPS * WINDOW_STEPS}
    assert {job.seed for job in jobs} == {42}
    pulsed = wanted(pulsed=True, step=0).jobs(SPEC, Places(cpus=(0, 1), available_bytes=4 << 30))
    assert {(job.first_step, job.step_budget_s) for job in pulsed} == {(0, 0.002)}


def test_a_wrong_result_that_comes_back_is_told() -> None:
    machine = Machine(physical=(0, 1), bad=1)
    done = work(wanted(), load=AlwaysOther(machine, 5)).run(SEATS)
    assert done.faults
    assert done.faults[0].step == 1008
    telling = Machine(physical=(0, 1), bad=1, tells=True)
    done = work(wanted(span_s=20.0), load=UnsureLoad(telling, 5)).run(SEATS)
    assert {fault.core for fault in done.faults if fault.fault == "wrong_result"} == {1}


def test_a_sound_core_brings_nothing_back() -> None:
    done = work(wanted(), load=UnsureLoad(Machine(physical=(0, 1), bad=None), 5)).run(SEATS)
    assert (done.faults, done.trouble, done.stopped) == ([], "", "")
    assert done.steps[0] > 1001


@pytest.mark.parametrize(
    ("news", "stopped", "told"),
    [
        (OperatorAsked(signal="SIGINT"), "operator", "SIGINT"),
        (SamplerGone(watch=True, detail="x"), "safety", "watch ended"),
        (JobGone(load_id="1.unsure.0", how="signal", detail="SIGKILL"), "", "SIGKILL"),
    ],
)
def test_what_ends_it_early(news, stopped, told) -> None:
    def bench(clock):
        made = ToldBench(clock)
        made.script.extend([[], [news]])
        return made

    done = work(wanted(), bench=bench).run(SEATS)
    assert done.stopped == stopped
    assert told in done.trouble


def test_the_safety_watch_stops_it() -> None:
    def bench(clock):
        made = ToldBench(clock)
        hot = lambda told: [SweepTaken(watch=True, swept=swept(told.clock.mono_ns(), 120.0))]  # noqa: E731
        made.script.extend([[SweepTaken(watch=False, swept=swept(0))], hot])
        return made

    done = work(wanted(), bench=bench, channels=(temperature(limit_critical=100.0),)).run(SEATS)
    assert done.stopped == "safety"
    assert "fake/cpu" in done.trouble


def test_a_watch_that_falls_silent_stops_it() -> None:
    def never_heard(clock):
        return ToldBench(clock, silent_watch=True)

    def falls_silent(clock):
        made = ToldBench(clock)
        made.script.append(lambda told: setattr(told, "silent_watch", True) or [])
        return made

    done = work(wanted(span_s=60.0), bench=never_heard, channels=(temperature(),)).run(SEATS)
    assert (done.stopped, done.steps) == ("safety", {})
    done = work(wanted(span_s=60.0), bench=falls_silent, channels=(temperature(),)).run(SEATS)
    assert (done.stopped, done.trouble) == ("safety", "the safety watch fell silent")


def test_a_load_of_no_core_is_one_instance() -> None:
    spec = SimpleNamespace(
        **{name: getattr(SPEC, name) for name in SPEC.__dataclass_fields__} | {"per_core": False}
    )
    (job,) = wanted(cores=()).jobs(spec, Places(cpus=(0, 1), available_bytes=4 << 30))
    assert job.core is None
