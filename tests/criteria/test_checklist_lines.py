"""The headset checklist: every line in every state, and what an operator's answer can and cannot do."""

from __future__ import annotations

import pytest

from burnin.criteria.checklist_lines import PLUGIN
from burnin.plan.loader import SHIPPED_CHECKLISTS, load_checklist, shipped
from burnin.records.events import OperatorAnswered
from burnin.records.inventory import (
    CpuPart,
    DisplayMode,
    DisplayOutput,
    DisplayPart,
    FileSystem,
    GraphicsCard,
    GraphicsPart,
    Inventory,
    MemoryPart,
    PciDevice,
    PciPart,
    StoragePart,
    SystemPart,
    UsbConnector,
    UsbDevice,
    UsbPart,
)
from burnin.records.paperwork import Answer, Checklist, ChecklistLine
from burnin.records.plan import Plan
from burnin.testing.run_builder import RunBuilder

GIB = 1 << 30
MEMORY = ChecklistLine(id="memory", kind="memory_size", text="At least 8 GB", at_least=8.0, unit="GB")
USB = ChecklistLine(
    id="usb", kind="usb_free_ports", text="Two free", at_least=2.0, unit="ports", generation_mbit_s=5000.0
)
VIDEO = ChecklistLine(
    id="video", kind="video_output", text="HDMI", width_px=2160, height_px=1200, refresh_hz=90.0,
    connectors=("hdmi",), hdmi_at_least="1.3",
)  # fmt: skip
SYSTEM = ChecklistLine(id="system", kind="operating_system", text="64 bit", at_least=64.0, unit="bit")


def judge(line: ChecklistLine, inventory: Inventory | None, *answers: Answer):
    checklist = Checklist(format=1, name="test", title="Test", lines=(line,))
    builder = RunBuilder(Plan(format=1, name="t", title="T"), checklist=checklist)
    if inventory is not None:
        builder.machine(inventory=inventory)
    builder.add(*(OperatorAnswered(answer=answer) for answer in answers))
    (finding,) = PLUGIN.judge(builder.view(), {})
    assert finding.subject == line.id
    return finding


def state(line: ChecklistLine, inventory: Inventory | None, *answers: Answer) -> tuple[str, str]:
    finding = judge(line, inventory, *answers)
    return finding.outcome, finding.slug


def memory(**fields: object) -> Inventory:
    return Inventory(memory=MemoryPart(**fields))


def connector(name: str, **fields: object) -> UsbConnector:
    base = {"speed_mbit_s": 5000.0, "controller": "0000:00:14.0", "kind": "hotplug", "hub": "usb2"}
    return UsbConnector(**{"name": name, **base, **fields})


def usb(*connectors: UsbConnector, **fields: object) -> Inventory:
    return Inventory(usb=UsbPart(present=True, connectors=connectors), **fields)


STICK = UsbDevice(path="2-1", vendor_id="1", product_id="2", name="Stick")


def test_a_run_without_a_checklist_is_not_applicable():
    (finding,) = PLUGIN.judge(RunBuilder(Plan(format=1, name="t", title="T")).machine().view(), {})
    assert (finding.outcome, finding.slug) == ("not_applicable", "no_checklist")


def test_a_run_without_an_inventory_is_open():
    assert state(MEMORY, None) == ("inconclusive", "no_inventory")


@pytest.mark.parametrize(
    ("fields", "expected"),
    [
        ({"installed_bytes": 8 * GIB}, ("pass", "memory_enough")),
        ({"installed_bytes": 8 * GIB - 1}, ("fail", "memory_short")),
        ({"usable_bytes": 8 * GIB}, ("pass", "memory_enough")),
        ({"usable_bytes": 8 * GIB - 1}, ("inconclusive", "memory_reserved")),
        ({"usable_bytes": 4 * GIB}, ("inconclusive", "memory_reserved")),
        ({"usable_bytes": 4 * GIB - 1}, ("fail", "memory_short")),
        ({"unknown": {"usable_bytes": "not there"}}, ("inconclusive", "memory_unknown")),
        ({}, ("inconclusive", "memory_unknown")),
    ],
)
def test_memory_at_both_sides_of_each_limit(fields, expected):
    assert state(MEMORY, memory(**fields)) == expected


def test_a_figure_comes_with_limit_unit_margin_and_evidence():
    finding = judge(MEMORY, memory(installed_bytes=16 * GIB))
    assert (finding.observed, finding.limit, finding.unit, finding.margin) == (16.0, 8.0, "GB", 8.0)
    assert finding.evidence == (1,)


@pytest.mark.parametrize(
    ("cores", "expected"),
    [(4, ("pass", "cores_enough")), (3, ("fail", "cores_short")), (None, ("inconclusive", "cores_unknown"))],
)
def test_cores(cores, expected):
    line = ChecklistLine(id="cores", kind="cpu_cores", text="4 cores", at_least=4.0, unit="cores")
    assert state(line, Inventory(cpu=CpuPart(physical=cores))) == expected


def test_a_bus_the_kernel_does_not_show_proves_nothing():
    absent = Inventory(usb=UsbPart(unknown={"*": "the kernel shows no USB bus"}))
    finding = judge(USB, absent)
    assert (finding.outcome, finding.slug) == ("inconclusive", "usb_bus_absent")
    assert finding.values["reason"] == "the kernel shows no USB bus"


def test_a_bus_with_too_few_ports_is_a_fail():
    assert state(USB, usb()) == ("fail", "usb_short")
    assert state(USB, usb(connector("a"))) == ("fail", "usb_short")
    taken = judge(USB, usb(connector("a"), connector("b", device=STICK)))
    assert (taken.outcome, taken.observed, taken.values["taken_by"]) == ("fail", 1.0, "Stick")


@pytest.mark.parametrize(
    "fields",
    [
        {"speed_mbit_s": 480.0},
        {"behind_hub": True},
        {"kind": "hardwired"},
        {"kind": "not used"},
        {"device": STICK},
    ],
)
def test_a_port_that_is_slow_taken_or_out_of_reach_does_not_count(fields):
    assert state(USB, usb(connector("a"), connector("b"))) == ("pass", "usb_enough")
    assert state(USB, usb(connector("a"), connector("b", **fields))) == ("fail", "usb_short")


def test_ports_the_firmware_does_not_describe_are_not_proven():
    assert state(USB, usb(connector("a"), connector("b", kind="unknown"))) == ("inconclusive", "usb_unproven")


def test_two_controllers_where_two_are_asked_for():
    line = ChecklistLine(
        id="usb",
        kind="usb_free_ports",
        text="Two",
        at_least=2.0,
        generation_mbit_s=5000.0,
        distinct_controllers=2,
    )
    assert state(line, usb(connector("a"), connector("b"))) == ("fail", "usb_controllers_short")
    assert state(line, usb(connector("a"), connector("b", controller="0000:04:00.0"))) == (
        "pass",
        "usb_enough",
    )


def test_a_controller_without_a_driver_leaves_the_line_open():
    idle = PciDevice(address="0000:04:00.0", vendor_id="1", device_id="2", class_id="0c0330")
    inventory = usb(connector("a"), pci=PciPart(present=True, devices=(idle,)))
    assert state(USB, inventory) == ("inconclusive", "usb_driver_absent")


def outputs(*found: DisplayOutput) -> Inventory:
    return Inventory(displays=DisplayPart(present=True, outputs=found))


def test_an_empty_video_socket_proves_nothing_and_says_what_the_mode_needs():
    """Check values: 2160x1200 at 90 Hz with CVT reduced blanking is 261.25 MHz; HDMI 1.3 carries 340."""
    finding = judge(VIDEO, outputs(DisplayOutput(name="card0-HDMI-A-1", kind="hdmi", state="disconnected")))
    assert (finding.outcome, finding.slug) == ("inconclusive", "video_unproven")
    assert (finding.values["need_mhz"], finding.values["limit_mhz"]) == (261.25, 340.0)
    assert finding.values["need_gbit_s"] == pytest.approx(6.270)


def test_a_display_that_states_the_mode_is_not_yet_a_measured_picture():
    mode = DisplayMode(width_px=2160, height_px=1200, refresh_hz=89.942, clock_mhz=261.25)
    shown = DisplayOutput(
        name="card0-HDMI-A-1", kind="hdmi", state="connected", timings=(mode,), display_name="H"
    )
    finding = judge(VIDEO, outputs(shown))
    assert (finding.outcome, finding.slug, finding.values["display"]) == ("inconclusive", "video_stated", "H")
    slow = DisplayMode(width_px=2160, height_px=1200, refresh_hz=60.0, clock_mhz=170.0)
    other = DisplayOutput(name="card0-HDMI-A-1", kind="hdmi", state="connected", timings=(slow,))
    assert state(VIDEO, outputs(other)) == ("inconclusive", "video_unproven")


def test_outputs_of_the_wrong_kind_fail_and_none_at_all_are_open():
    display_port = DisplayOutput(name="card0-DP-1", kind="displayport", state="disconnected")
    assert state(VIDEO, outputs(display_port)) == ("fail", "video_wrong_kind")
    virtual = DisplayOutput(name="card0-Virtual-1", kind="virtual", state="connected")
    assert state(VIDEO, outputs(virtual)) == ("inconclusive", "video_no_outputs")
    assert state(VIDEO, Inventory()) == ("inconclusive", "video_driver_absent")
    bare = ChecklistLine(id="video", kind="video_output", text="Any output")
    assert state(bare, outputs(display_port)) == ("inconclusive", "video_unproven")


def graphics(*sizes: int | None, software: bool = False, pci: bool = True) -> Inventory:
    cards = tuple(GraphicsCard(name="Card", memory_bytes=size, software=software) for size in sizes)
    return Inventory(graphics=GraphicsPart(cards=cards), pci=PciPart(present=pci or None))


@pytest.mark.parametrize(
    ("inventory", "expected"),
    [
        (graphics(4 * GIB, None), ("pass", "graphics_memory_enough")),
        (graphics(4 * GIB - 1), ("fail", "graphics_memory_short")),
        (graphics(GIB, None), ("inconclusive", "graphics_memory_unknown")),
        (graphics(), ("fail", "graphics_no_card")),
        (graphics(8 * GIB, software=True), ("fail", "graphics_no_card")),
        (graphics(pci=False), ("inconclusive", "graphics_memory_unknown")),
    ],
)
def test_graphics_memory(inventory, expected):
    line = ChecklistLine(id="g", kind="graphics_memory", text="4 GB", at_least=4.0, unit="GB")
    assert state(line, inventory) == expected


def test_free_space_counts_the_best_single_file_system():
    line = ChecklistLine(id="space", kind="storage_free", text="100 GB", at_least=100.0, unit="GB")

    def free(*sizes: int) -> Inventory:
        found = tuple(
            FileSystem(mount=f"/{size}", device="/dev/sda1", size_bytes=10**12, free_bytes=size * 10**9)
            for size in sizes
        )
        return Inventory(storage=StoragePart(file_systems=found))

    assert state(line, free(60, 100)) == ("pass", "storage_enough")
    assert state(line, free(60, 99)) == ("fail", "storage_short")
    assert state(line, free()) == ("inconclusive", "storage_unknown")


@pytest.mark.parametrize(
    ("machine", "expected"),
    [
        ("x86_64", ("pass", "system_enough")),
        ("i686", ("fail", "system_short")),
        (None, ("inconclusive", "system_seen")),
    ],
)
def test_the_operating_system(machine, expected):
    assert state(SYSTEM, Inventory(system=SystemPart(system="Linux", machine=machine))) == expected


def test_a_line_only_the_operator_can_answer():
    line = ChecklistLine(id="cable", kind="look", text="The cable reaches", look_at="The cable")
    assert state(line, Inventory()) == ("inconclusive", "look")
    yes, no = Answer(line="cable", answer="yes", remark="3 m"), Answer(line="cable", answer="no")
    finding = judge(line, Inventory(), yes)
    assert (finding.outcome, finding.slug, finding.values["remark"]) == ("pass", "operator_yes", "3 m")
    assert finding.evidence == (1, 3)
    assert state(line, Inventory(), yes, no) == ("fail", "operator_no")
    assert state(line, Inventory(), Answer(line="other", answer="yes")) == ("inconclusive", "look")


def test_a_yes_cannot_overrule_a_measurement_and_a_no_can():
    yes, no = Answer(line="memory", answer="yes"), Answer(line="memory", answer="no", remark="bent pins")
    assert state(MEMORY, memory(installed_bytes=GIB), yes) == ("fail", "operator_contradicts")
    assert state(MEMORY, memory(installed_bytes=8 * GIB), yes) == ("pass", "operator_agrees")
    assert state(MEMORY, memory(installed_bytes=8 * GIB), no) == ("fail", "operator_no")


@pytest.mark.parametrize("name", sorted(shipped(SHIPPED_CHECKLISTS)))
def test_every_shipped_line_is_judged_and_explains_itself(name):
    checklist = load_checklist(name)
    builder = RunBuilder(Plan(format=1, name="t", title="T"), checklist=checklist).machine()
    findings = PLUGIN.judge(builder.view(), {})
    assert [finding.subject for finding in findings] == [line.id for line in checklist.lines]
    assert all(finding.outcome == "inconclusive" for finding in findings)
    assert all(line.why and line.look_at and "common practice" in line.source for line in checklist.lines)


def test_the_first_generation_checklist_asks_what_the_trade_asks():
    """Trade facts: 8 GB, two free USB 3.0 ports, HDMI 1.3, 2160x1200 at 90 Hz (common practice, no published source)."""
    lines = {line.id: line for line in load_checklist("first-generation-tethered").lines}
    assert (lines["memory"].at_least, lines["memory"].unit) == (8.0, "GB")
    assert (lines["usb"].at_least, lines["usb"].generation_mbit_s) == (2.0, 5000.0)
    video = lines["video"]
    assert (video.width_px, video.height_px, video.refresh_hz, video.hdmi_at_least) == (
        2160,
        1200,
        90.0,
        "1.3",
    )
