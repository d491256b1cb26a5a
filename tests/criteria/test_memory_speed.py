from __future__ import annotations

import pytest

from burnin.criteria.memory_speed import PLUGIN
from burnin.records.inventory import Inventory, MemoryModule, MemoryPart
from burnin.records.paperwork import Order, Targets
from burnin.records.plan import Plan
from burnin.testing.run_builder import RunBuilder

FAIL, ADVISE = {"on_mistake": "fail"}, {"on_mistake": "advise"}


def module(
    slot: str, rated: int | None = 6000, configured: int | None = 6000, *, size: int | None = 1 << 34
) -> MemoryModule:
    return MemoryModule(slot=slot, size_bytes=size, rated_mts=rated, configured_mts=configured, kind="DDR5")


def judge(*modules: MemoryModule, params=FAIL, order_mts: float | None = None, **fields: object):
    order = Order(format=1, order="1", targets=Targets(memory_speed_mts=order_mts))
    builder = RunBuilder(Plan(format=1, name="t", title="T"), order=order if order_mts else None)
    builder.machine(inventory=Inventory(memory=MemoryPart(modules=modules, **fields)))
    return PLUGIN.judge(builder.view(), params)


def test_memory_at_its_rated_speed_passes():
    (finding,) = judge(module("A1"), module("A2"), module("B1", None, None, size=0))
    assert (finding.outcome, finding.slug, finding.observed, finding.values["modules"]) == (
        "pass",
        "at_speed",
        6000.0,
        2,
    )


@pytest.mark.parametrize(
    ("configured", "slug"), [(5940, "at_speed"), (5939, "below_speed"), (4800, "below_speed")]
)
def test_both_sides_of_the_rounding_slack(configured, slug):
    assert judge(module("A1", configured=configured))[0].slug == slug


def test_memory_left_at_its_default_speed_fails_by_name_of_its_socket():
    first, second = judge(module("DIMM_A2", configured=4800), module("DIMM_B2", configured=4800))
    assert (first.outcome, first.slug, first.subject, first.margin) == (
        "fail",
        "below_speed",
        "DIMM_A2",
        -1200.0,
    )
    assert second.subject == "DIMM_B2"
    assert judge(module("A", configured=4800), params=ADVISE)[0].outcome == "pass"


def test_a_module_held_back_by_a_slower_one_is_advice():
    """Seen on a real desktop of 2020: 2667 beside 2400 runs at 2400."""
    (finding,) = judge(module("A0", 2667, 2400), module("A1", 2400, 2400))
    assert (finding.outcome, finding.slug, finding.values["slowest"]) == ("pass", "held_back", 2400.0)


def test_an_order_may_ask_for_less_than_the_rating_but_more_is_for_the_order_rule():
    assert judge(module("A", configured=5600), order_mts=5600.0)[0].slug == "at_speed"
    assert judge(module("A", configured=5200), order_mts=5600.0)[0].slug == "below_speed"
    assert judge(module("A"), order_mts=6400.0)[0].slug == "at_speed"


@pytest.mark.parametrize("modules", [(), (module("A", None),), (module("A"), module("B", configured=None))])
def test_what_is_not_stated_is_open_and_holds_nothing_up(modules):
    (finding,) = judge(*modules, unknown={"modules": "administrator's rights needed"})
    assert (finding.outcome, finding.slug, finding.required) == ("inconclusive", "not_known", False)
    assert finding.values["reason"] == "administrator's rights needed"
