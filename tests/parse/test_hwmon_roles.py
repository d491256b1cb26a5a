from __future__ import annotations

import pytest

from burnin.parse.hwmon_roles import (
    accuracy_of,
    has_own_maximum,
    note_of,
    resolution_of,
    role_of,
    without_offset,
)


@pytest.mark.parametrize(
    ("chip", "kind", "label", "role"),
    [
        # driver names and labels: kernel documentation of coretemp, k10temp, nvme, drivetemp, nct6775; others from memory
        ("coretemp", "temp", "Package id 0", "cpu_hottest"),
        ("coretemp", "temp", "Core 11", "cpu_core"),
        ("k10temp", "temp", "Tctl", "cpu_hottest"),
        ("k10temp", "temp", "Tdie", "cpu_hottest"),
        ("k10temp", "temp", "Tccd2", "cpu_core"),
        ("k10temp", "temp", "", "cpu_hottest"),
        ("zenpower", "temp", "SVI2", "none"),
        ("cpu_thermal", "temp", "", "cpu_hottest"),
        ("nvme", "temp", "Composite", "storage"),
        ("nvme", "temp", "Sensor 1", "none"),
        ("drivetemp", "temp", "", "storage"),
        ("amdgpu", "temp", "edge", "graphics"),
        ("amdgpu", "temp", "junction", "graphics"),
        ("amdgpu", "temp", "mem", "graphics_memory"),
        ("nouveau", "temp", "", "graphics"),
        ("xe", "temp", "vram", "graphics_memory"),
        ("jc42", "temp", "", "memory"),
        ("spd5118", "temp", "", "memory"),
        ("acpitz", "temp", "", "board"),
        ("pch_cannonlake", "temp", "", "board"),
        ("nct6798", "temp", "SYSTIN", "board"),
        ("nct6798", "temp", "CPUTIN", "board"),  # floats on some boards: never the processor's own value
        ("nct6798", "temp", "PCH_CHIP_TEMP", "board"),
        ("other", "temp", "Motherboard", "board"),
        ("other", "temp", "Coolant temp", "coolant"),
        ("other", "temp", "Water_In", "coolant"),
        ("other", "temp", "VRM", "power_stage"),
        ("other", "temp", "VRM MOS", "power_stage"),
        ("other", "temp", "VR Loop1", "power_stage"),
        ("other", "temp", "Ambient", "ambient"),
        ("other", "temp", "GPU", "graphics"),
        ("other", "temp", "T_Sensor", "none"),
        ("iwlwifi_1", "temp", "", "none"),
        ("other", "fan", "Pump speed", "pump"),
        ("other", "fan", "AIO PUMP", "pump"),
        ("other", "fan", "CPU fan", "fan"),
        ("nct6798", "fan", "", "fan"),
        ("amdgpu", "power", "PPT", "graphics_power"),
        ("other", "power", "GPU power", "graphics_power"),
        ("fam15h_power", "power", "", "cpu_power"),
        ("other", "power", "CPU Package Power", "cpu_power"),
        ("zenpower", "power", "SVI2_P_Core", "none"),
        ("coretemp", "in", "", "none"),
        ("amdgpu", "freq", "sclk", "none"),
    ],
)
def test_roles(chip, kind, label, role):
    assert role_of(chip, kind, label) == role


def test_the_control_value_steps_back_only_where_the_die_is_known():
    assert without_offset({"Tctl": "cpu_hottest", "Tdie": "cpu_hottest"}) == {
        "Tctl": "none",
        "Tdie": "cpu_hottest",
    }
    assert without_offset({"Tctl": "cpu_hottest", "Tccd1": "cpu_core"}) == {
        "Tctl": "cpu_hottest",
        "Tccd1": "cpu_core",
    }


@pytest.mark.parametrize(
    ("role", "accuracy"),
    [
        ("cpu_hottest", 5.0),
        ("graphics", 5.0),
        ("memory", 3.0),
        ("storage", 3.0),
        ("coolant", 2.0),
        ("board", 3.0),
    ],
)
def test_every_stated_accuracy_has_its_source_marked_as_memory(role, accuracy):
    value, source = accuracy_of(role)
    assert value == accuracy
    assert "from memory" in source


def test_nothing_is_stated_for_a_sensor_of_unknown_class():
    assert accuracy_of("none") == (None, "")


def test_steps_of_sensors():
    assert resolution_of("coretemp", "temp") == 1.0
    assert resolution_of("other", "temp") is None
    assert resolution_of("other", "fan") == 1.0
    assert resolution_of("other", "in") is None
    assert resolution_of("other", "pwm") == pytest.approx(0.392, abs=0.001)


def test_board_voltages_are_called_what_they_are():
    assert note_of("nct6798", "in") == "uncalibrated divider"
    assert note_of("amdgpu", "in") == note_of("zenpower", "in") == note_of("nct6798", "temp") == ""


def test_a_threshold_for_fans_is_no_limit_of_the_part():
    assert not has_own_maximum("coretemp")
    assert not has_own_maximum("k10temp")
    assert has_own_maximum("nvme")
