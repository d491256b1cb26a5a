from __future__ import annotations

import pytest

from burnin.criteria.order_match import PLUGIN
from burnin.records.events import OperatorAnswered
from burnin.records.inventory import (
    BoardPart,
    CpuPart,
    Drive,
    GraphicsCard,
    GraphicsPart,
    Inventory,
    MemoryModule,
    MemoryPart,
    PciDevice,
    PciPart,
    StoragePart,
)
from burnin.records.paperwork import Answer, Order, PartOrdered
from burnin.records.plan import Plan
from burnin.testing.run_builder import RunBuilder

KIT = MemoryModule(slot="A2", size_bytes=16 << 30, maker="Example", part_number="EX5-6000", kind="DDR5")
FULL = Inventory(
    cpu=CpuPart(model="Example Octo 8-Core"),
    board=BoardPart(maker="Example Boards", product="Z-1"),
    memory=MemoryPart(modules=(KIT, MemoryModule(slot="A1", size_bytes=0), KIT)),
    graphics=GraphicsPart(cards=(GraphicsCard(name="Card Nine", memory_bytes=16 << 30),)),
    storage=StoragePart(drives=(Drive(name="nvme0n1", model="Drive 1TB", size_bytes=1000204886016), Drive(name="sda"))),
    pci=PciPart(devices=(
        PciDevice(address="a", vendor_id="1", device_id="2", class_id="020000", name="Wired Two"),
        PciDevice(address="b", vendor_id="1", device_id="2", class_id="030000", name="Card Nine"),
    )),
)  # fmt: skip


def judge(part: PartOrdered | None, inventory: Inventory = FULL, *answers: Answer):
    order = Order(format=1, order="A-1", parts=(part,) if part else ())
    builder = RunBuilder(Plan(format=1, name="t", title="T"), order=order).machine(inventory=inventory)
    builder.add(*(OperatorAnswered(answer=answer) for answer in answers))
    (finding,) = PLUGIN.judge(builder.view(), {})
    return finding


def ordered(part: str, match: str = "", **fields: object) -> PartOrdered:
    return PartOrdered(part=part, text=f"{part} {match}", match=match, **fields)


@pytest.mark.parametrize(
    ("part", "expected"),
    [
        (ordered("cpu", "octo"), ("pass", "as_ordered")),
        (ordered("cpu", "hexa"), ("fail", "not_there")),
        (ordered("board", "z-1"), ("pass", "as_ordered")),
        (ordered("memory", "EX5", count=2, size_gb=16.0), ("pass", "as_ordered")),
        (ordered("memory", "EX5", count=2, size_gb=32.0), ("fail", "wrong_size")),
        (ordered("memory", "EX5", count=4), ("fail", "too_few")),
        (ordered("memory", "EX5", count=1), ("pass", "more")),
        (ordered("graphics", "nine", size_gb=16.0), ("pass", "as_ordered")),
        (ordered("storage", "drive 1tb", size_gb=1000.0), ("pass", "as_ordered")),
        (ordered("storage", "drive 1tb", size_gb=2000.0), ("fail", "wrong_size")),
        (ordered("storage", "", size_gb=2000.0), ("inconclusive", "size_not_known")),
        (ordered("storage", "", count=2), ("pass", "as_ordered")),
        (ordered("network", "wired"), ("pass", "as_ordered")),
        (ordered("network", "card"), ("fail", "not_there")),
        (ordered("cooler", ""), ("inconclusive", "label_not_read")),
    ],
)
def test_parts_against_the_machine(part, expected):
    finding = judge(part)
    assert (finding.outcome, finding.slug) == expected


def test_sizes_of_drives_are_decimal_with_slack_and_of_memory_exact():
    near = Inventory(storage=StoragePart(drives=(Drive(name="a", model="D", size_bytes=950 * 10**9),)))
    assert judge(ordered("storage", "d", size_gb=1000.0), near).slug == "as_ordered"
    far = Inventory(storage=StoragePart(drives=(Drive(name="a", model="D", size_bytes=949 * 10**9),)))
    assert judge(ordered("storage", "d", size_gb=1000.0), far).slug == "wrong_size"
    assert judge(ordered("memory", "ex5", size_gb=15.9)).slug == "wrong_size"


@pytest.mark.parametrize("part", ["cpu", "board", "memory", "graphics", "storage", "network"])
def test_a_part_that_could_not_be_read_is_open_and_required(part):
    finding = judge(ordered(part, "x"), Inventory(memory=MemoryPart(unknown={"modules": "no rights"})))
    assert (finding.outcome, finding.slug, finding.required) == ("inconclusive", "not_known", True)


def test_names_that_nobody_gave():
    inventory = Inventory(
        memory=MemoryPart(modules=(MemoryModule(slot="A"),)), storage=StoragePart(drives=(Drive(name="a"),))
    )
    assert judge(ordered("memory", "x"), inventory).values["found"] == "module without a name"
    assert judge(ordered("storage", "x"), inventory).values["found"] == "drive without a name"


def test_labels_take_the_operators_last_answer():
    psu = ordered("power_supply", "")
    yes, no = (
        Answer(line="power_supply", answer="yes", remark="850 W"),
        Answer(line="power_supply", answer="no"),
    )
    finding = judge(psu, FULL, yes)
    assert (finding.outcome, finding.slug, finding.values["remark"]) == ("pass", "label_agrees", "850 W")
    assert judge(psu, FULL, yes, no).slug == "label_differs"
    other = judge(psu, FULL, Answer(line="case", answer="yes"))
    assert (other.slug, other.required) == ("label_not_read", False)


def test_no_order_and_an_order_without_parts_are_not_applicable():
    assert judge(None).slug == "no_parts"
    (finding,) = PLUGIN.judge(RunBuilder(Plan(format=1, name="t", title="T")).machine().view(), {})
    assert (finding.outcome, finding.slug) == ("not_applicable", "no_order")
