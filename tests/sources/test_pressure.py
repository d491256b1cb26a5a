from __future__ import annotations

from burnin.records.channels import MISSING
from burnin.sources.pressure import PLUGIN

SOME = "some avg10=1.53 avg60=0.87 avg300=0.73 total=1088168194\n"
FULL = "full avg10=0.30 avg60=0.12 avg300=0.08 total=9\n"


def test_shares_of_the_last_ten_seconds(machine, sweep):
    machine.put("/proc/pressure/cpu", SOME + FULL)
    machine.put("/proc/pressure/memory", SOME + FULL)
    values = {key: reading.value for key, reading in sweep(PLUGIN, machine.host()).items()}
    assert values == {
        "pressure/cpu/some": 1.53,
        "pressure/memory/some": 1.53,
        "pressure/memory/full": 0.30,
    }


def test_a_kind_that_goes_away_is_missing(machine):
    machine.put("/proc/pressure/io", SOME + FULL)
    host = machine.host()
    session = PLUGIN.open(host, PLUGIN.describe(host).channels)
    machine.put("/proc/pressure/io", SOME)
    assert session.read()[1].quality == MISSING
    session.close()


def test_absence_gives_the_reason(machine):
    assert PLUGIN.describe(machine.host()).absent[0].reason == "the kernel keeps no waiting times: not there"
    for name in ("cpu", "memory", "io"):
        machine.put(f"/proc/pressure/{name}", "garbled\n")
    assert "'garbled'" in PLUGIN.describe(machine.host()).absent[0].reason
