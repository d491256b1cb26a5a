from __future__ import annotations

from burnin.records.inventory import (
    BoardPart,
    CpuPart,
    DisplayOutput,
    DisplayPart,
    Drive,
    GraphicsCard,
    GraphicsPart,
    Inventory,
    MemoryModule,
    MemoryPart,
    NetworkPart,
    NetworkPort,
    PciDevice,
    PciPart,
    StoragePart,
    UsbConnector,
    UsbDevice,
    UsbPart,
)
from burnin.report.machine import machine_rows
from burnin.report.ports import socket_rows


def test_an_empty_inventory_gives_a_reason_for_every_part():
    rows = machine_rows(Inventory())
    assert [row.part for row in rows] == [
        "Processor",
        "Memory",
        "Mainboard",
        "Graphics",
        "Drives",
        "Network",
        "Slots and links",
    ]
    assert all(row.missing and row.text == "not found, because the machine states none" for row in rows)


def test_reasons_come_from_the_part():
    rows = machine_rows(
        Inventory(
            cpu=CpuPart(unknown={"*": "no access"}),
            memory=MemoryPart(usable_bytes=1 << 30, unknown={"modules": "needs rights"}),
        )
    )
    assert rows[0].text == "not found, because no access"
    assert (rows[1].text, rows[2].part, rows[2].text) == (
        "1 GiB usable",
        "Memory modules",
        "not found, because needs rights",
    )


def test_the_machine_line_by_line(machine):
    rows = {row.part: row for row in machine_rows(machine)}
    assert (
        rows["Processor"].details
        == "8 cores, 16 threads, up to 5000 MHz, 32 MiB last-level cache, microcode 0x12, governor performance"
    )
    assert rows["Memory"].details == "2 sockets empty"
    assert rows["Memory, DIMM A2"].details == "16 GiB, DDR5, rated 5600 MT/s, running 6000 MT/s"
    assert rows["Mainboard"].details == "firmware Example, F12, 2026-03-04"
    assert (
        rows["Drive nvme0n1"].details
        == "1 TB, nvme, firmware 1.04, 1 % of rated endurance used, own health answer: good"
    )
    assert (
        rows["Link 0000:01:00.0"].details
        == "runs 8 lanes at 16 GT/s, can 16 lanes at 16 GT/s, driver example"
    )
    assert rows["Link 0000:01:00.0"].paper
    assert not rows["Network"].paper


def test_sparse_parts_say_what_is_not_stated():
    sparse = Inventory(
        board=BoardPart(system_maker="Maker", system_serial="S", maker="Boards"),
        memory=MemoryPart(installed_bytes=1 << 34, ecc="multi-bit", modules=(MemoryModule(slot="A"),)),
        graphics=GraphicsPart(cards=(GraphicsCard(name="soft", software=True),)),
        storage=StoragePart(drives=(Drive(name="sda", healthy=False),)),
        network=NetworkPart(ports=(NetworkPort(name="w0", wireless=True, up=False, receive_errors=2),)),
        pci=PciPart(
            devices=(PciDevice(address="a", vendor_id="1", device_id="2", class_id="3", max_speed_gts=8.0),)
        ),
    )
    rows = {row.part: row for row in machine_rows(sparse)}
    assert (rows["System"].text, rows["System"].serial) == ("Maker", "S")
    assert rows["Mainboard"].details == "firmware not stated"
    assert rows["Memory"].details == "0 sockets empty, error correction: multi-bit"
    assert (rows["Memory, A"].text, rows["Memory, A"].details) == ("maker not stated", "size unknown")
    assert rows["Graphics"].details == "no driver bound, software renderer, no card"
    assert (rows["Drive sda"].text, rows["Drive sda"].details) == (
        "model not stated",
        "own health answer: NOT good",
    )
    assert rows["Network"].details == "radio, link down, 2 receive errors"
    assert (rows["Link a"].text, rows["Link a"].details, rows["Link a"].paper) == (
        "device 1:2",
        "can 8 GT/s",
        False,
    )


def test_sockets_by_controller_and_card(machine):
    rows = socket_rows(machine)
    assert [row.title for row in rows] == [
        "USB, controller 0000:00:14.0",
        "USB, controller 0000:2a:00.0",
        "Video, card0",
    ]
    assert [socket.state for socket in rows[0].sockets] == ["free", "taken", "free", "free", "free", "free"]
    assert rows[0].sockets[1].inside == "Invented Keyboard at 12 Mbit/s"
    assert rows[1].sockets[0].state == "closed"
    assert [(socket.head, socket.state, socket.inside) for socket in rows[2].sockets] == [
        ("HDMI", "free", ""),
        ("DisplayPort", "taken", "Example 27, 2560 \u00d7 1440 at 59.95 Hz"),
        ("DisplayPort", "free", ""),
    ]


def test_no_sockets_leave_the_reason():
    usb, video = socket_rows(Inventory(usb=UsbPart(present=True), displays=DisplayPart(present=True)))
    assert (usb.reason, video.reason) == ("no socket is listed", "no output is listed")
    usb, video = socket_rows(Inventory())
    assert (usb.reason, video.reason) == ("the kernel shows no USB bus", "the kernel shows no display driver")


def test_devices_without_a_name_are_named_by_number():
    device = UsbDevice(path="1-1", vendor_id="1d6b", product_id="0002")
    inventory = Inventory(
        usb=UsbPart(
            present=True, connectors=(UsbConnector(name="p", speed_mbit_s=480, controller="", device=device),)
        ),
        displays=DisplayPart(
            present=True,
            outputs=(
                DisplayOutput(name="o", kind="laser", state="connected"),
                DisplayOutput(name="q", kind="vga", state="odd"),
            ),
        ),
    )
    usb, video = socket_rows(inventory)
    assert (usb.title, usb.sockets[0].inside) == ("USB, controller unknown", "device 1d6b:0002")
    assert [(socket.head, socket.state, socket.inside) for socket in video.sockets] == [
        ("laser", "taken", "display without a name"),
        ("VGA", "unknown", ""),
    ]
