"""The machine as found. Every field is a value, or None with a reason in ``unknown``."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypeVar

from msgspec.structs import replace

from burnin.records.base import LooseRecord

P = TypeVar("P", bound="Part")


class Part(LooseRecord, frozen=True, kw_only=True):
    """One part of the inventory.

    Attributes:
        unknown: Field name to the reason why it has no value, in plain words; the key ``*`` stands for the whole part.
    """

    unknown: dict[str, str] = {}


def with_reasons(part: P, reasons: Mapping[str, str]) -> P:
    """Return the part with the reason of every field named in ``reasons`` that has no value."""
    absent = {name: reason for name, reason in reasons.items() if getattr(part, name) is None}
    return replace(part, unknown={**part.unknown, **absent})


class CpuCore(LooseRecord, frozen=True, kw_only=True):
    """One logical CPU.

    Attributes:
        cpu: Number of the logical CPU.
        core: Number of its physical core within the package.
        package: Number of its package.
        kind: Core type where the processor has several (``performance``, ``efficient``), else empty.
        max_mhz: Highest clock the kernel states for it.
    """

    cpu: int
    core: int | None = None
    package: int | None = None
    kind: str = ""
    max_mhz: float | None = None


class Cache(LooseRecord, frozen=True, kw_only=True):
    """One level of cache, as one core sees it.

    Attributes:
        level: 1 to 4.
        kind: ``Data``, ``Instruction`` or ``Unified``.
        size_bytes: Size of one instance.
        shared_by: Logical CPUs sharing one instance.
    """

    level: int
    kind: str
    size_bytes: int
    shared_by: int = 1


class CpuPart(Part, frozen=True, kw_only=True):
    """Processor: names, topology, caches, promised clocks.

    Attributes:
        model: Model name.
        vendor: Maker as the processor states it.
        microcode: Microcode revision; where cores differ, all of them, separated by commas.
        logical: Logical CPUs.
        physical: Physical cores.
        base_mhz: Base clock.
        max_mhz: Highest clock of any core.
        governor: Frequency governor; where cores differ, all of them, separated by commas.
        scaling_driver: Frequency driver, None where unknown.
        old_microcode: The kernel's own word on outdated microcode; None where it gives none.
        cores: One entry for each logical CPU.
        caches: As the first core sees them.
        features: Instruction set flags, sorted.
    """

    model: str | None = None
    vendor: str | None = None
    microcode: str | None = None
    logical: int | None = None
    physical: int | None = None
    base_mhz: float | None = None
    max_mhz: float | None = None
    governor: str | None = None
    scaling_driver: str | None = None
    old_microcode: bool | None = None
    cores: tuple[CpuCore, ...] = ()
    caches: tuple[Cache, ...] = ()
    features: tuple[str, ...] = ()

    @property
    def last_level_cache_bytes(self) -> int | None:
        """Size of one instance of the last cache level, None where unknown."""
        data = [cache for cache in self.caches if cache.kind != "Instruction"]
        return max(data, key=lambda cache: cache.level).size_bytes if data else None


class MemoryModule(LooseRecord, frozen=True, kw_only=True):
    """One memory socket, empty or not (SMBIOS type 17).

    Attributes:
        slot: Socket name as printed on the board.
        bank: Bank or channel locator as the firmware states it.
        size_bytes: 0 for an empty socket; None where the firmware does not know.
        kind: For example ``DDR5``.
        rated_mts: Speed the module is rated for, MT/s.
        configured_mts: Speed it runs at, MT/s.
        voltage_v: Configured voltage.
        maker: Maker as stated by the module.
        part_number: Part number.
        serial: Serial number.
        total_width_bits: Width with check bits.
        data_width_bits: Width without.
        form: Form of the module (``DIMM``, ``SODIMM``, ``Row of chips`` for soldered memory ...).
        channel: Memory channel as its names tell, for example ``A``; empty where they do not.
    """

    slot: str
    bank: str = ""
    size_bytes: int | None = None
    kind: str | None = None
    rated_mts: int | None = None
    configured_mts: int | None = None
    voltage_v: float | None = None
    maker: str | None = None
    part_number: str | None = None
    serial: str | None = None
    total_width_bits: int | None = None
    data_width_bits: int | None = None
    form: str | None = None
    channel: str = ""


class MemoryPart(Part, frozen=True, kw_only=True):
    """Memory: what the kernel can use, what is installed, socket by socket.

    Attributes:
        usable_bytes: What the kernel can use.
        installed_bytes: Sum of all modules.
        swap_bytes: Swap in all.
        swap_used_bytes: Swap in use.
        modules: One entry for each socket, empty ones included.
        ecc: Error correction as the firmware states it.
        error_counters: Whether the kernel counts memory errors here.
        most_bytes: Most memory the board takes, as the firmware states it.
    """

    usable_bytes: int | None = None
    installed_bytes: int | None = None
    swap_bytes: int | None = None
    swap_used_bytes: int | None = None
    modules: tuple[MemoryModule, ...] = ()
    ecc: str | None = None
    error_counters: bool | None = None
    most_bytes: int | None = None


class BoardPart(Part, frozen=True, kw_only=True):
    """Mainboard, firmware and chassis as SMBIOS or the kernel states them."""

    maker: str | None = None
    product: str | None = None
    version: str | None = None
    serial: str | None = None
    system_maker: str | None = None
    system_product: str | None = None
    system_serial: str | None = None
    firmware_maker: str | None = None
    firmware_version: str | None = None
    firmware_date: str | None = None


class SystemPart(Part, frozen=True, kw_only=True):
    """Operating system as running: kernel, distribution, and facts the kernel tells about itself.

    Attributes:
        system: Family, for example ``Linux``.
        kernel: Kernel release.
        distribution: Distribution with its version.
        machine: Processor architecture.
        hypervisor: What the machine runs under; empty for none, None where unknown.
        secure_boot: Whether firmware checks signatures at start; None where unknown.
        host_name: Name of the machine.
        audio: Sound cards the kernel lists.
    """

    system: str | None = None
    kernel: str | None = None
    distribution: str | None = None
    machine: str | None = None
    hypervisor: str | None = None
    secure_boot: bool | None = None
    host_name: str | None = None
    audio: tuple[str, ...] = ()


class UsbDevice(LooseRecord, frozen=True, kw_only=True):
    """One attached USB device.

    Attributes:
        path: Kernel name, for example ``2-1.4``.
        vendor_id: Four hex digits.
        product_id: Four hex digits.
        name: Best name known.
        speed_mbit_s: Negotiated speed.
        capable_mbit_s: What its descriptors say it can do, None where unknown.
        hub: True for a hub.
        max_power_ma: Current it asks for.
        drivers: Drivers bound to its interfaces.
        controller: Host controller it hangs on.
    """

    path: str
    vendor_id: str
    product_id: str
    name: str = ""
    speed_mbit_s: float | None = None
    capable_mbit_s: float | None = None
    hub: bool = False
    max_power_ma: int | None = None
    drivers: tuple[str, ...] = ()
    controller: str = ""


class UsbConnector(LooseRecord, frozen=True, kw_only=True):
    """One physical USB connector: a port, or a pair of 2.0 and 3.x ports that share a socket.

    Attributes:
        name: Kernel names of its ports, for example ``usb2-port1+usb1-port1``.
        speed_mbit_s: Fastest generation it offers.
        controller: Which host controller it belongs to (PCI address or platform name).
        hub: Kernel name of the hub it is on; the root hub's own name for a port of the machine.
        kind: ``hotplug``, ``hardwired``, ``not used`` or ``unknown``, as the firmware states.
        location: Firmware's location number, empty where it states none.
        device: What is plugged in, None when free.
        over_current: Times the port reported over-current, None where unknown.
        type_c: True where the kernel ties the port to a Type-C connector.
        behind_hub: True when it belongs to a hub that was plugged in, not to the machine.
    """

    name: str
    speed_mbit_s: float
    controller: str
    hub: str = ""
    kind: str = "unknown"
    location: str = ""
    device: UsbDevice | None = None
    over_current: int | None = None
    type_c: bool = False
    behind_hub: bool = False

    @property
    def free(self) -> bool:
        """Whether a headset could be plugged in here: reachable and empty."""
        return self.device is None and self.kind not in {"hardwired", "not used"}


class UsbController(LooseRecord, frozen=True, kw_only=True):
    """One USB host controller.

    Attributes:
        name: PCI address or platform name.
        root_hubs: Kernel names of its root hubs.
        speed_mbit_s: Fastest root hub.
    """

    name: str
    root_hubs: tuple[str, ...] = ()
    speed_mbit_s: float | None = None


class UsbPart(Part, frozen=True, kw_only=True):
    """USB: controllers, connectors and what is plugged in.

    Attributes:
        present: True where the kernel shows a USB bus; None where it shows none (which proves nothing about sockets).
        controllers: Host controllers.
        connectors: Physical connectors, a 2.0 and 3.x pair counted once.
        devices: Every attached device, hubs included, root hubs not.
    """

    present: bool | None = None
    controllers: tuple[UsbController, ...] = ()
    connectors: tuple[UsbConnector, ...] = ()
    devices: tuple[UsbDevice, ...] = ()


class DisplayMode(LooseRecord, frozen=True, kw_only=True):
    """One timing of an attached display.

    Attributes:
        width_px: Active width.
        height_px: Active height.
        refresh_hz: Vertical refresh.
        clock_mhz: Pixel clock.
    """

    width_px: int
    height_px: int
    refresh_hz: float
    clock_mhz: float


class DisplayOutput(LooseRecord, frozen=True, kw_only=True):
    """One video output.

    Attributes:
        name: Kernel name, for example ``card0-HDMI-A-1``.
        kind: ``hdmi``, ``displayport``, ``edp``, ``dvi``, ``vga``, ``virtual`` or ``other``.
        state: ``connected``, ``disconnected`` or ``unknown``.
        enabled: Whether a picture is sent; None where unknown.
        card: Kernel name of its graphics card.
        modes: Modes the kernel lists, as ``2160x1200``.
        edid_size_bytes: Size of the display's identification data; 0 for none.
        display_maker: Three letters from the identification data.
        display_name: Name from the identification data.
        display_serial: Serial from the identification data.
        timings: Detailed timings from the identification data, preferred first.
        max_tmds_mhz: Highest TMDS clock the display states, None where it states none.
        edid_trouble: What is wrong with the identification data, empty when nothing is.
        edid_version: Version of the identification data, for example ``1.4``.
        made: Year of manufacture or model year, None where unknown.
        refresh_range_hz: Lowest and highest vertical refresh the display states, empty where it states none.
        max_clock_mhz: Highest pixel clock the display states, None where it states none.
        max_frl_gbit_s: Highest fixed rate link the display states, None where it states none.
    """

    name: str
    kind: str
    state: str
    enabled: bool | None = None
    card: str = ""
    modes: tuple[str, ...] = ()
    edid_size_bytes: int = 0
    display_maker: str | None = None
    display_name: str | None = None
    display_serial: str | None = None
    timings: tuple[DisplayMode, ...] = ()
    max_tmds_mhz: float | None = None
    edid_trouble: str = ""
    edid_version: str = ""
    made: int | None = None
    refresh_range_hz: tuple[int, ...] = ()
    max_clock_mhz: float | None = None
    max_frl_gbit_s: float | None = None


class DisplayPart(Part, frozen=True, kw_only=True):
    """Video outputs. ``present`` is None where the kernel shows no display driver."""

    present: bool | None = None
    outputs: tuple[DisplayOutput, ...] = ()


class PciDevice(LooseRecord, frozen=True, kw_only=True):
    """One PCI device worth naming, with its link.

    Attributes:
        address: Domain, bus, device, function.
        vendor_id: Four hex digits.
        device_id: Four hex digits.
        class_id: Six hex digits.
        name: Best name known.
        driver: Driver bound to it, empty for none.
        width: Lanes in use; None where unknown.
        max_width: Lanes the device can use; None where unknown.
        speed_gts: Link speed in GT/s; None where unknown.
        max_speed_gts: Highest link speed the device states; None where unknown.
        parent_max_width: Lanes the port above it can use; None where unknown.
        parent_max_speed_gts: Highest link speed of the port above it; None where unknown.
        parent: Address of the device above it, empty for one directly on the root complex.
    """

    address: str
    vendor_id: str
    device_id: str
    class_id: str
    name: str = ""
    driver: str = ""
    width: int | None = None
    max_width: int | None = None
    speed_gts: float | None = None
    max_speed_gts: float | None = None
    parent_max_width: int | None = None
    parent_max_speed_gts: float | None = None
    parent: str = ""


class PciPart(Part, frozen=True, kw_only=True):
    """PCI devices with their links. ``present`` is None where the kernel shows no PCI bus."""

    present: bool | None = None
    devices: tuple[PciDevice, ...] = ()


class GraphicsCard(LooseRecord, frozen=True, kw_only=True):
    """One graphics adapter.

    Attributes:
        name: Best name known.
        address: PCI address, empty where it is no PCI device.
        driver: Driver bound to it, empty for none.
        memory_bytes: Graphics memory, None where unknown.
        software: True for a software renderer, which never passes for a card.
    """

    name: str
    address: str = ""
    driver: str = ""
    memory_bytes: int | None = None
    software: bool = False


class GraphicsPart(Part, frozen=True, kw_only=True):
    """Graphics adapters."""

    cards: tuple[GraphicsCard, ...] = ()


class Drive(LooseRecord, frozen=True, kw_only=True):
    """One drive.

    Attributes:
        name: Kernel name, for example ``nvme0n1``.
        model: Model as the drive states it.
        serial: Serial number.
        size_bytes: Capacity.
        rotational: True for spinning disks; None where unknown.
        bus: ``nvme``, ``sata``, ``usb``, ``virtio`` or empty.
        removable: Whether it can be taken out while running.
        firmware: Firmware revision.
        wear_pct: Share of rated endurance used, from the drive's own health report.
        healthy: The drive's own health answer; None where not read.
    """

    name: str
    model: str | None = None
    serial: str | None = None
    size_bytes: int | None = None
    rotational: bool | None = None
    bus: str = ""
    removable: bool | None = None
    firmware: str | None = None
    wear_pct: float | None = None
    healthy: bool | None = None


class FileSystem(LooseRecord, frozen=True, kw_only=True):
    """One mounted file system on a drive.

    Attributes:
        mount: Where it is mounted.
        device: Device it is on.
        size_bytes: Capacity.
        free_bytes: What an ordinary user can still write.
    """

    mount: str
    device: str
    size_bytes: int
    free_bytes: int


class StoragePart(Part, frozen=True, kw_only=True):
    """Drives and the file systems on them."""

    drives: tuple[Drive, ...] = ()
    file_systems: tuple[FileSystem, ...] = ()


class NetworkPort(LooseRecord, frozen=True, kw_only=True):
    """One network port.

    Attributes:
        name: Kernel name.
        wireless: True for radio.
        mac: Hardware address.
        speed_mbit_s: Negotiated speed; None when down or unknown.
        up: Whether the link is up; None where unknown.
        driver: Driver bound to it.
        receive_errors: Kernel's receive error counter.
        transmit_errors: Kernel's transmit error counter.
        link_losses: Times the link went down since boot.
        signal_dbm: Received signal strength of a radio, None where unknown.
    """

    name: str
    wireless: bool = False
    mac: str = ""
    speed_mbit_s: int | None = None
    up: bool | None = None
    driver: str = ""
    receive_errors: int | None = None
    transmit_errors: int | None = None
    link_losses: int | None = None
    signal_dbm: float | None = None


class NetworkPart(Part, frozen=True, kw_only=True):
    """Network ports."""

    ports: tuple[NetworkPort, ...] = ()


class Inventory(LooseRecord, frozen=True, kw_only=True):
    """The machine as found, part by part.

    Attributes:
        read_from: ``this machine``, ``recorded tree`` or ``rehearsal``.
        with_rights: True when read with administrator's rights.
    """

    read_from: str = "this machine"
    with_rights: bool = False
    cpu: CpuPart = CpuPart()
    memory: MemoryPart = MemoryPart()
    board: BoardPart = BoardPart()
    system: SystemPart = SystemPart()
    usb: UsbPart = UsbPart()
    displays: DisplayPart = DisplayPart()
    pci: PciPart = PciPart()
    graphics: GraphicsPart = GraphicsPart()
    storage: StoragePart = StoragePart()
    network: NetworkPart = NetworkPart()
