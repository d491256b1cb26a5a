"""An invented workshop, order, plan and machine for the tests of this room."""

from __future__ import annotations

from burnin.records.channels import Channel
from burnin.records.events import Software
from burnin.records.inventory import (
    BoardPart,
    Cache,
    CpuPart,
    DisplayMode,
    DisplayOutput,
    DisplayPart,
    Drive,
    GraphicsCard,
    GraphicsPart,
    Inventory,
    MemoryModule,
    MemoryPart,
    NetworkPart,
    NetworkPort,
    PciDevice,
    PciPart,
    StoragePart,
    SystemPart,
    UsbConnector,
    UsbDevice,
    UsbPart,
)
from burnin.records.paperwork import Checklist, ChecklistLine, Order, PartOrdered, Targets, Workshop
from burnin.records.plan import Limits, LoadUse, Plan, Stage

WORKSHOP = Workshop(
    name="Werkstatt Lindenhof",
    address=("Lindenhof 7", "34117 Beispielstadt"),
    contact="+49 561 000 000",
    signatory="R. Beispiel",
    logo_svg='<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 64 64"><circle cx="32" cy="32" r="30" fill="#14425f"/>'
    '<path d="M32 12v34M20 30l12 16 12-16" stroke="#fff" stroke-width="5" fill="none"/></svg>',
)
ORDER = Order(
    format=1,
    order="2026-0417",
    customer="K-2203",
    serial="LH-000417",
    machine="Tisch-PC Kranich",
    parts=(PartOrdered(part="cpu", text="Invented CPU 16 cores", match="Invented"),),
    targets=Targets(cpu_clock_mhz=5000.0, memory_speed_mts=6000, cpu_power_w=230.0),
    beyond_ratings=(
        "CPU clock 5000 MHz on all cores (maker: 4700 MHz)",
        "memory at 6000 MT/s (rated 5600 MT/s)",
    ),
    remarks="Custom loop, 2 radiators.",
)
CHECKLIST = Checklist(
    format=1,
    name="tethered",
    title="Tethered headset, 90 Hz",
    about="A headset on one video and three USB cables.",
    refresh_hz=90.0,
    lines=(
        ChecklistLine(
            id="usb3",
            kind="usb_free_ports",
            text="Three free USB ports of 5 Gbit/s",
            why="Two trackers and the headset.",
            at_least=3,
        ),
        ChecklistLine(id="hdmi", kind="video_output", text="One free HDMI output", at_least=1),
        ChecklistLine(id="ram", kind="memory_size", text="16 GB of memory", at_least=16, unit="GB"),
        ChecklistLine(
            id="cable", kind="look", text="Room for the cable behind the case", look_at="the back of the case"
        ),
    ),
)
PLAN = Plan(
    format=1,
    name="one-hour",
    title="One hour",
    about="Idle, processor, memory, all together, cooling.",
    ambient_c=None,
    sample_hz=0.2,
    limits=Limits(cpu_c=90.0, coolant_c=55.0, graphics_c=85.0, cpu_target_c=80.0),
    stages=(
        Stage(name="Idle", kind="idle", duration_s=600),
        Stage(name="Processor", kind="soak", duration_s=1200, loads=(LoadUse(load="matrix"),)),
        Stage(
            name="Memory", kind="soak", duration_s=900, loads=(LoadUse(load="memory_patterns", cores="one"),)
        ),
        Stage(
            name="All together",
            kind="combined",
            duration_s=1800,
            loads=(LoadUse(load="matrix"), LoadUse(load="memory_patterns")),
        ),
        Stage(name="Cooling", kind="cool_down", duration_s=600),
    ),
)
CORES = 8
SOFTWARE = Software(
    burnin="0.1.0",
    python="3.11.7",
    libraries={"numpy": "2.4.6"},
    numeric_kernel="generic 64-bit",
    plugins={
        **{f"loads/{name}": "burnin 0.1.0" for name in ("matrix", "digest", "memory_patterns")},
        **{
            f"criteria/{name}": "burnin 0.1.0, rule 1"
            for name in ("temperature_limits", "no_wrong_result", "steady_state")
        },
        **{f"sources/{name}": "burnin 0.1.0" for name in ("hwmon", "cpu_clock")},
    },
)


def channels() -> tuple[Channel, ...]:
    def temp(key: str, label: str, role: str, **more: object) -> Channel:
        return Channel(
            id=f"hwmon/{key}", source="hwmon", quantity="temperature", label=label, role=role, **more
        )

    cores = tuple(
        temp(f"core{n}", f"Core {n}", "cpu_core", cores=(n,), place="processor") for n in range(CORES)
    )
    return (
        temp("cpu", "CPU package", "cpu_hottest", place="processor", limit_critical=100.0, accuracy=2.0),
        temp("coolant", "Coolant", "coolant", place="loop, header T1"),
        temp("gpu", "Graphics", "graphics", place="card"),
        temp("vrm", "Power stages", "power_stage", place="board"),
        temp("ssd", "Drive", "storage", place="nvme0"),
        *cores,
        Channel(
            id="psutil/clock", source="psutil", quantity="frequency", label="CPU clock", role="cpu_clock"
        ),
        Channel(id="rapl/package", source="rapl", quantity="power", label="CPU package", role="cpu_power"),
        Channel(id="nvml/power", source="nvml", quantity="power", label="Graphics", role="graphics_power"),
        Channel(id="hwmon/pump", source="hwmon", quantity="fan_speed", label="Pump", role="pump"),
        Channel(id="hwmon/fan1", source="hwmon", quantity="fan_speed", label="Radiator fan 1", role="fan"),
        Channel(id="hwmon/fan2", source="hwmon", quantity="fan_speed", label="Case fan", role="fan"),
        Channel(id="hwmon/in0", source="hwmon", quantity="voltage", label="+12 V", place="board"),
    )


def inventory() -> Inventory:
    headset_link = UsbDevice(
        path="2-2", vendor_id="0001", product_id="0002", name="Invented Keyboard", speed_mbit_s=12
    )
    return Inventory(
        with_rights=True,
        cpu=CpuPart(
            model="Invented CPU 16-thread at 4.7 GHz",
            logical=16,
            physical=8,
            max_mhz=5000.0,
            microcode="0x12",
            governor="performance",
            caches=(Cache(level=3, kind="Unified", size_bytes=32 << 20, shared_by=16),),
        ),
        memory=MemoryPart(
            usable_bytes=33_400_000_000,
            installed_bytes=32 << 30,
            modules=(
                MemoryModule(slot="DIMM A1", size_bytes=0),
                MemoryModule(
                    slot="DIMM A2",
                    size_bytes=16 << 30,
                    kind="DDR5",
                    rated_mts=5600,
                    configured_mts=6000,
                    maker="Example Memory",
                    part_number="EX-5600",
                    serial="77A0C1",
                ),
                MemoryModule(slot="DIMM B1", size_bytes=0),
                MemoryModule(
                    slot="DIMM B2",
                    size_bytes=16 << 30,
                    kind="DDR5",
                    rated_mts=5600,
                    configured_mts=6000,
                    maker="Example Memory",
                    part_number="EX-5600",
                    serial="77A0C2",
                ),
            ),
        ),
        board=BoardPart(
            maker="Example Boards",
            product="X-Board 3",
            version="1.2",
            serial="XB3-99120",
            firmware_maker="Example",
            firmware_version="F12",
            firmware_date="2026-03-04",
        ),
        system=SystemPart(system="Linux", kernel="6.1.0-18", distribution="Debian GNU/Linux 12"),
        usb=UsbPart(
            present=True,
            connectors=(
                *tuple(
                    UsbConnector(
                        name=f"usb2-port{n}+usb1-port{n}",
                        speed_mbit_s=5000 if n < 5 else 480,
                        controller="0000:00:14.0",
                        kind="hotplug",
                        device=headset_link if n == 2 else None,
                    )
                    for n in range(1, 7)
                ),
                UsbConnector(
                    name="usb4-port1", speed_mbit_s=10000, controller="0000:2a:00.0", kind="hardwired"
                ),
            ),
        ),
        displays=DisplayPart(
            present=True,
            outputs=(
                DisplayOutput(name="card0-HDMI-A-1", kind="hdmi", state="disconnected", card="card0"),
                DisplayOutput(
                    name="card0-DP-1",
                    kind="displayport",
                    state="connected",
                    card="card0",
                    display_name="Example 27",
                    timings=(DisplayMode(width_px=2560, height_px=1440, refresh_hz=59.95, clock_mhz=241.5),),
                ),
                DisplayOutput(name="card0-DP-2", kind="displayport", state="disconnected", card="card0"),
            ),
        ),
        pci=PciPart(
            present=True,
            devices=(
                PciDevice(
                    address="0000:01:00.0",
                    vendor_id="0001",
                    device_id="0010",
                    class_id="030000",
                    name="Invented Graphics 12",
                    driver="example",
                    width=8,
                    max_width=16,
                    speed_gts=16.0,
                    max_speed_gts=16.0,
                ),
            ),
        ),
        graphics=GraphicsPart(
            cards=(
                GraphicsCard(
                    name="Invented Graphics 12",
                    address="0000:01:00.0",
                    driver="example",
                    memory_bytes=12 << 30,
                ),
            )
        ),
        storage=StoragePart(
            drives=(
                Drive(
                    name="nvme0n1",
                    model="Example Drive 1000",
                    serial="ED-4471-0X",
                    size_bytes=1_000_204_886_016,
                    bus="nvme",
                    firmware="1.04",
                    wear_pct=1.0,
                    healthy=True,
                ),
            )
        ),
        network=NetworkPart(
            ports=(
                NetworkPort(
                    name="enp3s0", mac="02:00:00:00:00:01", speed_mbit_s=1000, up=True, driver="example"
                ),
            )
        ),
    )
