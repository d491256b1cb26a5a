from __future__ import annotations

from burnin.records.channels import MISSING
from burnin.sources.throttle import PLUGIN

CPU = "/sys/devices/system/cpu"


def core(machine, cpu, package, count=0):
    machine.fill(f"{CPU}/cpu{cpu}/topology", {"physical_package_id": package})
    machine.fill(
        f"{CPU}/cpu{cpu}/thermal_throttle",
        {
            "core_throttle_count": count,
            "core_throttle_max_time_ms": 4,
            "core_throttle_total_time_ms": 10 * count,
            "package_throttle_count": 5,
            "package_throttle_max_time_ms": 3,
            "package_throttle_total_time_ms": 50,
        },
    )


def test_cores_are_counted_each_and_packages_once(machine, sweep):
    for cpu, package in ((0, 0), (1, 0), (2, 1), (3, 1)):
        core(machine, cpu, package, count=cpu)
    readings = sweep(PLUGIN, machine.host())
    packages = [key for key in readings if "package_throttle_count" in key]
    assert packages == ["throttle/cpu0/package_throttle_count", "throttle/cpu2/package_throttle_count"]
    assert readings["throttle/cpu3/core_throttle_count"].value == 3.0
    assert readings["throttle/cpu3/core_throttle_total_time_ms"].value == 30.0
    channels = {channel.id: channel for channel in PLUGIN.describe(machine.host()).channels}
    assert channels[packages[1]].cores == (2, 3)
    assert channels[packages[1]].label == "Throttle events of package 1"


def test_times_have_no_role_so_that_nobody_adds_them_to_events(machine):
    core(machine, 0, 0)
    roles = {
        channel.id.rpartition("/")[2]: channel.role for channel in PLUGIN.describe(machine.host()).channels
    }
    assert roles["core_throttle_count"] == roles["package_throttle_count"] == "throttle_count"
    assert roles["core_throttle_total_time_ms"] == roles["package_throttle_total_time_ms"] == "none"


def test_a_kernel_without_topology_or_times_still_counts(machine, sweep):
    machine.put(f"{CPU}/cpu0/thermal_throttle/core_throttle_count", "7\n")
    assert {key: reading.value for key, reading in sweep(PLUGIN, machine.host()).items()} == {
        "throttle/cpu0/core_throttle_count": 7.0
    }


def test_a_garbled_counter_costs_itself_only(machine, sweep):
    core(machine, 0, 0, count=2)
    machine.put(f"{CPU}/cpu0/thermal_throttle/core_throttle_count", "seven\n")
    readings = sweep(PLUGIN, machine.host())
    assert readings["throttle/cpu0/core_throttle_count"].quality == MISSING
    assert "'seven'" in readings["throttle/cpu0/core_throttle_count"].reason
    assert readings["throttle/cpu0/package_throttle_count"].value == 5.0


def test_no_counters_are_absent_with_the_reason(machine):
    machine.put(f"{CPU}/cpu0/topology/physical_package_id", "0\n")
    (absence,) = PLUGIN.describe(machine.host()).absent
    assert absence.what == "throttle counters"
