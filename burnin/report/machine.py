"""The machine as found: one line for each part, with the reason wherever something is unknown."""

from __future__ import annotations

from dataclasses import dataclass

from burnin.records.inventory import CpuPart, Drive, Inventory, MemoryModule, Part, PciDevice
from burnin.report.figures import data_size, drive_size, figure, link_speed, significant
from burnin.report.words import counted, shown_text


@dataclass(frozen=True, kw_only=True)
class PartRow:
    """One line of the inventory.

    Attributes:
        part: Kind of part.
        text: What it is.
        details: Further figures.
        serial: Serial number, empty where none is read.
        missing: True where ``text`` is a reason.
        paper: False for a line that only the screen shows.
    """

    part: str
    text: str
    details: str = ""
    serial: str = ""
    missing: bool = False
    paper: bool = True


def machine_rows(inventory: Inventory) -> tuple[PartRow, ...]:
    """Return the inventory part by part."""
    return (
        _processor(inventory.cpu),
        *_memory(inventory),
        *_board(inventory),
        *_graphics(inventory),
        *_drives(inventory),
        *_network(inventory),
        *_pci(inventory),
    )


def _unknown(part: str, whole: Part, field: str) -> PartRow:
    reason = whole.unknown.get(field) or whole.unknown.get("*") or "the machine states none"
    return PartRow(part=part, text=f"not found, because {shown_text(reason)}", missing=True)


def _joined(*parts: str | None) -> str:
    return ", ".join(shown_text(part) for part in parts if part)


def _processor(cpu: CpuPart) -> PartRow:
    if cpu.model is None:
        return _unknown("Processor", cpu, "model")
    cores = f"{cpu.physical} cores" if cpu.physical else None
    threads = f"{cpu.logical} threads" if cpu.logical else None
    clock = f"up to {figure(cpu.max_mhz, 'MHz')}" if cpu.max_mhz else None
    cache = cpu.last_level_cache_bytes
    return PartRow(
        part="Processor",
        text=shown_text(cpu.model),
        details=_joined(
            cores,
            threads,
            clock,
            f"{data_size(cache)} last-level cache" if cache else None,
            f"microcode {cpu.microcode}" if cpu.microcode else None,
            f"governor {cpu.governor}" if cpu.governor else None,
        ),
    )


def _memory(inventory: Inventory) -> list[PartRow]:
    memory = inventory.memory
    filled = [module for module in memory.modules if module.size_bytes != 0]
    empty = len(memory.modules) - len(filled)
    usable = f"{data_size(memory.usable_bytes)} usable" if memory.usable_bytes else None
    if memory.installed_bytes is None and usable is None:
        rows = [_unknown("Memory", memory, "usable_bytes")]
    else:
        installed = f"{data_size(memory.installed_bytes)} installed" if memory.installed_bytes else None
        sockets = f"{counted(empty, 'socket')} empty" if memory.modules else None
        checked = f"error correction: {memory.ecc}" if memory.ecc else None
        rows = [PartRow(part="Memory", text=_joined(installed, usable), details=_joined(sockets, checked))]
    if not memory.modules and memory.unknown.get("modules"):
        rows.append(_unknown("Memory modules", memory, "modules"))
    return rows + [_module(module) for module in filled]


def _module(module: MemoryModule) -> PartRow:
    rated = f"rated {module.rated_mts} MT/s" if module.rated_mts else None
    running = f"running {module.configured_mts} MT/s" if module.configured_mts else None
    voltage = figure(module.voltage_v, "V") if module.voltage_v else None
    return PartRow(
        part=f"Memory, {shown_text(module.slot)}",
        text=_joined(module.maker, module.part_number) or "maker not stated",
        details=_joined(data_size(module.size_bytes), module.kind, rated, running, voltage),
        serial=shown_text(module.serial or ""),
    )


def _board(inventory: Inventory) -> list[PartRow]:
    board = inventory.board
    rows = []
    if board.system_product or board.system_maker:
        rows.append(
            PartRow(
                part="System",
                text=_joined(board.system_maker, board.system_product),
                serial=shown_text(board.system_serial or ""),
            )
        )
    if board.product is None and board.maker is None:
        return [*rows, _unknown("Mainboard", board, "product")]
    firmware = _joined(board.firmware_maker, board.firmware_version, board.firmware_date)
    return [
        *rows,
        PartRow(
            part="Mainboard",
            text=_joined(board.maker, board.product, board.version),
            details=f"firmware {firmware}" if firmware else "firmware not stated",
            serial=shown_text(board.serial or ""),
        ),
    ]


def _graphics(inventory: Inventory) -> list[PartRow]:
    if not inventory.graphics.cards:
        return [_unknown("Graphics", inventory.graphics, "cards")]
    return [
        PartRow(
            part="Graphics",
            text=shown_text(card.name),
            details=_joined(
                f"{data_size(card.memory_bytes)} memory" if card.memory_bytes else None,
                f"driver {card.driver}" if card.driver else "no driver bound",
                "software renderer, no card" if card.software else None,
                card.address,
            ),
        )
        for card in inventory.graphics.cards
    ]


def _drives(inventory: Inventory) -> list[PartRow]:
    if not inventory.storage.drives:
        return [_unknown("Drives", inventory.storage, "drives")]
    return [_drive(drive) for drive in inventory.storage.drives]


def _drive(drive: Drive) -> PartRow:
    health = {True: "own health answer: good", False: "own health answer: NOT good", None: None}[
        drive.healthy
    ]
    return PartRow(
        part=f"Drive {shown_text(drive.name)}",
        text=shown_text(drive.model or "model not stated"),
        details=_joined(
            drive_size(drive.size_bytes) if drive.size_bytes else None,
            drive.bus,
            f"firmware {drive.firmware}" if drive.firmware else None,
            f"{significant(drive.wear_pct)} % of rated endurance used"
            if drive.wear_pct is not None
            else None,
            health,
        ),
        serial=shown_text(drive.serial or ""),
    )


def _network(inventory: Inventory) -> list[PartRow]:
    if not inventory.network.ports:
        return [_unknown("Network", inventory.network, "ports")]
    return [
        PartRow(
            part="Network",
            text=shown_text(port.name),
            details=_joined(
                "radio" if port.wireless else "wired",
                {True: "link up", False: "link down", None: None}[port.up],
                link_speed(port.speed_mbit_s) if port.speed_mbit_s else None,
                f"driver {port.driver}" if port.driver else None,
                f"{counted(port.receive_errors, 'receive error')}" if port.receive_errors else None,
            ),
            serial=shown_text(port.mac),
            paper=False,
        )
        for port in inventory.network.ports
    ]


def _pci(inventory: Inventory) -> list[PartRow]:
    if not inventory.pci.devices:
        return [_unknown("Slots and links", inventory.pci, "present")]
    return [_link(device) for device in inventory.pci.devices]


def _link(device: PciDevice) -> PartRow:
    narrow = _below(device.width, device.max_width)
    now = _lanes(device.width, device.speed_gts)
    most = _lanes(device.max_width, device.max_speed_gts)
    return PartRow(
        part=f"Link {shown_text(device.address)}",
        text=shown_text(device.name)
        or f"device {shown_text(device.vendor_id)}:{shown_text(device.device_id)}",
        details=_joined(
            f"runs {now}" if now else None,
            f"can {most}" if most else None,
            f"driver {device.driver}" if device.driver else None,
        ),
        paper=narrow,
    )


def _below(value: int | None, most: int | None) -> bool:
    return value is not None and most is not None and value < most


def _lanes(width: int | None, speed_gts: float | None) -> str:
    lanes = f"{width} lanes" if width else ""
    speed = f"{significant(speed_gts)} GT/s" if speed_gts else ""
    return " at ".join(part for part in (lanes, speed) if part)
