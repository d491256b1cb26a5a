from __future__ import annotations

import pytest
from conftest_engine import MEMORY, FakeLoad, FakeSource, temperature

from burnin.engine.inline_bench import InlineBench, Script
from burnin.engine.news import (
    Job,
    JobGone,
    JobProgress,
    JobReady,
    JobSettled,
    JobWrong,
    OperatorAsked,
    Sampling,
    SweepTaken,
)
from burnin.engine.schedule import Pace
from burnin.errors import InputError
from burnin.host.simulated import SimulatedHost
from burnin.plugin.contracts import Fault

S = 1_000_000_000


def job(name: str, core: int = 0, **fields) -> Job:
    return Job(load_id=f"{name}.{core}", load=name, params={}, core=core, seed=1, **fields)


@pytest.fixture
def host():
    return SimulatedHost()


def drain(bench, until_ns):
    news = []
    while bench._clock.mono_ns() < until_ns:
        news += bench.wait(until_ns)
    return news


def test_loads_step_in_simulated_time_and_sweeps_come_in_between(host) -> None:
    told = []
    source = FakeSource((temperature(),))
    loads = {"spin": FakeLoad(), "fill": FakeLoad(MEMORY)}
    script = Script(on_load=lambda *shares: told.append(shares), params={"spin": {"n": 64}})
    bench = InlineBench(host, loads, {"fake": source}, script)
    sampling = Sampling(selection={"fake": source.channels}, columns=(0,), period_s=1.0)
    bench.start_sampling(sampling, Sampling(selection={"fake": source.channels}, columns=(0,), period_s=0.2))
    start_ns = host.clock.mono_ns()
    bench.start([job("spin", 0, places=2), job("fill", 1, places=2)])
    assert [type(each) for each in bench.wait(start_ns)] == [JobReady, JobReady]
    assert loads["spin"].opened[0][1] == {"n": 64}
    bench.go({"spin.0": Pace(start_ns=start_ns), "fill.1": Pace(start_ns=start_ns), "ghost": Pace()})
    news = drain(bench, start_ns + 10 * S)
    progress = [each for each in news if isinstance(each, JobProgress) and each.load_id == "spin.0"]
    assert 10 <= len(progress) <= 12
    assert progress[-1].amount == 2.0 * len(progress)
    assert sum(isinstance(each, SweepTaken) and not each.watch for each in news) == 10
    assert sum(isinstance(each, SweepTaken) and each.watch for each in news) >= 49
    assert told[-1] == (1.0, 0.5)
    bench.finish(["spin.0", "ghost"])
    assert [type(each) for each in bench.wait(0)] == [JobSettled]
    bench.stop(["spin.0", "ghost"])
    (gone,) = bench.wait(0)
    assert (gone.how, gone.load_id) == ("stopped", "spin.0")
    bench.end()
    assert told[-1] == (0.0, 0.0)
    assert all(session.closed for load in loads.values() for _, _, session in load.opened)


def test_a_watch_without_channels_is_not_started(host) -> None:
    bench = InlineBench(host, {}, {}, None)
    bench.start_sampling(Sampling(), Sampling())
    assert len(bench._ears) == 1
    bench.end()


def test_a_load_that_cannot_open_is_gone(host) -> None:
    load = FakeLoad()
    load.error = InputError("too little", slug="x")
    bench = InlineBench(host, {"spin": load}, {})
    bench.start([job("spin")])
    (gone,) = bench.wait(0)
    assert isinstance(gone, JobGone)
    assert (gone.how, gone.detail) == ("not_started", "too little")


def test_faults_are_told_from_steps_and_from_the_last_check(host) -> None:
    fault = Fault(kind="wrong_result", step=0)
    bench = InlineBench(host, {"spin": FakeLoad(faults_at={0: fault}, finishes=3)}, {})
    bench.start([job("spin")])
    bench.wait(0)
    start_ns = host.clock.mono_ns()
    bench.go({"spin.0": Pace(start_ns=start_ns)})
    news = drain(bench, start_ns + S)
    assert [each.fault for each in news if isinstance(each, JobWrong)] == ["wrong_result"]
    bench.finish(["spin.0"])
    assert bench._desks["spin.0"].session.finished == 3


def test_a_resting_load_waits_for_its_turn(host) -> None:
    bench = InlineBench(host, {"spin": FakeLoad()}, {})
    bench.start([job("spin")])
    bench.wait(0)
    start_ns = host.clock.mono_ns()
    bench.go({"spin.0": Pace(kind="one_core", start_ns=start_ns, period_ns=5 * S, place=1, places=2)})
    assert drain(bench, start_ns + 4 * S) == []
    assert any(isinstance(each, JobProgress) for each in drain(bench, start_ns + 8 * S))


def test_the_operator_of_the_script_asks_once(host) -> None:
    bench = InlineBench(host, {}, {}, Script(operator_at_s=1.0))
    news = drain(bench, host.clock.mono_ns() + 5 * S)
    assert [each.signal for each in news if isinstance(each, OperatorAsked)] == ["SIGINT"]
