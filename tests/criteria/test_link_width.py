from __future__ import annotations

import msgspec
import pytest

from burnin.criteria.link_width import PLUGIN
from burnin.records.events import InventoryTaken
from burnin.records.inventory import Inventory, PciDevice, PciPart
from burnin.records.plan import LoadUse, Plan, Stage
from burnin.testing.run_builder import RunBuilder

FAIL, ADVISE = {"on_mistake": "fail"}, {"on_mistake": "advise"}


def device(address: str, kind: str = "030000", **fields: object) -> PciDevice:
    base = {
        "width": 16, "max_width": 16, "speed_gts": 16.0, "max_speed_gts": 16.0,
        "parent_max_width": 16, "parent_max_speed_gts": 16.0, "parent": "root",
    }  # fmt: skip
    return PciDevice(
        address=address, vendor_id="1", device_id="2", class_id=kind, name=address, **{**base, **fields}
    )


ROOT = PciDevice(address="root", vendor_id="1", device_id="1", class_id="060400", max_width=16, name="port")


def judge(*inventories: tuple[PciDevice, ...], params=FAIL, load: str = "graphics_float"):
    stage = Stage(name="hot", duration_s=60.0, loads=(LoadUse(load=load),))
    builder = RunBuilder(Plan(format=1, name="t", title="T", stages=(stage,)))
    for number, devices in enumerate(inventories):
        if number == 1:  # the first inventory is taken before the load, the second under it
            builder.stage(0, "hot").load("1.x.any", load, stage=0).wait(30)
        builder.add(InventoryTaken(inventory=Inventory(pci=PciPart(present=True, devices=(ROOT, *devices)))))
    return PLUGIN.judge(builder.view(), params)


def found(*args, **kwargs) -> list[tuple[str, str]]:
    return [(finding.outcome, finding.slug) for finding in judge(*args, **kwargs)]


def test_full_links_pass():
    assert found((device("card"), device("drive", "010802", width=4, max_width=4, parent_max_width=4))) == [
        ("pass", "full")
    ]


def test_a_link_narrower_than_both_ends_allow_fails():
    (finding,) = judge((device("card", width=8),))
    assert (finding.outcome, finding.slug, finding.observed, finding.limit) == ("fail", "narrow", 8.0, 16.0)
    assert found((device("card", width=8),), params=ADVISE) == [("pass", "narrow")]


@pytest.mark.parametrize(
    ("lanes", "expected"),
    [(4, [("fail", "narrow_slot")]), (8, [("pass", "half_slot")]), (16, [("pass", "full")])],
)
def test_a_graphics_card_in_a_narrow_slot(lanes, expected):
    assert found((device("card", width=lanes, parent_max_width=lanes),)) == expected


def test_other_cards_may_sit_in_narrow_slots():
    assert found((device("net", "020000", width=1, max_width=4, parent_max_width=1),)) == [("pass", "full")]


def test_an_idle_link_speed_is_open_and_the_speed_under_load_decides():
    idle, loaded = device("card", speed_gts=2.5), device("card")
    (finding,) = judge((idle,))
    assert (finding.outcome, finding.slug, finding.required) == ("inconclusive", "slow_when_idle", False)
    assert found((idle,), (loaded,)) == [("pass", "full")]
    assert found((idle,), (device("card", speed_gts=8.0),)) == [("fail", "slow")]
    assert found((idle,), (idle,), params=ADVISE) == [("pass", "slow")]


def test_a_card_that_idles_while_only_the_processor_works_is_not_held_against_it():
    idle = device("card", speed_gts=2.5)
    assert found((idle,), (idle,), load="matrix") == [("inconclusive", "slow_when_idle")]
    drive = device("drive", "010802", speed_gts=2.5)
    assert found((drive,), (drive,), load="matrix") == [("inconclusive", "slow_when_idle")]
    assert found((drive,), (drive,), load="storage_blocks") == [("fail", "slow")]
    other = device("net", "020000", speed_gts=2.5)
    assert found((other,), (other,), load="matrix") == [("fail", "slow")]


def test_a_switch_inside_the_card_is_judged_at_its_upper_link_and_named_as_the_card():
    upper = device("upper", "060400", width=4, parent_max_width=4)
    lower = device("lower", "060400", parent="upper", width=1, max_width=16, parent_max_width=16)
    card = device("card", parent="lower")
    (finding,) = judge((upper, lower, card))
    assert (finding.slug, finding.subject, finding.values["address"]) == ("narrow_slot", "card", "card")


def test_a_loop_of_parents_ends():
    one = device("one", parent="two")
    assert found((one, device("two", "060400", parent="one"))) == [("pass", "full")]
    lone = msgspec.structs.replace(device("audio", "040300", parent="one"), width=1)
    assert ("fail", "narrow") in found((one, device("two", "060400", parent="one"), lone))


def test_links_nobody_states_are_open():
    assert found((device("card", width=None),)) == [("inconclusive", "not_known")]
    assert found() == [("inconclusive", "not_known")]


def test_speeds_nobody_states_are_left_out():
    assert found((device("card", speed_gts=None),)) == [("pass", "full")]
    assert found((device("card", max_speed_gts=None),)) == [("pass", "full")]
