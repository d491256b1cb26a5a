from __future__ import annotations

import hashlib
import importlib
import shutil
import statistics
import subprocess

import pytest

from burnin.errors import Unreadable
from burnin.host.simulated import START_MONO_NS, START_WALL_NS, SimulatedClock, SimulatedHost
from burnin.host.simulated_sensors import ENERGY_RANGE_UJ, noise
from burnin.host.simulated_tables import display_edid, smbios_entry_point, smbios_table

PACKAGE = "/sys/class/hwmon/hwmon2/temp1_input"
PUMP = "/sys/class/hwmon/hwmon3/fan1_input"
EDID_DIGEST = "fe966e76d49f10ac"
SMBIOS_DIGEST = "74b06b9c6770f277"


def at(host, seconds):
    host.clock.sleep_until(START_MONO_NS + round(seconds * 1e9))
    return host


def number(host, path):
    return int(host.read(path))


def test_the_clock_jumps_and_never_goes_back():
    clock = SimulatedClock(tick_ns=0)
    assert clock.mono_ns() == clock.boot_ns() == START_MONO_NS
    assert clock.wall_ns() == START_WALL_NS
    clock.sleep_until(START_MONO_NS + 3600 * 10**9)
    assert clock.wall_ns() == START_WALL_NS + 3600 * 10**9
    clock.sleep_until(0)
    assert clock.mono_ns() == START_MONO_NS + 3600 * 10**9
    assert (clock.utc_offset_s(), SimulatedClock(offset_s=7200).utc_offset_s()) == (0, 7200)


def test_looking_at_the_clock_moves_it_so_that_waiting_loops_end():
    clock = SimulatedClock(tick_ns=1000)
    assert clock.mono_ns() < clock.mono_ns()


def test_it_is_a_rehearsal_and_nothing_of_this_machine():
    host = SimulatedHost()
    assert (host.kind, host.system, host.with_rights, host.live) == ("rehearsal", "Linux", True, None)
    with pytest.raises(Unreadable, match="runs no commands"):
        host.run(["true"], timeout_s=1.0)
    with pytest.raises(Unreadable, match="not there"):
        host.read("/etc/passwd")


def test_an_hour_of_full_load_is_over_at_once_and_ends_steady():
    host = SimulatedHost()
    idle = number(host, PACKAGE)
    host.set_load(1.0, 1.0)
    hot = [number(at(host, 3600.0 + second), PACKAGE) for second in range(60)]
    assert idle < 35_000
    assert 55_000 < statistics.mean(hot) < 75_000
    assert {value % 1000 for value in hot} == {0}  # whole degrees, as core sensors step
    assert max(hot) - min(hot) <= 4000


def test_load_shares_are_held_within_bounds():
    host = SimulatedHost()
    host.set_load(7.0, -1.0, 2.0)
    assert (host.plant.load.cpu, host.plant.load.memory, host.plant.load.graphics) == (1.0, 0.0, 1.0)


def test_the_pump_fails_at_its_moment_and_its_tachometer_shows_nothing():
    host = SimulatedHost(pump_fails_at_s=600.0)
    host.set_load(1.0, 1.0)
    assert number(at(host, 599.0), PUMP) == pytest.approx(2400, abs=60)
    before = number(host, PACKAGE)
    assert number(at(host, 601.0), PUMP) == 0
    assert number(at(host, 605.0), PACKAGE) > before + 10_000


def test_heat_shows_in_clocks_and_throttle_counters():
    host = SimulatedHost(pump_fails_at_s=10.0)
    host.set_load(1.0)
    at(host, 60.0)
    assert number(host, "/sys/devices/system/cpu/cpu0/thermal_throttle/package_throttle_count") >= 1
    assert number(host, "/sys/devices/system/cpu/cpu0/thermal_throttle/core_throttle_total_time_ms") > 1000
    assert number(host, "/sys/devices/system/cpu/cpu3/cpufreq/scaling_cur_freq") < 2_300_000
    assert b"cpu MHz\t\t: 2200.000" in host.read("/proc/cpuinfo")
    assert host.read("/proc/loadavg").startswith(b"8.00")
    assert float(host.read("/proc/uptime").split()[0]) == pytest.approx(660.0, abs=0.1)


def test_equal_seeds_give_equal_machines_in_any_order_of_reading():
    paths = [f"/sys/class/hwmon/hwmon2/temp{index}_input" for index in range(1, 10)]

    def readings(seed, order):
        host = SimulatedHost(clock=SimulatedClock(tick_ns=0), seed=seed)
        host.set_load(0.8)
        found = {}
        for second in range(1, 40):
            at(host, second)
            found |= {(second, path): host.read(path) for path in order}
        return found

    assert readings(5, paths) == readings(5, paths[::-1])
    assert readings(5, paths) != readings(6, paths)


def test_the_noise_is_that_of_a_normal_distribution():
    """Mean, deviation and the share within one deviation (0.6827) of 5,000 draws; the sum of twelve gives 0.6747."""
    draws = [noise(1, 7, index / 5.0 + 0.1) for index in range(5_000)]
    assert statistics.mean(draws) == pytest.approx(0.0, abs=0.05)
    assert statistics.stdev(draws) == pytest.approx(1.0, abs=0.04)
    assert sum(abs(draw) < 1.0 for draw in draws) / len(draws) == pytest.approx(0.68, abs=0.03)


def test_energy_wraps_like_a_real_counter():
    host = SimulatedHost()
    host.plant.cpu_energy_j = (ENERGY_RANGE_UJ + 5_000_000) / 1e6
    assert number(host, "/sys/class/powercap/intel-rapl:0/energy_uj") == pytest.approx(
        5_000_000, abs=1_000_000
    )


def test_files_folders_and_links_behave_like_a_tree():
    host = SimulatedHost()
    assert "hwmon2" in host.names("/sys/class/hwmon")
    assert host.resolve("/sys/class/hwmon/hwmon2") == "/sys/devices/platform/coretemp.0/hwmon/hwmon2"
    assert host.read("/sys/class/hwmon/../hwmon/./hwmon2/name") == b"coretemp\n"
    assert host.resolve("/sys/nowhere") is None
    assert host.names("/sys/nowhere") == ()
    assert host.names("/") == ("dev", "etc", "proc", "sys")
    assert host.resolve("/") == "/"
    with pytest.raises(Unreadable, match="a folder, not a file"):
        host.read("/sys/class")
    with pytest.raises(Unreadable, match="not there"):
        host.keep_open("/sys/nowhere")


def test_links_in_a_circle_are_told():
    host = SimulatedHost()
    host._links |= {"/a": "/b", "/b": "/a"}
    assert host.resolve("/a") is None
    assert host.names("/a") == ()
    with pytest.raises(Unreadable, match="circle"):
        host.read("/a")


def test_a_file_can_be_changed_and_taken_away_while_kept_open():
    host = SimulatedHost()
    kept = host.keep_open(PACKAGE)
    host.set_file(PACKAGE, b"99000\n")
    assert kept.read() == b"99000\n"
    host.set_file(PACKAGE, None)
    with pytest.raises(Unreadable, match="not there"):
        kept.read()
    assert "temp1_input" not in host.names("/sys/class/hwmon/hwmon2")
    host.set_file(PACKAGE, None)
    kept.close()


def test_every_link_leads_somewhere():
    host = SimulatedHost()
    assert [link for link in host._links if host.resolve(link) is None] == []


def test_no_file_holds_what_no_kernel_would_write():
    host = SimulatedHost()
    for path in host._files:
        data = host.read(path)
        binary = path.endswith(("/edid", "/DMI", "smbios_entry_point"))
        assert binary or data == b"" or data.endswith(b"\n"), path


def probe(name):
    return importlib.import_module(f"burnin.probes.{name}").PLUGIN.probe(SimulatedHost())


def test_the_probes_find_what_was_built():
    assert (probe("cpu").physical, probe("cpu").model) == (8, "Bramblewick Eight B-8000 (invented)")
    memory = probe("memory")
    assert memory.installed_bytes == 32 << 30
    assert [module.slot for module in memory.modules if module.size_bytes] == ["DIMM_A2", "DIMM_B2"]
    connectors = probe("usb").connectors
    free = [one.name for one in connectors if one.device is None and (one.speed_mbit_s or 0) >= 5000]
    assert len(free) == 5
    assert all("+" in name for name in free)  # both halves of one connector, counted once
    outputs = {output.name.partition("-")[2]: output for output in probe("displays").outputs}
    assert {name: output.state for name, output in outputs.items()} == {
        "DP-1": "disconnected", "DP-2": "disconnected", "HDMI-A-1": "connected",
    }  # fmt: skip
    timing = outputs["HDMI-A-1"].timings[0]
    assert (timing.width_px, timing.height_px) == (2160, 1200)
    assert timing.refresh_hz == pytest.approx(
        89.942, abs=0.001
    )  # edid-decode --cvt w=2160,h=1200,fps=90,rb=1


def test_the_tables_have_not_changed_unnoticed():
    """Digests of what dmidecode and edid-decode accepted (the tests below run them where they are installed)."""
    assert len(smbios_entry_point(smbios_table())) == 24
    assert sum(smbios_entry_point(smbios_table())) % 256 == 0
    assert hashlib.sha256(display_edid()).hexdigest()[:16] == EDID_DIGEST
    assert hashlib.sha256(smbios_table()).hexdigest()[:16] == SMBIOS_DIGEST


@pytest.mark.system
@pytest.mark.skipif(shutil.which("edid-decode") is None, reason="edid-decode is not installed")
def test_edid_decode_accepts_the_display(tmp_path):
    (tmp_path / "edid").write_bytes(display_edid())
    out = subprocess.run(
        ["edid-decode", "--check", str(tmp_path / "edid")], capture_output=True, text=True, check=False
    )
    assert "EDID conformity: PASS" in out.stdout
    assert "2160x1200   89.942299 Hz" in out.stdout


@pytest.mark.system
@pytest.mark.skipif(shutil.which("dmidecode") is None, reason="dmidecode is not installed")
def test_dmidecode_reads_the_firmware_tables(tmp_path):
    entry = bytearray(smbios_entry_point(smbios_table()))
    entry[16:24] = (32).to_bytes(8, "little")
    entry[5] = 0
    entry[5] = -sum(entry) % 256
    (tmp_path / "dump").write_bytes(bytes(entry).ljust(32, b"\0") + smbios_table())
    tool = shutil.which("dmidecode")
    out = subprocess.run(
        [tool, "--from-dump", str(tmp_path / "dump")], capture_output=True, text=True, check=False
    ).stdout
    assert out.count("Size: 16 GB") == 2
    assert out.count("No Module Installed") == 2
    assert "Configured Memory Speed: 6000 MT/s" in out
    assert "Error Correction Type: None" in out
    assert "<BAD" not in out
    assert "End Of Table" in out
