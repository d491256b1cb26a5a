from __future__ import annotations

from burnin.records.channels import MISSING
from burnin.sources.pcie_errors import PLUGIN

DEVICES = "/sys/bus/pci/devices"
LONG_NAMES = (
    "Receiver Error 2\nBad TLP 0\nBad DLLP 0\nRELAY_NUM Rollover 0\nReplay Timer Timeout 0\nTOTAL_ERR_COR 2\n"
)
"""The sample of the kernel's ABI text (sysfs-bus-pci-devices-aer_stats), with two errors put in."""
SHORT_NAMES = "RxErr 0\nBadTLP 1\nTOTAL_ERR_COR 0\n"


def device(machine, name="0000:01:00.0", correctable=LONG_NAMES, fatal="DLP 0\nTOTAL_ERR_FATAL 0\n"):
    machine.put(f"{DEVICES}/{name}/aer_dev_correctable", correctable)
    machine.put(f"{DEVICES}/{name}/aer_dev_fatal", fatal)
    machine.put(f"{DEVICES}/{name}/aer_dev_nonfatal", "TLP 1\nTOTAL_ERR_NONFATAL 1\n")


def test_totals_are_read_whatever_the_names(machine, sweep):
    device(machine)
    device(machine, "0000:02:00.0", correctable=SHORT_NAMES, fatal="DLP 2\nTOTAL_ERR_FATAL 2\n")
    assert {key: reading.value for key, reading in sweep(PLUGIN, machine.host()).items()} == {
        "pcie_errors/0000:01:00.0/correctable": 2.0,
        "pcie_errors/0000:01:00.0/uncorrectable": 1.0,
        "pcie_errors/0000:02:00.0/correctable": 1.0,
        "pcie_errors/0000:02:00.0/uncorrectable": 3.0,
    }


def test_an_error_during_the_run_raises_the_count_and_garbage_is_missing(machine):
    device(machine)
    host = machine.host()
    session = PLUGIN.open(host, PLUGIN.describe(host).channels)
    device(machine, correctable=LONG_NAMES.replace(" 2\n", " 5\n"))
    assert session.read()[0].value == 5.0
    device(machine, correctable="nonsense\n")
    assert session.read()[0].quality == MISSING
    session.close()


def test_absence_tells_apart_no_bus_and_no_counters(machine):
    assert PLUGIN.describe(machine.host()).absent[0].reason == "the kernel lists no PCI device"
    machine.put(f"{DEVICES}/0000:00:00.0/vendor", "0xf0f0\n")
    assert "counts errors" in PLUGIN.describe(machine.host()).absent[0].reason
