from __future__ import annotations

import msgspec
import pytest

from burnin.calc.power_ranking import power_ranking, sustained_limit_w
from burnin.criteria.heat_reached import PLUGIN
from burnin.records.channels import Channel
from burnin.records.paperwork import Order, Targets
from burnin.records.plan import LoadUse, Shape, Stage

CPU = Channel(id="t", source="s", quantity="temperature", label="Processor", role="cpu_hottest")
POWER = Channel(
    id="energy/a/power", source="energy", quantity="power", label="P", role="cpu_power", limit_high=200.0
)


def soak(name: str, load: str, **fields) -> Stage:
    return Stage(name=name, duration_s=100.0, loads=(LoadUse(load=load),), **fields)


STAGES = (
    soak("a", "digest"),
    soak("b", "matrix"),
    soak("c", "matrix"),
    soak("d", "fourier", shape=Shape(kind="pulsed")),
)
ROWS = {"a": (60.0, 120.0), "b": (60.0, 170.0), "c": (60.0, 185.0), "d": (60.0, 199.0)}


def run(tell, channel=POWER, rows=ROWS, **opened):
    told = tell(*STAGES, channels=(CPU, channel), opened=opened)
    told.rows = rows
    for index in range(len(STAGES)):
        told.stage(index)
    return told.builder.view()


def test_loads_are_ranked_by_what_they_drew_steadily(tell):
    ranked = power_ranking(run(tell))
    assert [(each.loads, each.stage, each.power_w) for each in ranked] == [
        (("matrix",), "c", 185.0),
        (("digest",), "a", 120.0),
    ]
    assert sustained_limit_w(run(tell)) == 200.0


@pytest.mark.parametrize(
    ("limit_w", "slug"), [(200.0, "reached"), (210.0, "below"), (4095.0, "no_limit"), (None, "no_limit")]
)
def test_the_hottest_is_held_to_the_sustained_limit(tell, limit_w, slug):
    (finding,) = PLUGIN.judge(run(tell, msgspec.structs.replace(POWER, limit_high=limit_w)), {})
    assert (finding.slug, finding.required) == (slug, False)
    assert finding.values["ranking"] == "matrix 185 W, digest 120 W"


def test_plan_and_order_know_better_than_the_hardware(tell):
    order = Order(format=1, order="1", targets=Targets(cpu_power_w=250.0))
    (finding,) = PLUGIN.judge(run(tell, order=order), {})
    assert (finding.slug, finding.observed) == ("below", 74.0)
    (finding,) = PLUGIN.judge(run(tell, order=order), {"sustained_w": 190.0})
    assert finding.slug == "reached"


def test_power_that_cannot_be_read_leaves_it_open(tell):
    nothing = dict.fromkeys(ROWS, (60.0, None))
    (finding,) = PLUGIN.judge(run(tell, rows=nothing), {})
    assert (finding.slug, finding.outcome) == ("no_power", "inconclusive")
    (finding,) = PLUGIN.judge(tell().stage(1).builder.view(), {})
    assert finding.slug == "no_power"


def test_the_same_loads_drawing_less_later_leave_the_first_in_place(tell):
    ranked = power_ranking(run(tell, rows={**ROWS, "b": (60.0, 185.0), "c": (60.0, 170.0)}))
    assert [(each.loads, each.stage) for each in ranked] == [(("matrix",), "b"), (("digest",), "a")]
