from __future__ import annotations

from burnin.errors import Unreadable
from burnin.records.channels import MISSING
from burnin.sources.kernel_log import PLUGIN, KernelLogSource

START = "6,100,5140900,-;Linux version\n"
CHECKS = (
    "4,101,900000000,-;mce: [Hardware Error]: Machine check events logged\n"
    "0,102,900000100,-;mce: [Hardware Error]: CPU 0: Machine Check: 0 Bank 9: 9c00004000010090\n"
    "6,103,900000200,-;usb 2-1: USB disconnect, device number 2\n"
    " SUBSYSTEM=usb\n"
)
"""Lines of a virtual machine's Linux 6.1 after an injected corrected machine check and a pulled stick (captured text)."""


def values(session, channels):
    return {
        channel.id.rpartition("/")[2]: reading
        for channel, reading in zip(channels, session.read(), strict=True)
    }


def test_an_injected_machine_check_and_a_pulled_stick_are_counted(machine):
    machine.put("/dev/kmsg", START + CHECKS)
    host = machine.host()
    channels = PLUGIN.describe(host).channels
    session = PLUGIN.open(host, channels)
    assert values(session, channels)["machine_check"].value == 0.0  # older lines do not count
    machine.put("/dev/kmsg", START + CHECKS + CHECKS)
    readings = values(session, channels)
    assert readings["machine_check"].value == 2.0
    assert readings["usb_detach"].value == 1.0
    assert readings["pcie"].value == 0.0
    assert [line.kind for line in session.lines] == ["machine_check", "machine_check", "usb_detach"]
    assert values(session, channels)["machine_check"].value == 2.0  # counted once
    session.close()
    assert {reading.reason for reading in session.read()} == {"closed"}


def test_faults_have_the_role_and_comings_and_goings_have_not(machine):
    machine.put("/dev/kmsg", START)
    roles = {
        channel.id.rpartition("/")[2]: channel.role for channel in PLUGIN.describe(machine.host()).channels
    }
    assert roles["machine_check"] == roles["pcie"] == roles["storage"] == "fault_count"
    assert roles["usb_detach"] == roles["usb_fault"] == roles["thermal"] == roles["out_of_memory"] == "none"


def test_a_log_that_cannot_be_read_is_absent_with_the_reason(machine, live_host):
    (absence,) = PLUGIN.describe(machine.host()).absent
    assert absence.reason == "the kernel's log: not there"
    assert "on Linux only" in PLUGIN.describe(live_host("Windows")).absent[0].reason


def test_a_log_that_fails_later_is_missing(machine):
    machine.put("/dev/kmsg", START)
    host = machine.host()
    channels = PLUGIN.describe(host).channels
    session = PLUGIN.open(host, channels)
    machine.remove("/dev/kmsg")
    assert {(reading.quality, reading.reason) for reading in session.read()} == {(MISSING, "not there")}

    def refuse(_):
        raise Unreadable("/dev/kmsg", "administrator's rights needed")

    refused = KernelLogSource(refuse).open(host, channels)
    assert {reading.reason for reading in refused.read()} == {"administrator's rights needed"}
    refused.close()
