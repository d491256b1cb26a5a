from __future__ import annotations

import pytest

from burnin.criteria.memory_channels import PLUGIN
from burnin.records.inventory import Inventory, MemoryModule, MemoryPart
from burnin.records.plan import Plan
from burnin.testing.run_builder import RunBuilder

FAIL, ADVISE = {"on_mistake": "fail"}, {"on_mistake": "advise"}


def modules(**sizes: int) -> tuple[MemoryModule, ...]:
    return tuple(
        MemoryModule(slot=f"DIMM_{name}", size_bytes=size << 30, channel=name[0], part_number="KIT")
        for name, size in sizes.items()
    )


def judge(*found: MemoryModule, params=FAIL):
    builder = RunBuilder(Plan(format=1, name="t", title="T"))
    return PLUGIN.judge(builder.machine(inventory=Inventory(memory=MemoryPart(modules=found))).view(), params)


@pytest.mark.parametrize(
    ("sizes", "outcome", "slug"),
    [
        ({"A1": 0, "A2": 16, "B1": 0, "B2": 16}, "pass", "spread"),
        ({"A1": 16, "A2": 16, "B1": 0, "B2": 0}, "fail", "one_channel"),
        ({"A1": 0, "A2": 16, "B1": 0, "B2": 0}, "pass", "single_module"),
        ({"A1": 16, "A2": 16, "B1": 0, "B2": 16}, "pass", "uneven"),
        ({"A1": 16, "A2": 16}, "pass", "spread"),
    ],
)
def test_populations(sizes, outcome, slug):
    (finding,) = judge(*modules(**sizes))
    assert (finding.outcome, finding.slug) == (outcome, slug)


def test_one_channel_can_be_advice_by_the_plan():
    assert judge(*modules(A1=16, A2=16, B1=0), params=ADVISE)[0].outcome == "pass"


def test_mixed_modules_are_named():
    found = (*modules(A1=16), MemoryModule(slot="B1", size_bytes=16 << 30, channel="B"))
    spread, mixed = judge(*found)
    assert (spread.slug, mixed.slug, mixed.outcome) == ("spread", "mixed", "pass")
    assert mixed.values["parts"] == "KIT, part number not stated"


def test_sockets_whose_names_tell_no_channel_are_open():
    (finding,) = judge(
        MemoryModule(slot="DIMM 1", size_bytes=1 << 34), MemoryModule(slot="DIMM 2", size_bytes=1 << 34)
    )
    assert (finding.outcome, finding.slug, finding.required) == ("inconclusive", "not_known", False)


def test_no_module_listed_is_open():
    (finding,) = judge()
    assert (finding.outcome, finding.values["reason"]) == ("inconclusive", "no memory module is listed")
