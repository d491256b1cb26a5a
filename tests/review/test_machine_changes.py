from __future__ import annotations

import msgspec

from burnin.records.inventory import (
    CpuCore,
    CpuPart,
    Drive,
    FileSystem,
    Inventory,
    MemoryModule,
    MemoryPart,
    NetworkPart,
    NetworkPort,
    StoragePart,
    UsbConnector,
    UsbDevice,
    UsbPart,
)
from burnin.review.machine_changes import machine_changes

STICK = MemoryModule(slot="A1", size_bytes=16 << 30, configured_mts=4800)


def _memory(*modules, **fields):
    return Inventory(memory=MemoryPart(modules=modules, **fields))


def _short(changes):
    return [(c.part, c.item, c.field, c.before, c.after, c.how) for c in changes]


def test_the_same_machine_has_no_changes():
    assert machine_changes(_memory(STICK), _memory(STICK)) == ()


def test_a_field_of_an_entry_is_found_by_the_entrys_own_name():
    faster = msgspec.structs.replace(STICK, configured_mts=6000)
    other = MemoryModule(slot="B1")
    found = machine_changes(_memory(other, STICK), _memory(faster, other))
    assert _short(found) == [("memory", "A1", "configured_mts", 4800, 6000, "changed")]


def test_entries_come_and_go():
    drive = Drive(name="nvme0n1", model="Saltmarsh SM-1")
    more = Inventory(storage=StoragePart(drives=(drive,)))
    assert _short(machine_changes(Inventory(), more)) == [
        ("storage", "nvme0n1", "", None, "Saltmarsh SM-1", "added")
    ]
    assert _short(machine_changes(more, Inventory())) == [
        ("storage", "nvme0n1", "", "Saltmarsh SM-1", None, "removed")
    ]


def test_what_could_not_be_read_is_no_change_of_the_machine():
    unread = _memory(unknown={"modules": "needs rights"})
    assert _short(machine_changes(unread, _memory(STICK))) == [
        ("memory", "A1", "", None, "present", "now_known")
    ]
    assert _short(machine_changes(_memory(STICK), _memory(unknown={"*": "gone"})))[0][5] == "now_unknown"
    known = Inventory(cpu=CpuPart(microcode="0x2b"))
    assert _short(machine_changes(Inventory(), known)) == [
        ("cpu", "", "microcode", None, "0x2b", "now_known")
    ]
    assert machine_changes(known, Inventory())[0].how == "now_unknown"


def test_a_default_that_became_something_is_a_change():
    first = Inventory(storage=StoragePart(drives=(Drive(name="sda"),)))
    second = Inventory(storage=StoragePart(drives=(Drive(name="sda", bus="sata"),)))
    assert _short(machine_changes(first, second)) == [("storage", "sda", "bus", "", "sata", "changed")]


def test_a_device_plugged_in_or_out_is_seen_and_what_it_negotiated_too():
    def port(device):
        return Inventory(
            usb=UsbPart(
                connectors=(UsbConnector(name="p1", speed_mbit_s=5000, controller="c", device=device),)
            )
        )

    slow = UsbDevice(path="1-1", vendor_id="0000", product_id="0001", name="Headset", speed_mbit_s=480)
    fast = msgspec.structs.replace(slow, speed_mbit_s=5000)
    assert _short(machine_changes(port(None), port(slow))) == [
        ("usb", "p1", "device", None, "Headset", "added")
    ]
    assert machine_changes(port(slow), port(None))[0].how == "removed"
    assert _short(machine_changes(port(slow), port(fast))) == [
        ("usb", "p1", "speed_mbit_s", 480, 5000, "changed")
    ]


def test_what_moves_by_itself_is_left_out():
    assert machine_changes(_memory(swap_used_bytes=1), _memory(swap_used_bytes=9)) == ()
    assert machine_changes(Inventory(read_from="rehearsal"), Inventory(with_rights=True)) == ()

    def busy(free_bytes, errors):
        disk = FileSystem(mount="/", device="/dev/sda1", size_bytes=10, free_bytes=free_bytes)
        port = NetworkPort(name="eth0", transmit_errors=errors, link_losses=errors, signal_dbm=-40.0 - errors)
        return Inventory(storage=StoragePart(file_systems=(disk,)), network=NetworkPart(ports=(port,)))

    assert machine_changes(busy(5, 0), busy(4, 2)) == ()


def test_a_file_system_is_called_by_where_it_is_mounted():
    def disk(size):
        one = FileSystem(mount="/home", device="/dev/sda2", size_bytes=size, free_bytes=1)
        return Inventory(storage=StoragePart(file_systems=(one,)))

    assert _short(machine_changes(disk(10), disk(20))) == [
        ("storage", "/home", "size_bytes", 10, 20, "changed")
    ]


def test_lists_of_words_are_one_value_and_equal_names_are_told_apart():
    first = Inventory(cpu=CpuPart(features=("aes",), cores=(CpuCore(cpu=0), CpuCore(cpu=0))))
    second = Inventory(cpu=CpuPart(features=("aes", "avx"), cores=(CpuCore(cpu=0), CpuCore(cpu=0, core=7))))
    assert _short(machine_changes(first, second)) == [
        ("cpu", "0 (2)", "core", None, 7, "now_known"),
        ("cpu", "", "features", "aes", "aes, avx", "changed"),
    ]
