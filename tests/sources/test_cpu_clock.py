from __future__ import annotations

from burnin.records.channels import IMPLAUSIBLE, MISSING, OK
from burnin.sources.cpu_clock import PLUGIN

CPU = "/sys/devices/system/cpu"
REAL = "processor\t: 0\ncpu MHz\t\t: 3593.248\nflags\t\t: fpu sse2\n\nprocessor\t: 1\ncpu MHz\t\t: 800.000\nflags\t: fpu\n"
VIRTUAL = REAL.replace("sse2", "sse2 hypervisor")


def test_scaled_clocks_come_from_the_kernels_files_in_numeric_order(machine, sweep):
    for cpu in (0, 2, 10):
        machine.put(f"{CPU}/cpu{cpu}/cpufreq/scaling_cur_freq", f"{3_000_000 + cpu}\n")
    machine.put(f"{CPU}/cpufreq/policy0/x", "")
    machine.put("/proc/cpuinfo", REAL)
    readings = sweep(PLUGIN, machine.host())
    assert list(readings) == [f"cpu_clock/cpufreq/cpu{cpu}" for cpu in (0, 2, 10)]
    assert readings["cpu_clock/cpufreq/cpu10"].value == 3000.01
    assert PLUGIN.describe(machine.host()).channels[2].cores == (10,)


def test_a_scaled_clock_of_nothing_is_implausible(machine, sweep):
    machine.put(f"{CPU}/cpu0/cpufreq/scaling_cur_freq", "0\n")
    assert sweep(PLUGIN, machine.host())["cpu_clock/cpufreq/cpu0"].quality == IMPLAUSIBLE


def test_without_scaling_the_list_of_processors_tells(machine, sweep):
    machine.put("/proc/cpuinfo", REAL)
    readings = sweep(PLUGIN, machine.host())
    assert {key: reading.value for key, reading in readings.items()} == {
        "cpu_clock/cpuinfo/cpu0": 3593.248,
        "cpu_clock/cpuinfo/cpu1": 800.0,
    }
    assert {reading.quality for reading in readings.values()} == {OK}


def test_the_fixed_number_of_a_virtual_machine_never_decides(machine, sweep):
    machine.put("/proc/cpuinfo", VIRTUAL)
    reading = sweep(PLUGIN, machine.host())["cpu_clock/cpuinfo/cpu0"]
    assert (reading.value, reading.quality) == (3593.248, IMPLAUSIBLE)
    assert "virtual machine" in reading.reason


def test_a_core_that_leaves_the_list_is_missing(machine):
    machine.put("/proc/cpuinfo", REAL)
    host = machine.host()
    session = PLUGIN.open(host, PLUGIN.describe(host).channels)
    machine.put("/proc/cpuinfo", REAL.partition("\n\n")[0])
    assert [reading.quality for reading in session.read()] == [OK, MISSING]
    session.close()


def test_a_list_that_vanishes_is_missing_and_comes_back(machine):
    machine.put("/proc/cpuinfo", REAL)
    host = machine.host()
    session = PLUGIN.open(host, PLUGIN.describe(host).channels)
    machine.remove("/proc/cpuinfo")
    assert {(reading.quality, reading.reason) for reading in session.read()} == {(MISSING, "not there")}
    session.close()
    machine.put("/proc/cpuinfo", REAL)
    assert session.read()[0].value == 3593.248
    session.close()


def test_no_clock_at_all_is_absent_with_its_reason(machine):
    assert "not there" in PLUGIN.describe(machine.host()).absent[0].reason
    machine.put("/proc/cpuinfo", "processor\t: 0\nBogoMIPS\t: 50.00\n")  # the list of a small ARM board
    description = PLUGIN.describe(machine.host())
    assert description.channels == ()
    assert description.absent[0].reason == "the kernel scales no clock and lists none in /proc/cpuinfo"


def test_elsewhere_the_library_reads_clocks(live_host):
    description = PLUGIN.describe(live_host("Windows"))
    assert (description.channels, description.absent) == ((), ())
