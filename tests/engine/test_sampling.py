"""Sweeps over several sources, and the sampler's loop in this process."""

from __future__ import annotations

import itertools
import os
import threading
from types import SimpleNamespace

import pytest
from conftest_engine import FakeSource, temperature

from burnin.engine import sampler
from burnin.engine.child import LOST_SUPERVISOR
from burnin.engine.messages import FromSampler, Leaving, Link, SampleSetUp, Stop, Swept, ToSampler
from burnin.engine.sweep import NO_ANSWER, DirectReader, SourceReader, Sweeper
from burnin.host.clock import RealClock
from burnin.host.simulated import SimulatedHost
from burnin.records.channels import MISSING, OK, Reading, missing


def sweeper(*sources: FakeSource, budget_s: float = 1.0, **fields) -> Sweeper:
    plugins = {str(number): source for number, source in enumerate(sources)}
    selection = {name: source.channels for name, source in plugins.items()}
    host = SimpleNamespace(clock=RealClock())
    return Sweeper(host, plugins, selection, budget_s=budget_s, **fields)


def test_a_sweep_is_all_channels_in_order_with_changes() -> None:
    first, second = FakeSource((temperature("a"), temperature("b"))), FakeSource((temperature("c"),))
    made = sweeper(first, second)
    readings, changes = made.sweep()
    assert [reading.value for reading in readings] == [1.0, 1.0, 1.0]
    assert changes == {}
    second.readings = [missing("gone")]
    readings, changes = made.sweep()
    assert [reading.quality for reading in readings] == [OK, OK, MISSING]
    assert changes == {2: "gone"}
    assert made.sweep()[1] == {}
    second.readings = [Reading(value=2.0)]
    assert made.sweep()[1] == {2: ""}
    made.close()
    assert (first.closed, second.closed) == (1, 1)


def test_a_source_that_raises_or_miscounts_silences_nobody_else() -> None:
    bad, good = FakeSource((temperature("a"),)), FakeSource((temperature("b"),))
    made = sweeper(bad, good)
    bad.broken = ValueError("x")
    readings, _ = made.sweep()
    assert readings[0].reason == "the source failed: ValueError"
    assert readings[1].value == 1.0
    bad.broken = None
    bad.readings = []
    channels = bad.channels
    bad.channels = channels
    made.close()


def test_a_wrong_number_of_readings_is_missing() -> None:
    reader = SourceReader(SimpleNamespace(read=list, close=lambda: None), 2)
    reader.ask()
    assert [reading.reason for reading in reader.collect(5)] == [
        "the source gave the wrong number of readings"
    ] * 2
    reader.close()


def test_a_blocked_driver_read_is_left_behind_and_heard_again_later() -> None:
    gate = threading.Event()
    stuck = FakeSource((temperature("a"),))
    good = FakeSource((temperature("b"),))
    made = sweeper(stuck, good, budget_s=0.05)
    original = stuck.open

    class Blocking(FakeSource):
        def open(self, host, channels):
            def read():
                gate.wait()
                return [Reading(value=7.0)]

            return SimpleNamespace(read=read, close=lambda: None)

    del original
    made.close()
    made = sweeper(Blocking((temperature("a"),)), good, budget_s=0.05)
    readings, _ = made.sweep()
    assert (readings[0].reason, readings[1].value) == (NO_ANSWER, 1.0)
    readings, _ = made.sweep()
    assert readings[0].reason == NO_ANSWER
    gate.set()
    for _ in range(100):
        readings, _ = made.sweep()
        if readings[0].value == 7.0:
            break
    assert readings[0].value == 7.0
    made.close()


def test_a_source_still_stuck_at_the_end_is_not_waited_for() -> None:
    gate = threading.Event()
    closed = []
    session = SimpleNamespace(read=lambda: gate.wait() and [], close=lambda: closed.append(1))
    reader = SourceReader(session, 1)
    reader.ask()
    reader.collect(0.01)
    reader.close()
    assert closed == []
    gate.set()


def test_simulated_machines_are_read_without_threads() -> None:
    source = FakeSource((temperature("a"),))
    made = sweeper(source, reader=DirectReader)
    assert made.sweep()[0][0].value == 1.0
    made.close()
    assert source.closed == 1


class Rig:
    """The sampler's serve() in a thread, on a simulated host with real time."""

    def __init__(
        self, monkeypatch, source: FakeSource, *, period_ns: int = 10_000_000, pid: int | None = None
    ) -> None:
        down_read, down_write = os.pipe()
        up_read, up_write = os.pipe()
        self.inside: Link[ToSampler] = Link(down_read, up_write, ToSampler)
        self.outside: Link[FromSampler] = Link(up_read, down_write, FromSampler)
        host = SimulatedHost(clock=RealClock())
        monkeypatch.setattr(sampler, "open_host", lambda root: host)
        monkeypatch.setattr(sampler, "usable", lambda room, on: {"fake": source})
        monkeypatch.setattr(sampler, "guard_against_orphanhood", lambda pid: None)
        monkeypatch.setattr(sampler.signal, "signal", lambda *a: None)
        monkeypatch.setattr(sampler.os, "nice", lambda by: None)
        self.clock = host.clock
        set_up = SampleSetUp(
            root="/",
            sources={"fake": source.channels},
            columns=tuple(range(len(source.channels))),
            period_ns=period_ns,
            start_ns=self.clock.mono_ns(),
            supervisor_pid=os.getppid() if pid is None else pid,
        )
        self.code: list[int] = []
        self.thread = threading.Thread(target=lambda: self.code.append(sampler.serve(self.inside, set_up)))
        self.thread.start()
        self.heard: list = []

    def hear_until(self, kind, count=1):
        while sum(isinstance(each, kind) for each in self.heard) < count:
            assert self.outside.wait(10)
            self.heard += self.outside.receive()
        return [each for each in self.heard if isinstance(each, kind)]


def test_sweeps_keep_their_grid(monkeypatch) -> None:
    rig = Rig(monkeypatch, FakeSource((temperature("a"),)))
    sweeps = rig.hear_until(Swept, 10)
    rig.outside.send(Stop())
    assert rig.hear_until(Leaving)[0].how == "stopped"
    rig.thread.join(10)
    assert rig.code == [0]
    starts = [each.at_ns - each.late_ns for each in sweeps]
    assert all((later - first) % 10_000_000 == 0 for first, later in itertools.pairwise(starts))
    assert all(each.values == (1.0,) for each in sweeps)


def test_a_sampler_without_supervisor_leaves(monkeypatch) -> None:
    rig = Rig(monkeypatch, FakeSource((temperature("a"),)), pid=-1)
    assert rig.hear_until(Leaving)[0].how == "lost_supervisor"
    rig.thread.join(10)
    assert rig.code == [LOST_SUPERVISOR]


def test_a_sampler_whose_pipe_is_gone_leaves(monkeypatch) -> None:
    rig = Rig(monkeypatch, FakeSource((temperature("a"),)), period_ns=5_000_000)
    rig.hear_until(Swept)
    os.close(rig.outside.read_fd)
    rig.thread.join(10)
    assert rig.code == [LOST_SUPERVISOR]


def test_a_source_that_cannot_be_opened_is_told(monkeypatch) -> None:
    source = FakeSource((temperature("a"),))

    def refuse(host, channels):
        raise OSError("no such bus")

    source.open = refuse
    rig = Rig(monkeypatch, source)
    (leaving,) = rig.hear_until(Leaving)
    assert leaving.how == "exception"
    assert "no such bus" in leaving.detail
    rig.thread.join(10)
    assert rig.code == [1]


def test_main_waits_for_its_orders(monkeypatch) -> None:
    for first, code in ((Stop(), LOST_SUPERVISOR), (None, 5)):
        read, write = os.pipe()
        link: Link[ToSampler] = Link(read, write, ToSampler)
        message = first or SampleSetUp(
            root="/", sources={}, columns=(), period_ns=1, start_ns=0, supervisor_pid=1
        )
        link.send(message)
        monkeypatch.setattr(sampler, "serve", lambda link, first: 5)
        with pytest.raises(SystemExit) as left:
            sampler.main(read, write)
        assert left.value.code == code
