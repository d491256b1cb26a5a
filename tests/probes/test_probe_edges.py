"""What the described machines do not show: other systems, missing rights, damaged files, commands that answer."""

from __future__ import annotations

import json

import pytest

from burnin.errors import Unreadable
from burnin.host.protocol import CommandResult
from burnin.host.recorded import RecordedHost
from burnin.probes import (
    board,
    cpu,
    displays,
    graphics,
    memory,
    network,
    pci,
    storage,
    system,
    usb,
)
from burnin.records.inventory import Cache, CpuCore, FileSystem

ALL = (board, cpu, displays, graphics, memory, network, pci, storage, system, usb)


class Library:
    """Stands in for the sensor library of a system that is no Linux."""

    def __init__(self, known: dict[str, str], counts: tuple[int | None, int | None]) -> None:
        self.known, self.counts = known, counts

    def cpu_description(self):
        return self.known

    def cpu_counts(self):
        return self.counts

    def memory_gib(self):
        return (16.0, 8.0, 0.5)


class Elsewhere(RecordedHost):
    """A machine with another system, or with rights, or with commands."""

    library: Library | None = None
    answers: dict[str, bytes] = {}  # noqa: RUF012 - replaced on the instance
    family = "Linux"
    here = False
    rights = False

    @property
    def live(self):
        return self.library

    @property
    def system(self):
        return self.family

    @property
    def kind(self):
        return "this machine" if self.here else "recorded tree"

    @property
    def with_rights(self):
        return self.rights

    def run(self, command, *, timeout_s):
        if command[0] not in self.answers:
            raise Unreadable(command[0], "the command is not installed")
        return CommandResult(code=0, out=self.answers[command[0]], err=b"")


@pytest.fixture
def elsewhere(tmp_path):
    (tmp_path / "sys").mkdir()
    return Elsewhere(str(tmp_path))


def test_an_empty_tree_gives_reasons_everywhere_and_no_error(elsewhere):
    for module in ALL:
        part = module.PLUGIN.probe(elsewhere)
        assert part.unknown, module.__name__
        assert all(reason for reason in part.unknown.values())


def test_another_system_says_so(elsewhere):
    elsewhere.family = "Plan9"
    for module in (usb, displays, pci, graphics, storage, network):
        assert module.PLUGIN.probe(elsewhere).unknown["*"] == "not read on Plan9"


def test_another_system_asks_the_libraries(elsewhere):
    elsewhere.library = Library({"brand_raw": "Some Processor"}, (8, None))
    part = cpu.PLUGIN.probe(elsewhere)
    assert (part.model, part.logical, part.physical) == ("Some Processor", 8, None)
    assert set(part.unknown) >= {"vendor", "physical", "governor"}
    found = memory.PLUGIN.probe(elsewhere)
    assert (found.usable_bytes, found.swap_used_bytes, found.swap_bytes) == (16 << 30, 1 << 29, None)
    assert "swap_bytes" in found.unknown


def test_a_library_that_knows_nothing(elsewhere):
    elsewhere.library = Library({}, (None, None))
    assert "*" in cpu.PLUGIN.probe(elsewhere).unknown


def test_processor_kinds_and_damaged_lists(tree):
    host = tree(
        {
            "/proc/cpuinfo": "processor : 0\n\nprocessor : 1\n",
            "/sys/devices/cpu_core/cpus": "0\n",
            "/sys/devices/cpu_atom/cpus": "one\n",
            "/sys/devices/system/cpu/cpu0/cpufreq/base_frequency": "3200000\n",
            "/sys/devices/system/cpu/cpu0/cache/index0/size": "odd\n",
            "/sys/devices/system/cpu/cpu0/cache/index1/size": "32K\n",
            "/sys/devices/system/cpu/cpu0/cache/index2/size": "32K\n",
            "/sys/devices/system/cpu/cpu0/cache/index2/level": "1\n",
            "/sys/devices/system/cpu/cpu0/cache/index2/type": "Data\n",
        }
    )
    part = cpu.PLUGIN.probe(host)
    assert [core.kind for core in part.cores] == ["performance", ""]
    assert part.base_mhz == 3200.0
    assert part.caches == (Cache(level=1, kind="Data", size_bytes=32768),)
    assert part.physical is None
    assert part.cores[1] == CpuCore(cpu=1)


def test_core_numbers_serve_where_sibling_lists_are_missing(tree):
    host = tree({"/proc/cpuinfo": "processor : 0\ncore id : 0\n\nprocessor : 1\ncore id : 0\n"})
    assert cpu.PLUGIN.probe(host).physical == 1


def test_a_damaged_firmware_table_is_a_reason_with_its_field(tree):
    host = tree({"/sys/firmware/dmi/tables/DMI": b"\x01\x02\x00\x00", "/proc/meminfo": "MemTotal: 1024 kB\n"})
    part = memory.PLUGIN.probe(host)
    assert part.usable_bytes == 1 << 20
    assert "SMBIOS table, length" in part.unknown["modules"]
    assert "SMBIOS table, length" in board.PLUGIN.probe(host).unknown["*"]


def test_a_table_without_memory_and_a_memory_controller_that_counts(tree):
    host = tree(
        {
            "/sys/firmware/dmi/tables/DMI": b"\x7f\x04\x00\x00\x00\x00",
            "/sys/devices/system/edac/mc/mc0/ce_count": "0\n",
        }
    )
    part = memory.PLUGIN.probe(host)
    assert part.unknown["modules"] == "the firmware's table (SMBIOS) lists no memory sockets"
    assert part.error_counters is True


def test_names_of_board_and_firmware_without_rights(tree):
    files = {"board_vendor": "A Maker", "board_name": "Default string", "bios_date": "02/03/2024"}
    part = board.PLUGIN.probe(tree({f"/sys/class/dmi/id/{name}": text for name, text in files.items()}))
    assert (part.maker, part.product, part.firmware_date) == ("A Maker", None, "2024-02-03")
    assert part.unknown["product"] == "not there"
    assert part.unknown["serial"] == "not there"


def test_secure_boot_in_every_state(tree, tmp_path):
    name = "/sys/firmware/efi/efivars/SecureBoot-8be4df61-93ca-11d2-aa0d-00e098032b8c"
    assert system.PLUGIN.probe(tree({name: bytes((6, 0, 0, 0, 1))})).secure_boot is True
    (tmp_path / name[1:]).write_bytes(b"\x06\x00")
    part = system.PLUGIN.probe(RecordedHost(str(tmp_path)))
    assert "2 bytes, not 5" in part.unknown["secure_boot"]
    (tmp_path / name[1:]).unlink()
    assert system.PLUGIN.probe(RecordedHost(str(tmp_path))).unknown["secure_boot"] == "not there"


def test_a_hypervisor_by_name(tree):
    host = tree({"/proc/cpuinfo": "processor : 0\nflags : hypervisor\n", "/sys/hypervisor/type": "xen\n"})
    assert system.PLUGIN.probe(host).hypervisor == "xen"


def test_damaged_identification_data_is_named_with_its_field(tree):
    base = "/sys/class/drm/card0-DP-1"
    part = displays.PLUGIN.probe(tree({f"{base}/status": "connected\n", f"{base}/edid": b"\x01" * 128}))
    (output,) = part.outputs
    assert "EDID, header" in output.edid_trouble
    assert (output.edid_size_bytes, output.enabled, output.display_name) == (128, None, None)


def test_outputs_without_a_file_of_identification_data_and_writeback(tree):
    files = {
        "/sys/class/drm/card0-eDP-1/enabled": "disabled",
        "/sys/class/drm/card0-Writeback-1/status": "unknown",
    }
    (output,) = displays.PLUGIN.probe(tree(files)).outputs
    assert (output.kind, output.state, output.edid_size_bytes) == ("edp", "unknown", 0)


def test_a_display_driver_without_a_pci_device(tree):
    host = tree(
        {
            "/sys/class/drm/card0": "-> ../../devices/platform/vkms/drm/card0",
            "/sys/devices/platform/vkms/drm/card0/dev": "226:0",
            "/sys/class/drm/card1": "-> ../../devices/platform/soc/drm/card1",
            "/sys/devices/platform/soc/drm/card1/device": "-> ../..",
            "/sys/devices/platform/soc/driver": "-> ../../../bus/platform/drivers/socgpu",
            "/sys/bus/platform/drivers/socgpu": "dir",
        }
    )
    software, real = graphics.PLUGIN.probe(host).cards
    assert (software.software, real.software, real.driver) == (True, False, "socgpu")


def test_pci_devices_with_odd_ids_and_links(tree):
    base = "/sys/bus/pci/devices/0000:01:00.0"
    files = {"vendor": "odd", "class": "0x030000", "current_link_speed": "odd", "current_link_width": "255"}
    host = tree({f"{base}/{name}": text for name, text in files.items()})
    (device,) = pci.PLUGIN.probe(host).devices
    assert (device.vendor_id, device.width, device.speed_gts, device.name) == (
        "",
        None,
        None,
        "device without ids",
    )
    assert graphics.PLUGIN.probe(host).cards[0].address == "0000:01:00.0"


def test_usb_devices_with_odd_descriptors(tree):
    base = "/sys/bus/usb/devices/usb1"
    host = tree({f"{base}/idVendor": "odd", f"{base}/bos_descriptors": b"\x05", f"{base}/bMaxPower": "lots"})
    part = usb.PLUGIN.probe(host)
    assert part.present is True
    assert part.connectors == ()
    assert part.controllers[0].speed_mbit_s is None


def test_drives_report_on_themselves_with_rights(elsewhere, tmp_path):
    block = tmp_path / "sys" / "block" / "sda"
    (block / "device").mkdir(parents=True)
    (block / "size").write_text("2048\n")
    elsewhere.rights = elsewhere.here = True
    report = {"smart_status": {"passed": True}, "endurance_used": {"current_percent": 2}}
    elsewhere.answers = {
        "smartctl": json.dumps(report).encode(),
        "df": b"Filesystem 1024-blocks Used Available Capacity Mounted on\n/dev/sda1 100 50 50 50% /\n",
    }
    part = storage.PLUGIN.probe(elsewhere)
    assert (part.drives[0].healthy, part.drives[0].wear_pct, part.unknown) == (True, 2.0, {})
    assert part.file_systems == (
        FileSystem(mount="/", device="/dev/sda1", size_bytes=102400, free_bytes=51200),
    )
    elsewhere.answers["smartctl"] = b"{}"
    assert storage.PLUGIN.probe(elsewhere).unknown["health"] == "sda gives no health report"
    elsewhere.answers["smartctl"] = b"no"
    assert "drive health report" in storage.PLUGIN.probe(elsewhere).unknown["health"]
    elsewhere.rights = False
    assert storage.PLUGIN.probe(elsewhere).unknown["health"] == "administrator's rights needed"


def test_no_drive_and_a_drive_without_a_size(tree):
    part = storage.PLUGIN.probe(tree({"/sys/block/loop0/size": "1", "/sys/block/sdz/size": "0"}))
    assert part.unknown["drives"] == "the kernel lists no drive"


def test_radios(tree):
    base = "/sys/class/net/wlan0"
    host = tree(
        {
            f"{base}/device/vendor": "x",
            f"{base}/wireless/link": "0",
            f"{base}/operstate": "dormant",
            f"{base}/speed": "-1",
            "/sys/class/net/lo/operstate": "unknown",
            "/proc/net/wireless": "h\nh\n wlan0: 0000   54.  -61.  -256        0\n",
        }
    )
    (port,) = network.PLUGIN.probe(host).ports
    assert (port.wireless, port.signal_dbm, port.up, port.speed_mbit_s) == (True, -61.0, None, None)
    assert network.PLUGIN.probe(tree({"/sys/class/net/eth9/operstate": "up"})).ports == (port,)


def test_no_port_belongs_to_hardware(tree):
    assert "ports" in network.PLUGIN.probe(tree({"/sys/class/net/lo/operstate": "unknown"})).unknown
