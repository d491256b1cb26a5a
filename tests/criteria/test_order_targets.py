from __future__ import annotations

import pytest

from burnin.criteria.order_targets import PLUGIN
from burnin.records.channels import Channel
from burnin.records.inventory import Inventory, MemoryModule, MemoryPart
from burnin.records.paperwork import Order, Targets
from burnin.records.plan import Plan, Stage
from burnin.testing.run_builder import RunBuilder

PARAMS = {"slack_pct": 1.0}
CHANNELS = (
    Channel(id="c0", source="s", quantity="frequency", label="Clock 0", role="cpu_clock"),
    Channel(id="c1", source="s", quantity="frequency", label="Clock 1", role="cpu_clock"),
    Channel(id="p", source="s", quantity="power", label="Power", role="cpu_power"),
)
STAGES = (Stage(name="rest", kind="idle", duration_s=10.0), Stage(name="hot", kind="soak", duration_s=100.0))


def judge(targets: Targets, rows=(), *, inventory: Inventory | None = None, channels=CHANNELS):
    order = Order(format=1, order="A-1", targets=targets)
    builder = RunBuilder(Plan(format=1, name="t", title="T", stages=STAGES), order=order)
    builder.machine(channels, inventory=inventory)
    builder.stage(0, "rest").sweeps_at([(800.0, 800.0, 500.0)] * 40 if channels else [()] * 40).end_stage(
        0, "rest"
    )
    builder.stage(1, "hot").sweeps_at(rows).end_stage(1, "hot").stage(9, "of another plan")
    return PLUGIN.judge(builder.view(), PARAMS)


def one(targets: Targets, rows=(), **kwargs):
    (finding,) = judge(targets, rows, **kwargs)
    return finding


@pytest.mark.parametrize(("mhz", "slug"), [(5000.0, "kept"), (4951.0, "kept"), (4949.0, "missed")])
def test_a_clock_is_the_mean_over_cores_under_load_and_idle_does_not_count(mhz, slug):
    finding = one(Targets(cpu_clock_mhz=5000.0), [(mhz + 100, mhz - 100, 90.0)] * 40)
    assert (finding.slug, finding.outcome) == (slug, "pass" if slug == "kept" else "fail")
    assert finding.observed == mhz


def test_a_clock_may_dip_in_one_sweep_of_twenty_but_not_in_two():
    steady, dip = (5000.0, 5000.0, 90.0), (4000.0, 4000.0, 90.0)
    assert one(Targets(cpu_clock_mhz=5000.0), [dip] * 2 + [steady] * 58).slug == "kept"
    assert one(Targets(cpu_clock_mhz=5000.0), [dip] * 6 + [steady] * 54).slug == "missed"


@pytest.mark.parametrize(("watts", "slug"), [(125.0, "kept"), (126.2, "kept"), (126.4, "missed")])
def test_a_power_limit_is_kept_from_above(watts, slug):
    assert one(Targets(cpu_power_w=125.0), [(5000.0, 5000.0, watts)] * 40).slug == slug


def test_too_few_readings_and_channels_that_are_not_there():
    finding = one(Targets(cpu_clock_mhz=5000.0), [(5000.0, None, 90.0)] * 29)
    assert (finding.outcome, finding.slug, finding.values["readings"]) == (
        "inconclusive",
        "too_few_readings",
        29,
    )
    assert one(Targets(cpu_clock_mhz=5000.0), [(None, None, 90.0)] * 40).values["readings"] == 0
    assert one(Targets(graphics_power_w=300.0), [(5000.0, 5000.0, 90.0)] * 40).values["readings"] == 0
    assert one(Targets(cpu_power_w=300.0), [(5000.0, 5000.0, 90.0)] * 3).subject == "processor power"


@pytest.mark.parametrize(
    ("speeds", "expected"),
    [
        ((6000, 6000), ("pass", "kept")),
        ((6000, 4800), ("fail", "missed")),
        ((6000, None), ("inconclusive", "not_measured")),
        ((), ("inconclusive", "not_measured")),
    ],
)
def test_memory_speed(speeds, expected):
    modules = tuple(MemoryModule(slot=str(speed), size_bytes=1, configured_mts=speed) for speed in speeds)
    empty = MemoryModule(slot="empty", size_bytes=0)
    inventory = Inventory(memory=MemoryPart(modules=(*modules, empty)))
    finding = one(Targets(memory_speed_mts=6000.0), inventory=inventory)
    assert (finding.outcome, finding.slug) == expected


def test_all_promises_are_judged_and_none_is_not_applicable():
    everything = Targets(cpu_clock_mhz=1.0, memory_speed_mts=1.0, cpu_power_w=1.0, graphics_power_w=1.0)
    assert len(judge(everything)) == 4
    assert one(Targets()).outcome == "not_applicable"
    (finding,) = PLUGIN.judge(RunBuilder(Plan(format=1, name="t", title="T")).view(), PARAMS)
    assert finding.slug == "no_promise"
