from __future__ import annotations

from burnin.records.channels import MISSING
from burnin.sources.memory_errors import PLUGIN

MC = "/sys/devices/system/edac/mc"


def controller(machine, mode="SECDED", corrected=0):
    machine.fill(
        f"{MC}/mc0", {"mc_name": "rehearsal", "ce_count": corrected, "ue_count": 0, "reset_counters": ""}
    )
    machine.fill(
        f"{MC}/mc0/dimm0",
        {
            "dimm_label": "CPU_SrcID#0_Chan#0_DIMM#0",
            "dimm_ce_count": corrected,
            "dimm_ue_count": 0,
            "dimm_edac_mode": mode,
        },
    )
    machine.fill(f"{MC}/mc0/rank1", {"dimm_ce_count": 0, "dimm_edac_mode": mode})


def test_corrected_errors_are_counted_for_controller_and_module(machine, sweep):
    controller(machine, corrected=3)
    values = {key: reading.value for key, reading in sweep(PLUGIN, machine.host()).items()}
    assert values == {
        "memory_errors/mc0/ce_count": 3.0,
        "memory_errors/mc0/ue_count": 0.0,
        "memory_errors/mc0.dimm0/dimm_ce_count": 3.0,
        "memory_errors/mc0.dimm0/dimm_ue_count": 0.0,
        "memory_errors/mc0.rank1/dimm_ce_count": 0.0,
    }
    channels = {channel.id: channel for channel in PLUGIN.describe(machine.host()).channels}
    assert channels["memory_errors/mc0.dimm0/dimm_ce_count"].label == (
        "Corrected memory errors, CPU_SrcID#0_Chan#0_DIMM#0"
    )
    assert channels["memory_errors/mc0.rank1/dimm_ce_count"].label == "Corrected memory errors, rank1"
    assert {channel.role for channel in channels.values()} == {"fault_count"}


def test_an_error_during_the_run_raises_the_count(machine):
    controller(machine)
    host = machine.host()
    session = PLUGIN.open(host, PLUGIN.describe(host).channels)
    assert session.read()[0].value == 0.0
    controller(machine, corrected=1)
    assert session.read()[0].value == 1.0
    machine.put(f"{MC}/mc0/ce_count", "many\n")
    assert session.read()[0].quality == MISSING
    session.close()


def test_memory_without_correction_is_not_called_clean(machine):
    controller(machine, mode="None")
    description = PLUGIN.describe(machine.host())
    assert description.channels == ()
    assert description.absent[0].reason == (
        "the memory runs without error correction: a count of zero would prove nothing"
    )


def test_no_controller_is_absent_with_the_reason(machine):
    machine.fill(f"{MC}/power", {"control": "auto"})
    assert "no memory controller" in PLUGIN.describe(machine.host()).absent[0].reason


def test_a_controller_without_a_list_of_modules_is_read(machine, sweep):
    machine.fill(f"{MC}/mc1", {"ce_count": 0})
    assert list(sweep(PLUGIN, machine.host())) == ["memory_errors/mc1/ce_count"]
