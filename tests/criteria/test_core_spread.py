from __future__ import annotations

import numpy as np
import pytest

from burnin.criteria.core_spread import PLUGIN
from burnin.records.channels import Channel
from burnin.records.events import InventoryTaken
from burnin.records.inventory import CpuCore, CpuPart, Inventory
from burnin.records.plan import LoadUse, Shape, Stage
from burnin.testing.run_builder import RunBuilder

ALL = LoadUse(load="matrix")


def core(number: int, **fields) -> Channel:
    return Channel(
        id=f"h/c/temp{number}", source="h", quantity="temperature", label=f"Core {number}", role="cpu_core",
        resolution=1.0, cores=(number,), **fields,
    )  # fmt: skip


def judge(tell, levels, *, load=ALL, shape=None, kinds=(), **params):
    stage = Stage(name="hot", duration_s=600.0, loads=(load,), shape=shape or Shape())
    channels = tuple(core(number) for number in range(len(levels)))
    builder = RunBuilder(tell(stage).plan)
    cores = tuple(CpuCore(cpu=number, kind=kind) for number, kind in enumerate(kinds))
    builder.machine(channels, inventory=Inventory(cpu=CpuPart(cores=cores)))
    rng = np.random.default_rng(5)
    rows = [[round(level + rng.normal(0, 0.6)) for level in levels] for _ in range(300)]
    builder.stage(0, "hot").sweeps_at(rows, every_s=2.0).end_stage(0, "hot")
    assert list(builder.view().of(InventoryTaken))
    (finding,) = PLUGIN.judge(builder.close().view(), params)
    return finding


def test_cores_that_run_alike_pass(tell):
    finding = judge(tell, [70, 72, 75, 71])
    assert (finding.outcome, finding.slug, finding.subject) == ("pass", "alike", "Core 2")
    assert finding.observed == pytest.approx(5.0, abs=0.4)
    assert (finding.values["coldest"], finding.values["cores"]) == ("Core 0", 4)


def test_a_cooler_planted_askew_is_found(tell):
    # two cores at one edge run 25 K hotter than the rest: the planted mistake
    finding = judge(tell, [68, 70, 90, 94])
    assert (finding.outcome, finding.slug, finding.required) == ("fail", "apart", True)
    assert finding.values["excess_k"] == pytest.approx(14.0, abs=0.5)
    advice = judge(tell, [68, 70, 90, 94], on_mistake="advise")
    assert (advice.outcome, advice.slug, advice.values["advice"]) == ("pass", "apart", True)


def test_near_the_limit_it_stays_open(tell):
    finding = judge(tell, [70, 90.2])
    assert (finding.outcome, finding.slug, finding.required) == ("inconclusive", "open", False)


def test_cores_of_different_types_are_not_held_against_each_other(tell):
    kinds = ("performance", "performance", "efficient", "efficient")
    assert judge(tell, [90, 92, 62, 64], kinds=kinds).slug == "alike"
    assert judge(tell, [90, 92, 62, 64]).slug == "apart"


def test_only_even_loads_on_all_cores_count(tell):
    assert judge(tell, [70, 72], load=LoadUse(load="matrix", cores="one")).slug == "no_soak"
    assert judge(tell, [70, 72], shape=Shape(kind="one_core")).slug == "no_soak"


def test_fewer_than_two_sensors_decide_nothing(tell):
    finding = judge(tell, [70])
    assert (finding.outcome, finding.slug, finding.required) == ("inconclusive", "no_sensors", False)
