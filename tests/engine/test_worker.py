"""The worker's code in this process, so that its coverage counts; real processes are in test_process_bench.py."""

from __future__ import annotations

import dataclasses
import os
import threading

import pytest
from conftest_engine import FakeLoad

from burnin.engine import child, worker
from burnin.engine.messages import (
    Finish,
    FromWorker,
    Go,
    Leaving,
    Link,
    Progress,
    Ready,
    Settled,
    SetUp,
    Stop,
    ToWorker,
    Wrong,
)
from burnin.engine.schedule import Pace
from burnin.engine.tally import WINDOW_STEPS, fold
from burnin.errors import InputError
from burnin.plugin.contracts import Fault


def pair() -> tuple[Link[ToWorker], Link[FromWorker]]:
    down_read, down_write = os.pipe()
    up_read, up_write = os.pipe()
    return Link(down_read, up_write, ToWorker), Link(up_read, down_write, FromWorker)


SET_UP = SetUp(
    load_id="l",
    load="spin",
    params={"n": 1},
    core=None,
    seed=5,
    instance=0,
    instances=2,
    memory_bytes=100,
    cache_bytes=10,
    dram_limit_gb_s=50.0,
    step_budget_s=0.1,
    scratch="/tmp/x",
    supervisor_pid=os.getppid(),
)


class Rig:
    def __init__(self, monkeypatch, load=None, set_up=SET_UP) -> None:
        self.load = load or FakeLoad()
        monkeypatch.setattr(worker, "fetch", lambda room, name, on: self.load)
        monkeypatch.setattr(worker, "settle_in", lambda set_up: None)
        monkeypatch.setattr(worker, "guard_against_orphanhood", lambda pid: None)
        self.inside, self.outside = pair()
        self.code: list[int] = []
        self.heard: list = []
        self.outside.send(set_up)
        self.thread = threading.Thread(target=lambda: self.code.append(worker.serve(self.inside)))
        self.thread.start()

    def hear_until(self, kind: type, count: int = 1):
        while sum(isinstance(each, kind) for each in self.heard) < count:
            assert self.outside.wait(10)
            self.heard += self.outside.receive()
        return [each for each in self.heard if isinstance(each, kind)][-1]

    def end(self):
        self.outside.send(Stop())
        leaving = self.hear_until(Leaving)
        self.thread.join(10)
        return leaving


def test_a_load_opens_works_settles_and_stops(monkeypatch) -> None:
    rig = Rig(monkeypatch)
    ready = rig.hear_until(Ready)
    assert (ready.unit, ready.notes) == ("turns", {"fake": True})
    rig.outside.send(Go(pace=Pace()))
    while rig.hear_until(Progress, sum(isinstance(e, Progress) for e in rig.heard) + 1).steps < 40:
        pass
    rig.outside.send(Finish())
    rig.hear_until(Settled)
    assert rig.end().how == "stopped"
    assert rig.code == [0]
    context, params, session = rig.load.opened[0]
    assert (context.seed, context.instances, context.memory_bytes, str(context.scratch)) == (
        5,
        2,
        100,
        "/tmp/x",
    )
    assert params == {"n": 1}
    assert session.closed
    points = [point for each in rig.heard if isinstance(each, Progress) for point in each.checkpoints]
    window = 0
    expected = {}
    for step in range(1, 2001):
        window = fold(window, step)
        if step % WINDOW_STEPS == 0:
            expected[step], window = window, 0
    assert points
    assert all(point.digest == expected[point.step] for point in points[:50])
    assert rig.heard[-2].amount == 2.0 * rig.heard[-2].steps


def test_the_fold_depends_on_order_and_value() -> None:
    assert fold(fold(0, 1), 2) != fold(fold(0, 2), 1)
    assert fold((1 << 64) - 1, 5) < 1 << 64


def test_wrong_results_are_told_at_once(monkeypatch) -> None:
    fault = Fault(kind="wrong_result", step=2, values={"found": "0x1"})
    rig = Rig(monkeypatch, FakeLoad(faults_at={2: fault}))
    rig.outside.send(Go(pace=Pace()))
    wrong = rig.hear_until(Wrong)
    assert (wrong.fault, wrong.step, wrong.values) == ("wrong_result", 2, {"found": "0x1"})
    rig.end()


def test_an_exception_is_told_with_its_place(monkeypatch) -> None:
    rig = Rig(monkeypatch, FakeLoad(raises_at=3))
    rig.outside.send(Go(pace=Pace()))
    leaving = rig.hear_until(Leaving)
    assert leaving.how == "exception"
    assert "RuntimeError: planned" in leaving.detail
    rig.thread.join(10)
    assert rig.code == [0]


@pytest.mark.parametrize(
    ("error", "how", "told"),
    [
        (InputError("too little memory", slug="x"), "not_started", "too little memory"),
        (MemoryError(), "not_started", "not enough memory"),
        (ValueError("odd"), "exception", "ValueError: odd"),
    ],
)
def test_a_load_that_cannot_open_says_why(monkeypatch, error, how, told) -> None:
    load = FakeLoad()
    load.error = error
    leaving = Rig(monkeypatch, load).hear_until(Leaving)
    assert leaving.how == how
    assert told in leaving.detail


def test_a_supervisor_that_falls_silent_or_goes_ends_the_load(monkeypatch) -> None:
    rig = Rig(monkeypatch)
    rig.hear_until(Ready)
    monkeypatch.setattr(worker, "LEASE_S", 0.0)
    assert rig.hear_until(Leaving).how == "lost_supervisor"
    rig.thread.join(10)
    assert rig.code == [child.LOST_SUPERVISOR]


def test_another_parent_ends_the_load(monkeypatch) -> None:
    monkeypatch.setattr(worker, "orphaned", lambda pid: True)
    assert Rig(monkeypatch).hear_until(Leaving).how == "lost_supervisor"


def test_nothing_to_set_up_is_no_work(monkeypatch) -> None:
    inside, outside = pair()
    outside.close()
    assert worker.serve(inside) == child.LOST_SUPERVISOR
    inside, outside = pair()
    outside.send(Stop())
    assert worker.serve(inside) == child.LOST_SUPERVISOR
    monkeypatch.setattr(worker, "LEASE_S", 0.05)
    inside, outside = pair()
    assert worker.serve(inside) == child.LOST_SUPERVISOR


def test_pulses_rest_between(monkeypatch) -> None:
    rig = Rig(monkeypatch)
    pace = Pace(kind="pulsed", start_ns=0, period_ns=20_000_000, duty=0.3)
    rig.outside.send(Go(pace=pace))
    rig.hear_until(Progress, 3)
    rig.end()
    assert rig.load.opened[0][2].steps > 0


def test_a_long_rest_still_listens(monkeypatch) -> None:
    rig = Rig(monkeypatch)
    rig.outside.send(Go(pace=Pace(start_ns=1 << 62)))
    rig.hear_until(Ready)
    assert rig.end().how == "stopped"
    assert rig.load.opened[0][2].steps == 0


def test_settling_in_pins_and_steps_back(monkeypatch) -> None:
    import signal

    calls = []
    monkeypatch.setattr(os, "sched_setaffinity", lambda pid, cpus: calls.append(cpus))
    monkeypatch.setattr(os, "nice", calls.append)
    monkeypatch.setattr(signal, "signal", lambda number, handler: calls.append(number))
    worker.settle_in(SetUp(**{f: getattr(SET_UP, f) for f in SET_UP.__struct_fields__} | {"core": 1}))
    assert calls[:2] == [{1}, 10]
    calls.clear()
    worker.settle_in(SET_UP)
    assert calls[0] == 10


def test_main_closes_and_leaves(monkeypatch) -> None:
    read, write = os.pipe()
    monkeypatch.setattr(worker, "serve", lambda link: 3)
    with pytest.raises(SystemExit) as left:
        worker.main(read, write)
    assert left.value.code == 3


def test_a_link_says_when_nobody_is_there() -> None:
    inside, outside = pair()
    assert outside.send(Stop())
    assert isinstance(inside.receive()[0], Stop)
    assert inside.receive() == []
    assert not inside.wait(0.0)
    inside.close()
    assert not outside.send(Stop())
    assert outside.receive() == []
    assert outside.closed
    assert outside.wait(5)
    outside.close()
    assert outside.receive() == []


def test_a_link_takes_frames_in_pieces_and_refuses_giants() -> None:
    read, write = os.pipe()
    link: Link[ToWorker] = Link(read, write, ToWorker)
    link.send(Stop())
    data = os.read(read, 100)
    for byte in data:
        os.write(write, bytes([byte]))
        messages = link.receive()
    assert isinstance(messages[0], Stop)
    os.write(write, (1 << 30).to_bytes(4, "little"))
    assert link.receive() == []
    assert link.closed
    os.close(read)
    broken: Link[ToWorker] = Link(*os.pipe(), ToWorker)
    os.close(broken.read_fd)
    assert broken.receive() == []
    assert broken.closed


def test_orphanhood(monkeypatch) -> None:
    left = []
    monkeypatch.setattr(os, "_exit", left.append)
    calls = []
    monkeypatch.setattr(
        child.ctypes, "CDLL", lambda *a, **k: type("L", (), {"prctl": lambda s, *a: calls.append(a)})()
    )
    child.guard_against_orphanhood(os.getppid())
    assert (left, len(calls)) == ([], 1)
    child.guard_against_orphanhood(-5)
    assert left == [child.LOST_SUPERVISOR]
    monkeypatch.setattr(child.sys, "platform", "plan9")
    child.guard_against_orphanhood(os.getppid())
    assert len(calls) == 2


@pytest.mark.parametrize(("resource", "made"), [("storage", True), ("cpu", False)])
def test_a_storage_load_finds_its_scratch_folder(monkeypatch, tmp_path, resource, made) -> None:
    folder = tmp_path / "run" / "scratch"
    fields = {name: getattr(SET_UP, name) for name in SET_UP.__struct_fields__} | {"scratch": str(folder)}
    spec = dataclasses.replace(FakeLoad().spec, resource=resource)
    rig = Rig(monkeypatch, FakeLoad(spec), SetUp(**fields))
    rig.hear_until(Ready)
    rig.end()
    assert folder.is_dir() == made
