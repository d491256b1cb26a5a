"""The machine as found: what is attached to its buses."""

from __future__ import annotations

from burnin.records.base import LooseRecord
from burnin.records.inventory_part import Part


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
