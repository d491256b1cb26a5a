from __future__ import annotations

import errno

from burnin.errors import Unreadable
from burnin.host.simulated import SimulatedClock
from burnin.host.tree import reason_of
from burnin.records.channels import IMPLAUSIBLE, MISSING
from burnin.sources.energy import PLUGIN

CLASS = "/sys/class/powercap"
RANGE = 262_143_328_850
"""(2^32 - 1) * 61035 // 1000: the counter's range at a unit of 2^-14 J, as public files of real machines show it."""


def zone(machine, name="intel-rapl:0", label="package-0", energy=1_000_000, top=RANGE):
    machine.fill(f"{CLASS}/{name}", {"name": label, "energy_uj": energy, "max_energy_range_uj": top})


def opened(machine):
    clock = SimulatedClock(tick_ns=0)
    host = machine.host(clock=clock)
    return clock, PLUGIN.open(host, PLUGIN.describe(host).channels)


def later(clock, seconds):
    clock.sleep_until(clock.mono_ns() + round(seconds * 1e9))


def test_power_is_energy_over_time(machine):
    zone(machine)
    clock, session = opened(machine)
    zone(machine, energy=1_000_000 + 2 * 65_000_000)
    later(clock, 2.0)
    assert session.read()[0].value == 65.0
    session.close()


def test_a_wrapped_counter_goes_on_at_zero(machine):
    zone(machine, energy=RANGE - 30_000_000)
    clock, session = opened(machine)
    zone(machine, energy=70_000_000)
    later(clock, 1.0)
    assert session.read()[0].value == 100.0


def test_a_counter_that_was_reset_is_implausible(machine):
    zone(machine, energy=RANGE // 2)
    clock, session = opened(machine)
    zone(machine, energy=0)
    later(clock, 1.0)
    assert session.read()[0].quality == IMPLAUSIBLE


def test_a_long_pause_gives_no_power(machine):
    zone(machine)
    clock, session = opened(machine)
    later(clock, 263.0)
    reading = session.read()[0]
    assert (reading.quality, reading.value) == (MISSING, None)
    assert "wrapped more than once" in reading.reason


def test_two_looks_at_one_moment_give_no_power(machine):
    zone(machine)
    _, session = opened(machine)
    assert "no time has passed" in session.read()[0].reason


def test_a_counter_that_vanishes_and_comes_back_starts_anew(machine):
    zone(machine)
    clock, session = opened(machine)
    machine.remove(f"{CLASS}/intel-rapl:0/energy_uj")
    later(clock, 1.0)
    assert session.read()[0].reason == "not there"
    zone(machine, energy=5_000_000)
    later(clock, 1.0)
    assert "first reading" in session.read()[0].reason
    zone(machine, energy=15_000_000)
    later(clock, 1.0)
    assert session.read()[0].value == 10.0
    machine.put(f"{CLASS}/intel-rapl:0/energy_uj", "much\n")
    assert session.read()[0].reason.startswith("garbled: ")


def test_only_the_packages_main_counter_is_the_processors_power(machine):
    zone(machine)
    zone(machine, "intel-rapl:0:0", "core")
    zone(machine, "intel-rapl:1", "psys")
    zone(machine, "intel-rapl-mmio:0", "package-0")
    machine.put(f"{CLASS}/intel-rapl/enabled", "1\n")
    roles = {channel.id: channel.role for channel in PLUGIN.describe(machine.host()).channels}
    assert roles.pop("energy/intel-rapl:0/power") == "cpu_power"
    assert set(roles.values()) <= {"none", "cpu_power"}
    assert roles == {
        "energy/intel-rapl:0:0/power": "none",
        "energy/intel-rapl:1/power": "none",
        "energy/intel-rapl-mmio:0/power": "none",
    }


def test_no_counter_and_no_linux_are_absent_with_reasons(machine, live_host):
    assert "the kernel lists no energy counter" in PLUGIN.describe(machine.host()).absent[0].reason
    assert "this is Windows" in PLUGIN.describe(live_host("Windows")).absent[0].reason


def test_a_garbled_counter_is_absent_with_what_was_found(machine):
    zone(machine, energy="lots")
    assert "'lots'" in PLUGIN.describe(machine.host()).absent[0].reason


def test_a_counter_without_rights_says_which_rights(machine, monkeypatch):
    zone(machine)
    host = machine.host()
    plain = host.read

    def refused(path):
        if path.endswith("energy_uj"):
            raise Unreadable(path, reason_of(PermissionError(errno.EACCES, "Permission denied")))
        return plain(path)

    monkeypatch.setattr(host, "read", refused)
    (absence,) = PLUGIN.describe(host).absent
    assert absence.reason == "its energy counter: administrator's rights needed"


def test_the_sustained_limit_is_told_where_the_kernel_states_one(machine):
    zone(machine)
    assert PLUGIN.describe(machine.host()).channels[0].limit_high is None
    short = {"constraint_0_name": "short_term", "constraint_0_power_limit_uw": 253_000_000}
    machine.fill(f"{CLASS}/intel-rapl:0", short)
    assert PLUGIN.describe(machine.host()).channels[0].limit_high is None
    machine.fill(
        f"{CLASS}/intel-rapl:0",
        {"constraint_1_name": "long_term", "constraint_1_power_limit_uw": 125_000_000},
    )
    assert PLUGIN.describe(machine.host()).channels[0].limit_high == 125.0
    machine.fill(f"{CLASS}/intel-rapl:0", {"constraint_1_power_limit_uw": "much"})
    assert PLUGIN.describe(machine.host()).channels[0].limit_high is None
