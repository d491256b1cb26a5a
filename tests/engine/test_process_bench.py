"""Real worker and sampler processes: how they start, stop, die and are told apart."""

from __future__ import annotations

import os
import signal
import time

import pytest

from burnin.engine import process_bench
from burnin.engine.news import (
    Job,
    JobGone,
    JobProgress,
    JobReady,
    JobSettled,
    OperatorAsked,
    SamplerGone,
    Sampling,
    SweepTaken,
)
from burnin.engine.process_bench import ProcessBench
from burnin.engine.schedule import Pace
from burnin.host.real import RealHost
from burnin.sources.library import PLUGIN as LIBRARY

pytestmark = pytest.mark.processes
S = 1_000_000_000


@pytest.fixture
def bench():
    made = ProcessBench(RealHost())
    yield made
    if made._before:
        made.end()


def job(number: int = 0, **fields) -> Job:
    base = {"load_id": f"m{number}", "load": "matrix", "params": {"n": 128}, "core": None, "seed": 5}
    return Job(**{**base, **fields})


def until(bench, kind, seconds=30.0, count=1):
    heard = []
    deadline = time.monotonic() + seconds
    while sum(isinstance(each, kind) for each in heard) < count:
        assert time.monotonic() < deadline, heard
        heard += bench.wait(time.monotonic_ns() + S // 10)
    return [each for each in heard if isinstance(each, kind)]


def working(bench, *jobs: Job) -> dict[str, int]:
    bench.start(jobs)
    ready = until(bench, JobReady, count=len(jobs))
    bench.go({each.load_id: Pace(start_ns=time.monotonic_ns()) for each in ready})
    until(bench, JobProgress)
    return {each.load_id: each.pid for each in ready}


def alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


def test_a_load_works_on_its_core_checks_and_stops_in_time(bench) -> None:
    core = min(os.sched_getaffinity(0))
    pids = working(bench, job(core=core))
    assert os.sched_getaffinity(pids["m0"]) == {core}
    assert os.getpriority(os.PRIO_PROCESS, pids["m0"]) >= 10
    bench.finish(["m0"])
    until(bench, JobSettled)
    asked_ns = time.monotonic_ns()
    bench.stop(["m0"])
    (gone,) = until(bench, JobGone)
    assert (gone.how, gone.code) == ("stopped", None)
    assert (gone.last_ns - asked_ns) / S < 0.5
    assert not alive(pids["m0"])


def test_equal_seeds_give_equal_folds_in_two_processes(bench) -> None:
    working(
        bench, job(0, params={"n": 128, "values": "integer"}), job(1, params={"n": 128, "values": "integer"})
    )
    folds: dict[int, set[int]] = {}
    while not any(len(each) > 1 or step > 64 for step, each in folds.items()):
        for news in until(bench, JobProgress):
            for point in news.checkpoints:
                folds.setdefault(point.step, set()).add(point.digest)
    assert all(len(each) == 1 for each in folds.values())


def test_a_kill_from_outside_is_a_signal(bench) -> None:
    pids = working(bench, job())
    os.kill(pids["m0"], signal.SIGKILL)
    (gone,) = until(bench, JobGone)
    assert (gone.how, gone.code, gone.detail) == ("signal", 9, "SIGKILL")


def test_a_crash_is_a_signal_of_its_own(bench) -> None:
    pids = working(bench, job())
    os.kill(pids["m0"], signal.SIGSEGV)
    (gone,) = until(bench, JobGone)
    assert (gone.how, gone.detail) == ("signal", "SIGSEGV")


def test_a_frozen_load_is_hung_and_buried(bench, monkeypatch) -> None:
    monkeypatch.setattr(process_bench, "_patience_s", lambda hand: 1.0)
    pids = working(bench, job())
    os.kill(pids["m0"], signal.SIGSTOP)
    (gone,) = until(bench, JobGone)
    assert gone.how == "hung"
    assert "frozen" in gone.detail
    assert not alive(pids["m0"])


def test_a_load_frozen_just_before_the_stop_is_hung_too(bench) -> None:
    pids = working(bench, job())
    os.kill(pids["m0"], signal.SIGSTOP)
    bench.stop(["m0"])
    (gone,) = until(bench, JobGone)
    assert gone.how == "hung"


def test_killing_everything_is_quick_and_planned(bench) -> None:
    pids = working(bench, job(0), job(1))
    asked_ns = time.monotonic_ns()
    sent_ns = bench.kill()
    assert (sent_ns - asked_ns) / S < 0.1
    gone = until(bench, JobGone, count=2)
    assert {each.how for each in gone} <= {"killed", "stopped"}
    assert not any(alive(pid) for pid in pids.values())


def test_a_load_that_cannot_open_says_why(bench) -> None:
    bench.start([job(load="memory_patterns", params={}, memory_bytes=1 << 20)])
    (gone,) = until(bench, JobGone)
    assert gone.how == "not_started"
    assert "memory_patterns" in gone.detail


def test_an_unknown_load_is_not_started(bench) -> None:
    bench.start([job(load="nosuch", params={})])
    (gone,) = until(bench, JobGone)
    assert gone.how == "not_started"
    bench.stop(["m0"])
    bench.go({"m0": Pace()})
    bench.finish(["m0"])


def test_samplers_sweep_and_a_killed_one_is_told(bench) -> None:
    channels = LIBRARY.describe(RealHost()).channels[:2]
    sampling = Sampling(selection={"library": channels}, columns=(0, 1), period_s=0.1)
    bench.start_sampling(sampling, sampling)
    sweeps = until(bench, SweepTaken, count=6)
    assert {each.watch for each in sweeps} == {True, False}
    assert all(len(each.swept.values) == 2 for each in sweeps)
    victim = next(ear for ear in bench._ears if ear.watch)
    victim.child.kill()
    (gone,) = until(bench, SamplerGone)
    assert gone.watch


def test_signals_are_heard_and_given_back() -> None:
    before = signal.getsignal(signal.SIGTERM)
    bench = ProcessBench(RealHost())
    os.kill(os.getpid(), signal.SIGTERM)
    (asked,) = until(bench, OperatorAsked)
    assert asked.signal == "SIGTERM"
    bench.end()
    assert signal.getsignal(signal.SIGTERM) == before


def test_the_end_leaves_nobody_behind(bench) -> None:
    channels = LIBRARY.describe(RealHost()).channels[:1]
    bench.start_sampling(Sampling(selection={"library": channels}, columns=(0,), period_s=1.0), Sampling())
    pids = working(bench, job(0))
    ears = [ear.child.pid for ear in bench._ears]
    bench.end()
    assert not any(alive(pid) for pid in (*pids.values(), *ears))


def test_a_sampler_that_will_not_go_is_killed(bench) -> None:
    channels = LIBRARY.describe(RealHost()).channels[:1]
    bench.start_sampling(Sampling(selection={"library": channels}, columns=(0,), period_s=1.0), Sampling())
    until(bench, SweepTaken)
    pid = bench._ears[0].child.pid
    os.kill(pid, signal.SIGSTOP)
    bench.end()
    assert not alive(pid)
