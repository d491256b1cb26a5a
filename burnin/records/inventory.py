"""The machine as found. Every field is a value, or None with a reason in ``unknown``."""

from __future__ import annotations

from burnin.records.base import LooseRecord
from burnin.records.inventory_devices import (
    DisplayMode,
    DisplayOutput,
    DisplayPart,
    Drive,
    FileSystem,
    GraphicsCard,
    GraphicsPart,
    NetworkPart,
    NetworkPort,
    PciDevice,
    PciPart,
    StoragePart,
    UsbConnector,
    UsbController,
    UsbDevice,
    UsbPart,
)
from burnin.records.inventory_part import Part, with_reasons

__all__ = [
    "BoardPart",
    "Cache",
    "CpuCore",
    "CpuPart",
    "DisplayMode",
    "DisplayOutput",
    "DisplayPart",
    "Drive",
    "FileSystem",
    "GraphicsCard",
    "GraphicsPart",
    "Inventory",
    "MemoryModule",
    "MemoryPart",
    "NetworkPart",
    "NetworkPort",
    "Part",
    "PciDevice",
    "PciPart",
    "StoragePart",
    "SystemPart",
    "UsbConnector",
    "UsbController",
    "UsbDevice",
    "UsbPart",
    "with_reasons",
]


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
