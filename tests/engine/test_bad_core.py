"""A core that is wrong once in a thousand steps is named, in every trial, and a machine without a fault is never accused.

The fault is put in by a load of this file, on an inline bench: shipped code knows nothing of it.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from types import SimpleNamespace

import pytest
from conftest_engine import FakeSource, Watcher

from burnin.engine.inline_bench import InlineBench, Script
from burnin.engine.prepare import Places, survey
from burnin.engine.supervisor import Assignment, Supervisor
from burnin.host.simulated import SimulatedClock, SimulatedHost
from burnin.plugin.contracts import Fault, LoadSpec, StepResult
from burnin.records.events import FaultFound, FaultRetried
from burnin.records.inventory import CpuCore, CpuPart, Inventory
from burnin.records.plan import LoadUse, Plan, Stage

SPEC = LoadSpec(title="t", proves="p", does_not_prove="d", resource="cpu", unit="turns", compare_digests=True)
STEPS_A_SECOND = 100
STAGE_S = 15
RATE = 1 / 1000


@dataclass
class Machine:
    """Logical CPUs with their physical cores, and the physical core that is wrong now and then."""

    physical: tuple[int, ...]
    bad: int | None
    kinds: tuple[str, ...] = ()
    tells: bool = False
    used: int = 0

    @property
    def cores(self) -> tuple[CpuCore, ...]:
        kinds = self.kinds or ("",) * len(self.physical)
        pairs = zip(self.physical, kinds, strict=True)
        return tuple(
            CpuCore(cpu=cpu, core=core, package=0, kind=kind) for cpu, (core, kind) in enumerate(pairs)
        )


class Session:
    """Digests that depend on seed and step; on the bad core one in a thousand is another, found by its own check or not."""

    notes: dict = {}  # noqa: RUF012 - the contract reads it, nobody writes it

    def __init__(self, load: UnsureLoad, context) -> None:
        self._load, self._context, self._step = load, context, context.first_step
        self._is_bad = load.machine.physical[context.instance] == load.machine.bad

    def step(self) -> StepResult:
        digest = hash((self._context.seed, self._step)) & 0xFFFFFFFF
        faults = ()
        if self._is_bad and self._load.fails():
            digest ^= 1 << self._load.chance.randrange(32)
            if self._load.machine.tells:
                faults = (Fault(kind="wrong_result", step=self._step),)
        self._step += 1
        return StepResult(amount=1.0, digest=digest, faults=faults)

    def finish(self) -> StepResult:
        return StepResult(amount=0.0)

    def close(self) -> None:
        pass


class UnsureLoad:
    """The load; its first fault comes within a thousand steps of the bad core, so that every trial has one."""

    spec = SPEC

    def __init__(self, machine: Machine, seed: int) -> None:
        self.machine = machine
        self.chance = random.Random(seed)
        self._sure = self.chance.randrange(1, 1000)
        self._count = 0

    def open(self, context, params) -> Session:
        return Session(self, context)

    def fails(self) -> bool:
        self._count += 1
        return self._count == self._sure or self.chance.random() < RATE


class Paper:
    """A recorder that only remembers."""

    def __init__(self, watcher: Watcher) -> None:
        self.watcher, self.sweeps, self.faults, self.elapsed_s = watcher, 0, 0, 0.0

    def note(self, event, *, at_ns=None):
        self.faults += isinstance(event, FaultFound)
        self.watcher.event(event, 0.0)
        return SimpleNamespace()

    def durable(self, receipt, seconds) -> bool:
        return True


def run(machine: Machine, seed: int, *, load=None, **plan) -> Watcher:
    clock = SimulatedClock()
    host = SimulatedHost(clock=clock)
    stage = Stage(name="soak", kind="soak", duration_s=STAGE_S, loads=(LoadUse(load="unsure"),))
    made = Plan(format=1, name="p", title="P", stages=(stage,), **plan)
    watcher = Watcher()
    source = FakeSource(())
    cpus = tuple(range(machine.used or len(machine.physical)))
    task = Assignment(
        run_id="r",
        plan=made,
        seed=seed,
        host=host,
        inventory=Inventory(cpu=CpuPart(cores=machine.cores)),
        survey=survey(host, {"fake": source}, made),
        specs={"unsure": SPEC},
        places=lambda: Places(cpus=cpus, available_bytes=8 << 30),
    )
    script = Script(steps={"unsure": STEPS_A_SECOND})
    bench = InlineBench(host, {"unsure": load or UnsureLoad(machine, seed)}, {"fake": source}, script)
    assert Supervisor(task, bench, Paper(watcher), watcher).run() in {"complete", "fault"}
    return watcher


TWO_CORES = (0, 1)
FOUR_CORES = (0, 1, 2, 3)
SIBLINGS = (0, 0, 1, 1, 2, 2)
PLACES = [
    *((FOUR_CORES, bad, tells) for bad in (0, 2, 3) for tells in (False, True)),
    *((SIBLINGS, bad, tells) for bad in (0, 2) for tells in (False, True)),
    *((TWO_CORES, bad, tells) for bad in (0, 1) for tells in (False, True)),
]
"""Physical cores by logical CPU, the bad one (0 is the one that the others are held to), and who finds it out."""


@pytest.mark.parametrize("trial", range(100))
def test_the_bad_core_is_named(trial) -> None:
    physical, bad, tells = PLACES[trial % len(PLACES)]
    seen = run(Machine(physical=physical, bad=bad, tells=tells), seed=1000 + trial)
    faults, retried = seen.of(FaultFound), seen.of(FaultRetried)
    assert faults
    assert retried
    assert {physical[event.core] for event in retried} == {bad}
    assert {physical[event.core] for event in faults if event.core is not None} <= {bad}


@pytest.mark.parametrize("trial", range(100))
def test_a_sound_machine_is_never_accused(trial) -> None:
    physical, _, _ = PLACES[trial % len(PLACES)]
    seen = run(Machine(physical=physical, bad=None), seed=trial)
    assert seen.of(FaultFound) == []
    assert seen.of(FaultRetried) == []


class AlwaysOther(UnsureLoad):
    """The bad core gives another digest for every step, always the same: nothing tells which of two is right."""

    def open(self, context, params) -> Session:
        session = super().open(context, params)
        step = session.step

        def other() -> StepResult:
            result = step()
            return StepResult(amount=1.0, digest=result.digest ^ (0xF0 if session._is_bad else 0))

        session.step = other
        return session

    def fails(self) -> bool:
        return False


def test_two_cores_that_always_differ_keep_core_a_or_b() -> None:
    machine = Machine(physical=TWO_CORES, bad=1)
    (event,) = run(machine, 5, load=AlwaysOther(machine, 5)).of(FaultRetried)
    assert (event.core, event.how, event.cores, event.came_back) == (None, "undecided", (0, 1), True)


def test_a_third_core_settles_it_where_the_machine_has_one() -> None:
    machine = Machine(physical=(0, 1, 2), bad=1, used=2)
    (event,) = run(machine, 5, load=AlwaysOther(machine, 5)).of(FaultRetried)
    assert (event.core, event.how, event.came_back) == (1, "outvoted", True)
    assert event.cores == (0, 1, 2)


def test_a_third_core_of_another_type_does_not() -> None:
    machine = Machine(physical=(0, 1, 2), bad=1, used=2, kinds=("performance", "performance", "efficient"))
    (event,) = run(machine, 5, load=AlwaysOther(machine, 5)).of(FaultRetried)
    assert event.core is None


def test_cores_of_two_types_are_not_compared() -> None:
    machine = Machine(physical=TWO_CORES, bad=1, kinds=("performance", "efficient"))
    assert run(machine, 5, load=AlwaysOther(machine, 5)).of(FaultFound) == []


def test_threads_of_one_core_have_one_vote() -> None:
    machine = Machine(physical=(0, 0, 0, 1), bad=0)
    seen = run(machine, 5, load=AlwaysOther(machine, 5))
    assert {event.core for event in seen.of(FaultFound)} == {None}
    assert seen.of(FaultRetried)[0].core is None


class WrongOnAll(UnsureLoad):
    """A check that fails everywhere is no core's fault."""

    def open(self, context, params) -> Session:
        session = super().open(context, params)
        session._is_bad = True
        return session

    def fails(self) -> bool:
        return True


def test_a_check_that_fails_on_every_core_accuses_none() -> None:
    machine = Machine(physical=TWO_CORES, bad=None, tells=True)
    seen = run(machine, 5, load=WrongOnAll(machine, 5))
    assert {(event.core, event.how) for event in seen.of(FaultRetried)} == {(None, "on_every_core")}


class OnceWrong(UnsureLoad):
    """One fault of its own check and never again."""

    def fails(self) -> bool:
        self._count += 1
        return self._count == self._sure


def test_a_wrong_result_that_does_not_come_again_stays_with_its_core() -> None:
    machine = Machine(physical=TWO_CORES, bad=1, tells=True)
    retried = run(machine, 5, load=OnceWrong(machine, 5)).of(FaultRetried)
    assert [(event.core, event.came_back) for event in retried if event.how == "own_check"] == [(1, False)]
    assert {event.core for event in retried} == {1}


def test_a_run_that_ends_with_the_fault_still_names_the_core() -> None:
    seen = run(Machine(physical=TWO_CORES, bad=1), seed=7, on_fault="stop")
    assert {event.core for event in seen.of(FaultRetried)} == {1}
