from __future__ import annotations

import pytest
from conftest_engine import MEMORY, SPEC, FakeSource, temperature

from burnin.engine.prepare import (
    CPU_LOAD_BYTES,
    DRAM_LIMIT_GB_S,
    KEEP_FREE_BYTES,
    Places,
    dram_limit_gb_s,
    jobs_of,
    memory_available_bytes,
    seed_for,
    survey,
    take_inventory,
)
from burnin.host.simulated import SimulatedHost
from burnin.plugin.contracts import LoadSpec, ProbeSpec
from burnin.records.channels import Absence
from burnin.records.inventory import CpuPart, Inventory, MemoryModule, MemoryPart
from burnin.records.plan import Limits, LoadUse, Plan, Shape, Stage

GIB = 1 << 30
SPECS = {
    "spin": SPEC,
    "fill": MEMORY,
    "disk": LoadSpec(
        title="d", proves="p", does_not_prove="d", resource="storage", unit="GB", per_core=False
    ),
}
PLAN = Plan(format=1, name="p", title="P")


class Probe:
    spec = ProbeSpec(title="t", part="cpu")

    def __init__(self, answer) -> None:
        self.answer = answer

    def probe(self, host):
        if isinstance(self.answer, Exception):
            raise self.answer
        return self.answer


def test_a_probe_that_fails_hides_nothing_else() -> None:
    good = Probe(CpuPart(logical=4))
    inventory = take_inventory(SimulatedHost(), {"good": good})
    assert inventory.cpu.logical == 4
    assert inventory.read_from == "rehearsal"
    broken = take_inventory(SimulatedHost(), {"bad": Probe(ValueError("odd table"))})
    assert broken.cpu.unknown == {"*": "the probe 'bad' failed: ValueError: odd table"}


def test_a_source_that_fails_is_absent_with_its_reason() -> None:
    bad = FakeSource()
    bad.broken = OSError("no")
    good = FakeSource((temperature(),), absent=(Absence(what="fans", reason="none"),))
    found = survey(SimulatedHost(), {"bad": bad, "good": good}, PLAN)
    assert [channel.id for channel in found.described.channels] == ["fake/cpu"]
    assert [absence.reason for absence in found.described.absent] == [
        "the source failed: OSError: no",
        "none",
    ]


def test_the_watch_reads_only_safety_channels_and_keeps_their_columns() -> None:
    first = FakeSource((temperature("board", "board"), temperature("cpu")))
    second = FakeSource((temperature("coolant", "coolant"),))
    found = survey(SimulatedHost(), {"a": first, "b": second}, PLAN)
    assert found.watch.columns == (1, 2)
    assert {name: [c.label for c in channels] for name, channels in found.watch.selection.items()} == {
        "a": ["cpu"],
        "b": ["coolant"],
    }
    assert found.run.columns == (0, 1, 2)
    assert set(found.trips) == {"fake/cpu", "fake/coolant"}
    assert found.armed.note == ""


def test_no_safety_sensor_is_said_out_loud() -> None:
    found = survey(SimulatedHost(), {"a": FakeSource((temperature("x", "board"),))}, PLAN)
    assert "nothing can stop the loads" in found.armed.note
    assert found.watch.columns == ()


def test_the_plan_gives_roles_and_trip_limits() -> None:
    plan = Plan(
        format=1,
        name="p",
        title="P",
        roles={"board": "coolant"},
        limits=Limits(coolant_trip_c=44.0),
        sample_hz=4,
    )
    found = survey(SimulatedHost(), {"a": FakeSource((temperature("board", "board"),))}, plan)
    assert found.described.channels[0].role == "coolant"
    assert found.trips["fake/board"].trip == 44.0
    assert found.run.period_s == 0.25


class Machine(SimulatedHost):
    def __init__(self, **files) -> None:
        super().__init__()
        for path in ("/proc/meminfo", "/proc/self/cgroup"):
            self.set_file(path, None)
        for path, content in files.items():
            self.set_file(path, content)


def test_memory_is_the_smaller_of_kernel_and_control_groups() -> None:
    files = {"/proc/meminfo": b"MemTotal: 9 kB\nMemAvailable: 8388608 kB\n"}
    assert memory_available_bytes(Machine(**files)) == 8 * GIB
    files |= {"/proc/self/cgroup": b"1:cpu:/\n0::/a/b\n", "/sys/fs/cgroup/a/b/memory.max": b"max\n"}
    assert memory_available_bytes(Machine(**files)) == 8 * GIB
    files |= {
        "/sys/fs/cgroup/a/memory.max": b"%d\n" % (3 * GIB),
        "/sys/fs/cgroup/a/memory.current": b"%d\n" % GIB,
        "/sys/fs/cgroup/a/b/memory.current": b"5\n",
    }
    assert memory_available_bytes(Machine(**files)) == 2 * GIB


def test_memory_without_the_kernels_word() -> None:
    assert memory_available_bytes(Machine()) == GIB
    assert memory_available_bytes(Machine(**{"/proc/meminfo": b"MemTotal: 9 kB\n"})) == GIB


def test_memory_by_the_library_on_other_systems(monkeypatch) -> None:
    class Live:
        def memory_gib(self):
            return (16.0, 6.0, 0.0)

    machine = Machine()
    monkeypatch.setattr(Machine, "live", property(lambda self: Live()))
    assert memory_available_bytes(machine) == 6 * GIB


def test_the_dram_limit_comes_from_the_modules() -> None:
    module = MemoryModule(slot="A", configured_mts=6000)
    both = Inventory(memory=MemoryPart(modules=(module, module, MemoryModule(slot="B"))))
    assert dram_limit_gb_s(both) == pytest.approx(1.25 * 2 * 48)
    assert dram_limit_gb_s(Inventory()) == DRAM_LIMIT_GB_S


def stage(*loads: LoadUse, **fields) -> Stage:
    return Stage(name="s", duration_s=1, loads=loads, **fields)


def jobs(made: Stage, *, cpus=(0, 1, 2), available=8 * GIB):
    return jobs_of(made, 1, SPECS, Places(cpus=cpus, available_bytes=available), run_seed=9)


def test_every_core_gets_one_instance_with_the_same_seed() -> None:
    made = jobs(stage(LoadUse(load="spin", params={"n": 3})))
    assert [job.load_id for job in made] == ["2.spin.0", "2.spin.1", "2.spin.2"]
    assert len({job.seed for job in made}) == 1
    assert [(job.instance, job.instances, job.place, job.places) for job in made] == [
        (0, 3, 0, 3),
        (1, 3, 1, 3),
        (2, 3, 2, 3),
    ]
    assert made[0].params == {"n": 3}
    assert made[0].compare_digests


def test_cores_can_be_named_or_left_to_the_harness() -> None:
    made = jobs(
        stage(LoadUse(load="spin", cores=(1, 7)), LoadUse(load="spin", cores="one"), LoadUse(load="disk"))
    )
    assert [(job.load_id, job.core) for job in made] == [
        ("2.spin-1.1", 1),
        ("2.spin-2.2", 2),
        ("2.disk.any", None),
    ]
    assert made[0].seed != made[1].seed
    assert jobs(stage(LoadUse(load="spin", cores="one")), cpus=())[0].core is None


def test_memory_is_shared_out_and_never_all_of_it() -> None:
    made = jobs(stage(LoadUse(load="spin"), LoadUse(load="fill")))
    hungry = [job.memory_bytes for job in made if job.load == "fill"]
    others = [job.memory_bytes for job in made if job.load == "spin"]
    assert others == [CPU_LOAD_BYTES] * 3
    assert len(set(hungry)) == 1
    total = sum(hungry) + sum(others)
    assert total <= 8 * GIB - KEEP_FREE_BYTES
    assert total >= 0.85 * 8 * GIB


def test_a_small_machine_gives_less_rather_than_too_much() -> None:
    made = jobs(stage(LoadUse(load="spin"), LoadUse(load="fill")), available=GIB)
    assert sum(job.memory_bytes for job in made) <= GIB - KEEP_FREE_BYTES
    assert all(job.memory_bytes > 0 for job in made)
    assert all(job.memory_bytes == 0 for job in jobs(stage(LoadUse(load="spin")), available=100))


def test_pulsed_stages_ask_for_short_steps() -> None:
    assert jobs(stage(LoadUse(load="spin"), shape=Shape(kind="pulsed")))[0].step_budget_s == 0.002
    assert jobs(stage(LoadUse(load="spin")))[0].step_budget_s == 0.1


def test_seeds_depend_on_run_and_use() -> None:
    assert seed_for(1, "a") != seed_for(2, "a")
    assert seed_for(1, "a") != seed_for(1, "b")
    assert 0 <= seed_for(1, "a") < 1 << 63
