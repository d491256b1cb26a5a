from __future__ import annotations

import pytest

from burnin.records.channels import IMPLAUSIBLE, MISSING, OK
from burnin.sources.hwmon import PLUGIN

PLATFORM = "/sys/devices/platform"
NVME = "/sys/devices/pci0000:00/0000:00:1d.0/0000:02:00.0/nvme/nvme0"


def processor(machine, number=3):
    files = {"name": "coretemp", "temp1_label": "Package id 0", "temp1_input": 61_000, "temp1_max": 90_000,
             "temp1_crit": 100_000, "temp1_crit_alarm": 0}  # fmt: skip
    for core in range(2):
        sensor = f"temp{core + 2}"
        files |= {f"{sensor}_label": f"Core {4 * core}", f"{sensor}_input": 58_000 + core * 1000}
    return machine.chip(number, f"{PLATFORM}/coretemp.0", files)


def drive(machine, number=0):
    """Values of a virtual machine's emulated drive as its Linux 6.1 showed them (captured)."""
    folder = f"{NVME}/hwmon{number}"
    machine.fill(
        folder,
        {
            "name": "nvme",
            "temp1_label": "Composite",
            "temp1_input": 49_850,
            "temp1_max": 69_850,
            "temp1_min": -273_150,
            "temp1_crit": 99_850,
            "temp1_alarm": 0,
        },
    )
    machine.link(f"/sys/class/hwmon/hwmon{number}", f"../../{folder.removeprefix('/sys/')}")
    return folder


def channels_of(machine):
    return {channel.id: channel for channel in PLUGIN.describe(machine.host()).channels}


def test_a_drive_as_a_real_kernel_shows_it(machine, sweep):
    drive(machine)
    readings = sweep(PLUGIN, machine.host())
    assert readings["hwmon/nvme-0000:02:00.0/temp1"].value == 49.85
    channel = channels_of(machine)["hwmon/nvme-0000:02:00.0/temp1"]
    assert (channel.label, channel.role, channel.limit_high, channel.limit_critical) == (
        "Composite",
        "storage",
        69.85,
        99.85,
    )
    assert channels_of(machine)["hwmon/nvme-0000:02:00.0/temp1_alarm"].role == "fault_count"


def test_names_last_when_the_kernel_numbers_chips_anew(tmp_path, machine):
    processor(machine, 3)
    drive(machine, 0)
    other = type(machine)(tmp_path / "other")
    processor(other, 0)
    drive(other, 5)
    assert list(channels_of(machine)) == list(channels_of(other))


def test_cores_speak_for_their_logical_processors(machine):
    processor(machine)
    for cpu, core in ((0, 0), (1, 4), (2, 0), (3, 4)):
        machine.fill(
            f"/sys/devices/system/cpu/cpu{cpu}/topology", {"physical_package_id": 0, "core_id": core}
        )
    machine.put("/sys/devices/system/cpu/cpu9/online", "0\n")  # offline: no topology
    channels = channels_of(machine)
    assert channels["hwmon/coretemp-coretemp.0/temp2"].cores == (0, 2)
    assert channels["hwmon/coretemp-coretemp.0/temp3"].cores == (1, 3)
    assert channels["hwmon/coretemp-coretemp.0/temp1"].cores == ()
    assert channels["hwmon/coretemp-coretemp.0/temp1"].role == "cpu_hottest"
    assert channels["hwmon/coretemp-coretemp.0/temp2"].role == "cpu_core"
    assert channels["hwmon/coretemp-coretemp.0/temp1"].accuracy == 5.0
    assert channels["hwmon/coretemp-coretemp.0/temp1"].limit_critical == 100.0
    assert channels["hwmon/coretemp-coretemp.0/temp1"].limit_high is None  # 90: where all fans should run


def test_a_control_value_with_offset_steps_back_for_the_die(machine):
    device = "/sys/devices/pci0000:00/0000:00:18.3"
    files = {
        "name": "k10temp",
        "temp1_label": "Tctl",
        "temp1_input": 71_000,
        "temp3_label": "Tccd1",
        "temp3_input": 60_000,
    }
    machine.chip(1, device, files)
    assert channels_of(machine)["hwmon/k10temp-0000:00:18.3/temp1"].role == "cpu_hottest"
    assert channels_of(machine)["hwmon/k10temp-0000:00:18.3/temp3"].cores == ()
    machine.fill(f"{device}/hwmon/hwmon1", {"temp2_label": "Tdie", "temp2_input": 61_000})
    channels = channels_of(machine)
    assert channels["hwmon/k10temp-0000:00:18.3/temp1"].role == "none"
    assert channels["hwmon/k10temp-0000:00:18.3/temp2"].role == "cpu_hottest"


def board(machine):
    return machine.chip(
        2,
        f"{PLATFORM}/nct6775.656",
        {
            "name": "nct6798",
            "temp1_label": "SYSTIN", "temp1_input": 34_000, "temp1_max": 0, "temp1_max_alarm": 1,
            "temp2_label": "AUXTIN1", "temp2_input": -128_000,
            "temp3_label": "Water in", "temp3_input": 31_500,
            "temp4_label": "AUXTIN2", "temp4_input": 25_000, "temp4_fault": 1,
            "fan1_input": 1200, "fan1_fault": 0, "fan2_label": "Pump", "fan2_input": 0,
            "in0_input": 1024, "in1_input": 5040, "pwm1": 255, "pwm1_enable": 5,
            "curr1_input": 1500, "power1_average": 45_000_000, "intrusion0_alarm": 1, "beep_enable": 0,
        },
    )  # fmt: skip


def test_a_board_chip_gives_every_quantity_once_and_in_its_unit(machine, sweep):
    board(machine)
    readings = {key.rpartition("/")[2]: reading for key, reading in sweep(PLUGIN, machine.host()).items()}
    assert {key: reading.value for key, reading in readings.items() if reading.quality == OK} == {
        "temp1": 34.0, "temp3": 31.5, "fan1": 1200.0, "fan2": 0.0, "in0": 1.024, "in1": 5.04,
        "curr1": 1.5, "power1": 45.0, "pwm1": 100.0, "temp1_max_alarm": 1.0,
    }  # fmt: skip
    assert readings["temp2"].quality == IMPLAUSIBLE
    assert "unconnected" in readings["temp2"].reason
    assert readings["temp4"].quality == IMPLAUSIBLE
    assert "faulty" in readings["temp4"].reason


def test_roles_and_notes_on_a_board_chip(machine):
    board(machine)
    channels = {key.rpartition("/")[2]: channel for key, channel in channels_of(machine).items()}
    assert channels["fan2"].role == "pump"
    assert channels["fan1"].role == "fan"
    assert channels["fan1"].label == "nct6798 fan 1"
    assert channels["temp3"].role == "coolant"
    assert channels["temp1"].role == "board"
    assert channels["temp1"].limit_high is None
    assert "uncalibrated divider" in channels["in0"].place
    assert channels["temp1_max_alarm"].label == "SYSTIN: max alarm"
    assert channels["temp1_max_alarm"].role == "none"


def test_a_stopped_pump_is_a_valid_reading_of_zero(machine, sweep):
    board(machine)
    reading = sweep(PLUGIN, machine.host())["hwmon/nct6798-nct6775.656/fan2"]
    assert (reading.value, reading.quality) == (0.0, OK)


def test_a_value_changed_while_open_is_seen_and_a_removed_one_is_missing(machine):
    folder = processor(machine)
    host = machine.host()
    channels = PLUGIN.describe(host).channels
    session = PLUGIN.open(host, channels)
    assert session.read()[0].value == 61.0
    machine.put(f"{folder}/temp1_input", "99000\n")
    assert session.read()[0].value == 99.0
    machine.remove(f"{folder}/temp1_input")
    reading = session.read()[0]
    assert (reading.quality, reading.reason) == (MISSING, "not there")
    assert session.read()[1].value == 58.0
    machine.put(f"{folder}/temp1_input", "50000\n")
    assert session.read()[0].value == 50.0
    session.close()


@pytest.mark.parametrize("content", ["", "hot\n", "1e3\n", "61_000\n", "6" * 30])
def test_garbage_costs_its_own_channel_only(machine, content):
    folder = processor(machine)
    host = machine.host()
    session = PLUGIN.open(host, PLUGIN.describe(host).channels)
    machine.put(f"{folder}/temp1_input", content)
    readings = session.read()
    assert readings[0].quality == MISSING
    assert "expected one decimal number" in readings[0].reason
    assert readings[1].value == 58.0


def test_channels_of_a_chip_that_is_gone_are_missing(tmp_path, machine):
    processor(machine)
    channels = PLUGIN.describe(machine.host()).channels
    bare = type(machine)(tmp_path / "bare")
    assert {reading.quality for reading in PLUGIN.open(bare.host(), channels).read()} == {MISSING}
    bare.chip(0, f"{PLATFORM}/coretemp.0", {"name": "coretemp"})
    assert {reading.quality for reading in PLUGIN.open(bare.host(), channels).read()} == {MISSING}


def test_two_chips_of_one_name_on_one_device_are_told_apart(machine):
    machine.chip(0, f"{PLATFORM}/twin.0", {"name": "twin", "temp1_input": 1000})
    machine.chip(1, f"{PLATFORM}/twin.0", {"name": "twin", "temp1_input": 2000})
    assert list(channels_of(machine)) == ["hwmon/twin-twin.0/temp1", "hwmon/twin-twin.0#2/temp1"]


def test_old_drivers_keep_their_files_one_level_down(machine, sweep):
    machine.fill(f"{PLATFORM}/w83627hf.656", {"name": "w83627hf", "temp1_input": 33_000})
    machine.put(f"{PLATFORM}/w83627hf.656/hwmon/hwmon0/power/control", "auto\n")
    machine.link(f"{PLATFORM}/w83627hf.656/hwmon/hwmon0/device", "../..")
    machine.link("/sys/class/hwmon/hwmon0", "../../devices/platform/w83627hf.656/hwmon/hwmon0")
    assert [reading.value for reading in sweep(PLUGIN, machine.host()).values()] == [33.0]


def test_chips_that_cannot_be_read_are_left_out(machine):
    machine.link("/sys/class/hwmon/hwmon0", "../../devices/gone")
    machine.put("/sys/devices/virtual/hwmon/hwmon1/temp1_input", "1000\n")
    machine.link("/sys/class/hwmon/hwmon1", "../../devices/virtual/hwmon/hwmon1")
    assert channels_of(machine) == {}


def test_an_unreadable_label_or_limit_is_none(machine):
    folder = processor(machine)
    machine.remove(f"{folder}/temp1_label")
    machine.put(f"{folder}/temp1_label/x", "")  # a folder where a file should be
    machine.put(f"{folder}/temp1_crit", "never\n")
    channel = channels_of(machine)["hwmon/coretemp-coretemp.0/temp1"]
    assert channel.label == "coretemp temperature 1"
    assert channel.limit_critical is None


def test_what_is_absent_is_named_with_the_reason(machine, live_host):
    reasons = {absence.quantity: absence.reason for absence in PLUGIN.describe(machine.host()).absent}
    assert reasons["temperature"] == "the kernel lists no hwmon chip: no temperature sensor can be read"
    processor(machine)
    reasons = {absence.quantity: absence.reason for absence in PLUGIN.describe(machine.host()).absent}
    assert "temperature" not in reasons
    assert reasons["fan_speed"] == "no sensor chip the kernel lists has one: no tachometer can be read"
    elsewhere = PLUGIN.describe(live_host("Windows"))
    assert (elsewhere.channels, elsewhere.absent) == ((), ())
