"""The harness on a real kernel with emulated hardware, and faults put in from outside: the core set."""

from __future__ import annotations

import json
import struct
import time

import pytest
from guest import Guest
from harness import Run, begin, finish, folder_of, plan, wait_loaded, wait_said

pytestmark = pytest.mark.timeout(300)


def inspected(guest: Guest) -> dict[str, object]:
    answer = guest.run("burnin inspect --json", timeout_s=100)
    return json.loads(answer.text[answer.text.index("{") :])


def test_sensors_ports_displays_and_tables_are_seen_as_the_kernel_shows_them(guest: Guest) -> None:
    seen = inspected(guest)
    inventory = seen["inventory"]
    roles = {channel["role"]: channel["id"] for channel in seen["channels"] if channel.get("role")}
    assert roles["cpu_hottest"].startswith("hwmon/k10temp-")
    assert roles["storage"].startswith("hwmon/nvme-")
    outputs = {output["name"]: output for output in inventory["displays"]["outputs"]}
    kernel = guest.check(
        "cd /sys/class/drm; for c in card*-*; do echo $c $(cat $c/status) $(wc -c < $c/edid); done"
    )
    assert sorted(kernel.splitlines()) == sorted(
        f"{name} {output['state']} {output.get('edid_size_bytes', 0)}" for name, output in outputs.items()
    )
    assert sorted(output["state"] for output in outputs.values()) == [
        "connected",
        "connected",
        "disconnected",
    ]
    sockets = [each for each in inventory["usb"]["connectors"] if not each.get("behind_hub")]
    assert len(sockets) == 4, "four sockets, each with a 2.0 and a 3.x side"
    assert guest.check("cat /sys/bus/usb/devices/usb*/maxchild").split() == ["4", "4"]
    assert sum("device" not in each for each in sockets) == 1
    assert {device["speed_mbit_s"] for device in inventory["usb"]["devices"]} == {5000.0, 480.0, 12.0}
    board = json.dumps(inventory["board"])
    for given in ("Virtual Compact", "VC Board", "Bench Firmware", "1.02"):
        assert given in board, given
    (module,) = inventory["memory"]["modules"]
    assert (module["rated_mts"], module["configured_mts"]) == (3200, 3200), module
    links = {link["address"]: link for link in inventory["pci"]["devices"]}
    speeds = guest.check("cd /sys/bus/pci/devices/0000:00:02.0; cat max_link_width current_link_width")
    port = links["0000:00:02.0"]
    assert speeds.split() == [str(port["max_width"]), str(port["width"])], port


def test_a_run_without_a_fault_is_not_rejected(guest: Guest) -> None:
    """The control: whatever the others find, they find because it was put in."""
    begin(guest, "quiet", plan(seconds=14))
    run = finish(guest, "quiet")
    assert run.answer.code == 3, run.answer.text[-2000:]
    assert run.failed() == set()
    assert 45.5 in temperatures(run)


def temperatures(run: Run) -> set[float]:
    """Values of the processor's sensor in the run's sweeps."""
    (described,) = run.of_kind("channels")
    (column,) = (n for n, each in enumerate(described["channels"]) if each["id"].startswith("hwmon/k10temp-"))
    return {sweep["v"][column] for sweep in run.of_kind("sweep")}


def test_a_bit_flipped_from_outside_is_named_and_rejects(guest: Guest) -> None:
    begin(guest, "flip", plan(seconds=60, on_fault="stop", most_mib=64))
    wait_loaded(guest, "flip")
    journal = guest.check("cat /data/flip/*/journal.jsonl")
    started = next(
        line["event"]
        for line in map(json.loads, filter(None, journal.splitlines()))
        if line["event"]["kind"] == "load_started" and line["event"]["load"] == "memory_patterns"
    )
    address = int(started["notes"]["first_address"], 16) + (37 << 20) + 0x1A28
    physical = physical_address(guest, started["pid"], address)
    guest.flip_bit(physical, bit=19)
    run = finish(guest, "flip")
    (fault,) = run.of_kind("fault")
    values = fault["values"]
    assert (fault["load"], fault["fault"]) == ("memory_patterns", "memory_word"), fault
    assert int(values["address"], 16) == address
    assert int(values["physical"], 16) == physical
    assert int(values["expected"], 16) ^ int(values["found"], 16) == 1 << 19, values
    assert run.answer.code == 1
    assert run.failed() == {"no_wrong_result"}


def physical_address(guest: Guest, pid: int, address: int) -> int:
    """Ask the guest's kernel where a process's byte lies; the memory's file has the same order below 2 GiB."""
    command = f"dd if=/proc/{pid}/pagemap bs=8 skip={address >> 12} count=1 2>/dev/null | od -An -tx8"
    (entry,) = struct.unpack(">Q", bytes.fromhex(guest.check(command).strip()))
    assert entry >> 63, "the page is in memory"
    return (entry & (1 << 55) - 1) << 12 | address & 0xFFF


def test_a_corrected_machine_check_is_found_in_the_kernels_log_and_rejects(guest: Guest) -> None:
    guest.check("echo 1 > /sys/devices/system/machinecheck/machinecheck0/check_interval")
    begin(guest, "mce", plan(seconds=14))
    wait_loaded(guest, "mce")
    guest.monitor("mce 0 9 0x9c00004000010090 0x0 0x12345000 0x8c")
    run = finish(guest, "mce")
    assert run.answer.code == 1, run.answer.text[-1500:]
    assert run.failed() == {"error_counters"}
    lines = [each["text"] for each in run.of_kind("kernel_line")]
    assert any("Bank 9: 9c00004000010090" in line for line in lines), lines


def test_a_temperature_over_its_limit_stops_the_loads(guest: Guest) -> None:
    begin(guest, "trip", plan(seconds=60))
    wait_loaded(guest, "trip")
    guest.set_temperature(93.125)
    run = finish(guest, "trip")
    guest.set_temperature(45.5)
    assert run.answer.code == 5, run.answer.text[-1500:]
    assert run.result["verdict"]["standing"] == "rejected"
    assert {"safety_stop", "run_complete"} <= run.failed()
    (tripped,) = run.of_kind("safety_trip")
    assert (tripped["why"], tripped["value"], tripped["limit"]) == ("value", 93.125, 90.0), tripped


def test_a_sensor_that_vanishes_stops_the_loads(guest: Guest) -> None:
    begin(guest, "vanish", plan(seconds=90))
    wait_loaded(guest, "vanish")
    device = guest.check(
        "basename $(readlink -f $(dirname $(grep -l k10temp /sys/class/hwmon/*/name))/device)"
    ).strip()
    guest.check(f"echo {device} > /sys/bus/pci/drivers/k10temp/unbind")
    run = finish(guest, "vanish")
    guest.check(f"echo {device} > /sys/bus/pci/drivers/k10temp/bind")
    assert run.answer.code == 5, run.answer.text[-1500:]
    (tripped,) = run.of_kind("safety_trip")
    assert tripped["why"] == "quiet", tripped
    assert "k10temp" in tripped["channel"]
    assert run.failed() == set(), "a silent sensor shows no fault, and no health either"
    assert run.result["verdict"]["standing"] == "inconclusive"


def test_a_pulled_usb_device_is_seen_in_log_and_sockets(guest: Guest) -> None:
    begin(guest, "usb", plan(seconds=14))
    wait_loaded(guest, "usb")
    guest.qmp("device_del", id="usbstick")
    run = finish(guest, "usb")
    lines = [each["text"] for each in run.of_kind("kernel_line")]
    assert any("2-1: USB disconnect" in line for line in lines), lines
    sockets = [
        each for each in inspected(guest)["inventory"]["usb"]["connectors"] if not each.get("behind_hub")
    ]
    assert sum("device" not in each for each in sockets) == 2, "one more is free than before"


def test_a_hard_reset_in_a_soak_is_recovered_and_rejected(guest: Guest) -> None:
    begin(guest, "reset", plan(seconds=240))
    wait_loaded(guest, "reset")
    wait_said(guest, "reset", "together, running")
    time.sleep(6)
    uptime_s = float(guest.check("cat /proc/uptime").split()[0])
    guest.reset()
    answer = guest.run("burnin recover --json --out /data/reset", timeout_s=120)
    assert answer.code == 0, answer.text
    (row,) = json.loads(answer.text)["closed"]
    assert row["standing"] == "rejected", row
    run = Run(answer=answer, folder=folder_of(guest, "reset"))
    assert {"run_complete", "loads_survived"} <= run.failed()
    last_s = max(each["t"] for each in run.of_kind("sweep")) / 1e9
    print(f"last sweep {uptime_s - last_s:.1f} s before the reset")
    assert uptime_s - last_s < 3.0, "the last seconds are known"
    again = guest.run("burnin recover --out /data/reset", timeout_s=60)
    assert "No run was left open" in again.text
