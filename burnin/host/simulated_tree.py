"""The invented machine's fixed files and links in the kernel's layout: processor, memory, buses, ports, displays, drive.

All makers and models are invented; bus identities use numbers that no maker holds. Ports follow the kernel's layout:
two controllers, each with a slow and a fast root hub whose ports are joined by ``peer`` links.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from burnin.host.simulated_plant import CORES
from burnin.host.simulated_tables import display_edid, smbios_entry_point, smbios_table

_PCI: Final = "/sys/devices/pci0000:00"
USB_FIRST: Final = f"{_PCI}/0000:00:14.0"
USB_SECOND: Final = f"{_PCI}/0000:00:1c.0/0000:0b:00.0"
GRAPHICS_DEVICE: Final = f"{_PCI}/0000:00:01.0/0000:01:00.0"
STORAGE_DEVICE: Final = f"{_PCI}/0000:00:1d.0/0000:02:00.0"
_VENDOR: Final = "0xf0f0"
MEMORY_KIB: Final = 32 * (1 << 20) - 700_000
"""32 GiB less what firmware keeps."""


@dataclass
class Tree:
    """Files and links of a machine, by absolute path."""

    files: dict[str, bytes] = field(default_factory=dict)
    links: dict[str, str] = field(default_factory=dict)

    def put(self, folder: str, **values: object) -> None:
        """Add small text files to a folder, each with a newline; ``__`` in a name stands for a dash."""
        for name, value in values.items():
            self.files[f"{folder}/{name.replace('__', '-')}"] = f"{value}\n".encode()

    def link(self, path: str, target: str) -> None:
        """Add a link to an absolute path on the machine."""
        self.links[path] = target


def fixed_tree() -> Tree:
    """Return everything that does not change while the machine runs."""
    tree = Tree()
    _system(tree)
    _processor(tree)
    _firmware(tree)
    _buses(tree)
    _usb_controller(tree, USB_FIRST, bus=1, slow_ports=8, fast_ports=4, speed=10000)
    _usb_controller(tree, USB_SECOND, bus=3, slow_ports=2, fast_ports=2, speed=10000)
    _usb_devices(tree)
    _displays(tree)
    _drive(tree)
    return tree


def _system(tree: Tree) -> None:
    files = tree.files
    files["/etc/os-release"] = (
        b'ID=rehearsal\nNAME="Rehearsal system"\nPRETTY_NAME="Rehearsal system 1"\nVERSION_ID="1"\n'
    )
    files["/proc/version"] = b"Linux version 6.1.0-rehearsal (rehearsal@invented)\n"
    files["/proc/cmdline"] = b"root=/dev/nvme0n1p2 ro quiet\n"
    files["/dev/kmsg"] = b"6,1,0,-;Rehearsal machine started\n"
    files["/proc/swaps"] = b"Filename\t\t\t\tType\t\tSize\t\tUsed\t\tPriority\n"
    tree.put(
        "/proc/sys/kernel", osrelease="6.1.0-rehearsal", hostname="rehearsal", ostype="Linux", arch="x86_64"
    )
    tree.put("/proc/sys/kernel/random", boot_id="00000000-0000-4000-8000-00000000c0de")
    tree.put("/proc/sys/vm", nr_hugepages=0)
    lines = {"MemTotal": MEMORY_KIB, "MemFree": MEMORY_KIB - 2_900_000, "MemAvailable": MEMORY_KIB - 2_100_000,
             "Buffers": 90_000, "Cached": 1_200_000, "SwapTotal": 0, "SwapFree": 0}  # fmt: skip
    text = "".join(f"{name + ':':<16}{value:>8} kB\n" for name, value in lines.items())
    files["/proc/meminfo"] = f"{text}HugePages_Total:       0\nHugepagesize:       2048 kB\n".encode()


def _processor(tree: Tree) -> None:
    folder = "/sys/devices/system/cpu"
    tree.put(folder, online=f"0-{CORES - 1}", possible=f"0-{CORES - 1}", present=f"0-{CORES - 1}")
    tree.put(f"{folder}/smt", active=0, control="notsupported")
    for cpu in range(CORES):
        here = f"{folder}/cpu{cpu}"
        tree.put(
            f"{here}/topology", core_id=cpu, physical_package_id=0, die_id=0, thread_siblings_list=cpu,
            core_cpus_list=cpu, package_cpus_list=f"0-{CORES - 1}", core_siblings_list=f"0-{CORES - 1}",
        )  # fmt: skip
        tree.put(
            f"{here}/cpufreq", cpuinfo_min_freq=800_000, cpuinfo_max_freq=5_000_000, base_frequency=3_600_000,
            scaling_min_freq=800_000, scaling_max_freq=5_000_000, scaling_governor="performance",
            scaling_driver="rehearsal", related_cpus=cpu,
        )  # fmt: skip
        for index, (level, kind, size) in enumerate(
            ((1, "Data", "48K"), (1, "Instruction", "32K"), (2, "Unified", "2048K"), (3, "Unified", "32768K"))
        ):
            shared = f"0-{CORES - 1}" if level == 3 else cpu
            tree.put(
                f"{here}/cache/index{index}", level=level, type=kind, size=size, shared_cpu_list=shared,
                coherency_line_size=64, id=0 if level == 3 else cpu,
            )  # fmt: skip


def _firmware(tree: Tree) -> None:
    table = smbios_table()
    tree.files["/sys/firmware/dmi/tables/DMI"] = table
    tree.files["/sys/firmware/dmi/tables/smbios_entry_point"] = smbios_entry_point(table)
    tree.link("/sys/class/dmi/id", "/sys/devices/virtual/dmi/id")
    tree.put(
        "/sys/devices/virtual/dmi/id", bios_vendor="Thornfield Firmware", bios_version="3.07-R", bios_date="02/14/2026",
        sys_vendor="Alder Bench Works", product_name="Heron VR", product_version="1", product_family="Heron",
        product_serial="REH-000001", product_sku="heron-vr", product_uuid="03020100-0504-0706-0809-0a0b0c0d0e0f",
        board_vendor="Thornfield", board_name="TX-80 Fenwright", board_version="1.1", board_serial="TF-REH-0001",
        chassis_type=7, chassis_vendor="Alder Bench Works", chassis_serial="REH-C-0001",
    )  # fmt: skip


def _device(tree: Tree, path: str, *, kind: str, product: str, speed: str, width: int) -> None:
    """Add a PCI function; an empty speed stands for one inside the chipset without a link of its own."""
    tree.put(
        path, vendor=_VENDOR, device=product, subsystem_vendor=_VENDOR, subsystem_device="0x0001", revision="0x01",
        enable=1, numa_node=-1, **{"class": kind},
    )  # fmt: skip
    if speed:
        tree.put(
            path,
            current_link_speed=speed,
            current_link_width=width,
            max_link_speed=speed,
            max_link_width=width,
        )
        for severity, total in (("correctable", "COR"), ("nonfatal", "NONFATAL"), ("fatal", "FATAL")):
            names = ("RxErr", "BadTLP", "BadDLLP") if severity == "correctable" else ("DLP", "TLP", "CmpltTO")
            lines = "".join(f"{name} 0\n" for name in (*names, f"TOTAL_ERR_{total}"))
            tree.files[f"{path}/aer_dev_{severity}"] = lines.encode()
    tree.link(f"/sys/bus/pci/devices/{path.rpartition('/')[2]}", path)


def _buses(tree: Tree) -> None:
    _device(tree, f"{_PCI}/0000:00:00.0", kind="0x060000", product="0x1000", speed="", width=0)
    for port, product in (("0000:00:01.0", "0x1001"), ("0000:00:1c.0", "0x101c"), ("0000:00:1d.0", "0x101d")):
        width, speed = {"0000:00:01.0": (16, "16.0 GT/s PCIe"), "0000:00:1c.0": (4, "8.0 GT/s PCIe")}.get(
            port, (4, "16.0 GT/s PCIe")
        )
        _device(tree, f"{_PCI}/{port}", kind="0x060400", product=product, speed=speed, width=width)
    _device(tree, USB_FIRST, kind="0x0c0330", product="0x1014", speed="", width=0)
    _device(tree, USB_SECOND, kind="0x0c0330", product="0x3042", speed="8.0 GT/s PCIe", width=4)
    _device(tree, GRAPHICS_DEVICE, kind="0x030000", product="0x7a10", speed="16.0 GT/s PCIe", width=16)
    _device(tree, STORAGE_DEVICE, kind="0x010802", product="0x5e01", speed="16.0 GT/s PCIe", width=4)
    _network(tree)


def _network(tree: Tree) -> None:
    path = f"{_PCI}/0000:00:1f.6"
    _device(tree, path, kind="0x020000", product="0x1f60", speed="", width=0)
    port = f"{path}/net/eno1"
    tree.put(
        port,
        address="02:00:00:00:00:01",
        operstate="up",
        carrier=1,
        speed=2500,
        duplex="full",
        type=1,
        mtu=1500,
    )
    tree.link(f"{port}/device", path)
    tree.link("/sys/class/net/eno1", port)


def _usb_device(tree: Tree, path: str, **values: object) -> None:
    tree.put(path, **values)
    tree.link(f"/sys/bus/usb/devices/{path.rpartition('/')[2]}", path)


def _usb_controller(tree: Tree, path: str, *, bus: int, slow_ports: int, fast_ports: int, speed: int) -> None:
    """Add both root hubs of a controller; the first fast ports are the fast halves of the first slow ones."""
    for number, ports, rate, version in (
        (bus, slow_ports, 480, " 2.00"),
        (bus + 1, fast_ports, speed, " 3.10"),
    ):
        hub = f"{path}/usb{number}"
        _usb_device(
            tree, hub, speed=rate, version=version, maxchild=ports, busnum=number, devnum=1, devpath=0,
            idVendor="1d6b", idProduct="0002" if rate == 480 else "0003", product="Host controller",
            manufacturer="rehearsal", bDeviceClass="09", bMaxPower="0mA", bNumConfigurations=1, removable="unknown",
            rx_lanes=1, tx_lanes=1, authorized=1,
        )  # fmt: skip
        interface = f"{hub}/{number}-0:1.0"
        _usb_device(tree, interface, bInterfaceClass="09", bInterfaceNumber="00", bInterfaceProtocol="00")
        for port in range(1, ports + 1):
            here = f"{interface}/usb{number}-port{port}"
            joined = port <= min(slow_ports, fast_ports)
            location = f"0x{(bus << 8) + port:08x}"
            tree.put(here, connect_type="hotplug", location=location, over_current_count=0, disable=0)
            if joined:
                other = bus + 1 if number == bus else bus
                tree.link(f"{here}/peer", f"{path}/usb{other}/{other}-0:1.0/usb{other}-port{port}")


def _usb_devices(tree: Tree) -> None:
    """Attach keyboard and mouse at the slow-only ports and a stick at the first fast port."""
    for bus, port, speed, product, kind in (
        (1, 7, "12", "Keyboard", "03"),
        (1, 8, "12", "Mouse", "03"),
        (2, 1, "5000", "Stick", "08"),
    ):
        hub = f"{USB_FIRST}/usb{bus}"
        path = f"{hub}/{bus}-{port}"
        _usb_device(
            tree, path, speed=speed, version=" 3.20" if bus == 2 else " 2.00", maxchild=0, busnum=bus, devnum=port + 1,
            devpath=port, idVendor="f0f0", idProduct=f"000{port}", product=product, manufacturer="Alder Bench Works",
            bDeviceClass="00", bMaxPower="100mA", bNumConfigurations=1, removable="removable", serial=f"REH-U-{port}",
        )  # fmt: skip
        _usb_device(tree, f"{path}/{bus}-{port}:1.0", bInterfaceClass=kind, bInterfaceNumber="00")
        slot = f"{hub}/{bus}-0:1.0/usb{bus}-port{port}"
        tree.link(f"{slot}/device", path)
        tree.link(f"{path}/port", slot)


def _displays(tree: Tree) -> None:
    card = f"{GRAPHICS_DEVICE}/drm/card0"
    tree.put(card, dev="226:0")
    tree.put(GRAPHICS_DEVICE, mem_info_vram_total=16 << 30)
    tree.link("/sys/class/drm/card0", card)
    tree.link(f"{card}/device", GRAPHICS_DEVICE)
    for name in ("DP-1", "DP-2", "HDMI-A-1"):
        attached = name == "HDMI-A-1"
        path = f"{card}/card0-{name}"
        tree.put(
            path, status="connected" if attached else "disconnected", enabled="enabled" if attached else "disabled",
            dpms="On" if attached else "Off",
        )  # fmt: skip
        tree.files[f"{path}/modes"] = b"2160x1200\n640x480\n" if attached else b""
        tree.files[f"{path}/edid"] = display_edid() if attached else b""
        tree.link(f"/sys/class/drm/card0-{name}", path)
        tree.link(f"{path}/device", card)


def _drive(tree: Tree) -> None:
    controller = f"{STORAGE_DEVICE}/nvme/nvme0"
    tree.put(
        controller, model="Saltmarsh SM-1000 invented", serial="REH-D-0001", firmware_rev="R1", state="live",
        transport="pcie", address="0000:02:00.0",
    )  # fmt: skip
    tree.link("/sys/class/nvme/nvme0", controller)
    block = f"{controller}/nvme0n1"
    tree.put(block, size=1_953_525_168, removable=0, ro=0)
    tree.put(f"{block}/queue", rotational=0, logical_block_size=512, physical_block_size=4096)
    tree.link("/sys/block/nvme0n1", block)
    tree.link("/sys/class/block/nvme0n1", block)
    tree.link(f"{block}/device", controller)
    tree.link(f"{controller}/device", STORAGE_DEVICE)
