"""What the SMBIOS table says about board, firmware, processor and memory.

Format: DMTF DSP0134 3.x, clauses 7.1 (firmware, type 0), 7.2 (system, 1), 7.3 (board, 2), 7.4 (chassis, 3), 7.5
(processor, 4), 7.17 (memory array, 16), 7.18 (memory device, 17), 7.20 (mapped addresses, 19).
Seen on: see ``tests/fixtures/smbios``; held against dmidecode there.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from burnin.parse.smbios import Structure, parse_structures
from burnin.records.inventory import MemoryModule

MEMORY_KINDS: Final[dict[int, str]] = {
    0x03: "DRAM", 0x04: "EDRAM", 0x05: "VRAM", 0x06: "SRAM", 0x07: "RAM", 0x08: "ROM", 0x09: "Flash", 0x0A: "EEPROM",
    0x0B: "FEPROM", 0x0C: "EPROM", 0x0D: "CDRAM", 0x0E: "3DRAM", 0x0F: "SDRAM", 0x10: "SGRAM", 0x11: "RDRAM",
    0x12: "DDR", 0x13: "DDR2", 0x14: "DDR2 FB-DIMM", 0x18: "DDR3", 0x19: "FBD2", 0x1A: "DDR4", 0x1B: "LPDDR",
    0x1C: "LPDDR2", 0x1D: "LPDDR3", 0x1E: "LPDDR4", 0x1F: "Logical non-volatile device", 0x20: "HBM", 0x21: "HBM2",
    0x22: "DDR5", 0x23: "LPDDR5", 0x24: "HBM3",
}  # fmt: skip
"""Memory device types, DSP0134 table 77."""

FORMS: Final[dict[int, str]] = {
    0x03: "SIMM", 0x04: "SIP", 0x05: "Chip", 0x06: "DIP", 0x07: "ZIP", 0x08: "Proprietary Card", 0x09: "DIMM",
    0x0A: "TSOP", 0x0B: "Row Of Chips", 0x0C: "RIMM", 0x0D: "SODIMM", 0x0E: "SRIMM", 0x0F: "FB-DIMM", 0x10: "Die",
}  # fmt: skip
"""Memory device form factors, DSP0134 table 76."""

CORRECTIONS: Final[dict[int, str]] = {
    0x03: "none", 0x04: "Parity", 0x05: "Single-bit ECC", 0x06: "Multi-bit ECC", 0x07: "CRC",
}  # fmt: skip
"""Memory error correction types, DSP0134 table 73."""

_SYSTEM_MEMORY: Final = 3
_CHANNEL: Final = re.compile(
    r"(?:channel|chan|chnl?)[ _-]?([a-z]|\d{1,2})(?![a-z])", re.IGNORECASE | re.ASCII
)
_SLOT: Final = re.compile(r"(?:dimm|slot)[ _-]?([a-h])[ _-]?\d?", re.IGNORECASE | re.ASCII)
_CONTROLLER: Final = re.compile(r"(?:controller|mc|ctlr)[ _-]?(\d{1,2})", re.IGNORECASE | re.ASCII)


@dataclass(frozen=True, kw_only=True)
class BoardFacts:
    """Firmware, system, board and chassis; None where the table says nothing useful."""

    firmware_maker: str | None = None
    firmware_version: str | None = None
    firmware_date: str | None = None
    system_maker: str | None = None
    system_product: str | None = None
    system_serial: str | None = None
    maker: str | None = None
    product: str | None = None
    version: str | None = None
    serial: str | None = None


@dataclass(frozen=True, kw_only=True)
class Processor:
    """One processor socket (type 4).

    Attributes:
        socket: Name on the board.
        version: Name of the processor, None for an empty socket.
        populated: Whether something is in it.
        max_mhz: Highest speed the socket supports, None where unknown.
        current_mhz: Speed it was started at, None where unknown.
        cores: Physical cores, None where unknown.
        threads: Logical CPUs, None where unknown.
    """

    socket: str
    version: str | None = None
    populated: bool = True
    max_mhz: int | None = None
    current_mhz: int | None = None
    cores: int | None = None
    threads: int | None = None


@dataclass(frozen=True, kw_only=True)
class MemoryFacts:
    """Memory sockets and what they can take.

    Attributes:
        modules: One entry for each socket of main memory, in table order.
        correction: Error correction, None where unknown.
        most_bytes: Most memory all arrays take together, None where unknown.
        mapped_bytes: Memory mapped into the address space, None where the table does not say.
    """

    modules: tuple[MemoryModule, ...] = ()
    correction: str | None = None
    most_bytes: int | None = None
    mapped_bytes: int | None = None


@dataclass(frozen=True, kw_only=True)
class MachineTable:
    """All that is read from one table."""

    board: BoardFacts = BoardFacts()
    processors: tuple[Processor, ...] = ()
    memory: MemoryFacts = MemoryFacts()


def parse_machine_table(table: bytes) -> MachineTable:
    """Return what an SMBIOS table says about the machine.

    Raises:
        ParseError: the table is damaged.
    """
    structures = parse_structures(table)
    return MachineTable(
        board=_board(structures),
        processors=tuple(_processor(item) for item in structures if item.kind == 4),
        memory=_memory(structures),
    )


def _board(structures: Iterable[Structure]) -> BoardFacts:
    by_kind: dict[int, Structure] = {}
    for structure in structures:
        by_kind.setdefault(structure.kind, structure)

    def text(kind: int, offset: int) -> str | None:
        return by_kind[kind].text(offset) if kind in by_kind else None

    return BoardFacts(
        firmware_maker=text(0, 4),
        firmware_version=text(0, 5),
        firmware_date=parse_firmware_date(text(0, 8)),
        system_maker=text(1, 4),
        system_product=text(1, 5),
        system_serial=text(1, 7),
        maker=text(2, 4),
        product=text(2, 5),
        version=text(2, 6),
        serial=text(2, 7),
    )


def parse_firmware_date(text: str | None) -> str | None:
    """Return an SMBIOS date (``mm/dd/yyyy``, or ``mm/dd/yy`` before 2000) as ``yyyy-mm-dd``; None for no such date."""
    match = re.fullmatch(r"(\d{2})/(\d{2})/(\d{4}|\d{2})", text or "", re.ASCII)
    if match is None or not (1 <= int(match[1]) <= 12 and 1 <= int(match[2]) <= 31):
        return None
    year = match[3] if len(match[3]) == 4 else f"19{match[3]}"
    return f"{year}-{match[1]}-{match[2]}"


def _processor(structure: Structure) -> Processor:
    status = structure.number(0x18, 1)
    populated = status is None or bool(status & 0x40)
    return Processor(
        socket=structure.text(4) or "processor",
        version=structure.text(0x10) if populated else None,
        populated=populated,
        max_mhz=structure.number(0x14, 2) or None,
        current_mhz=structure.number(0x16, 2) or None,
        cores=_wide_count(structure, 0x23, 0x2A),
        threads=_wide_count(structure, 0x25, 0x2E),
    )


def _wide_count(structure: Structure, narrow: int, wide: int) -> int | None:
    count = structure.number(narrow, 1)
    if count == 0xFF:
        count = structure.number(wide, 2) or count
    return count or None


def _memory(structures: tuple[Structure, ...]) -> MemoryFacts:
    arrays = [item for item in structures if item.kind == 16 and item.number(5, 1) == _SYSTEM_MEMORY]
    handles = {item.handle for item in arrays}
    devices = [item for item in structures if item.kind == 17]
    if arrays:
        devices = [item for item in devices if item.number(4, 2) in handles]
    capacities = [_array_bytes(item) for item in arrays]
    corrections = {CORRECTIONS[code] for item in arrays if (code := item.number(6, 1)) in CORRECTIONS}
    mapped = [
        _mapped_bytes(item) for item in structures if item.kind == 19 and item.number(0xC, 2) in handles
    ]
    return MemoryFacts(
        modules=tuple(_module(item) for item in devices),
        correction=" and ".join(sorted(corrections)) or None,
        most_bytes=sum(capacities) or None,
        mapped_bytes=sum(mapped) or None,
    )


def _array_bytes(structure: Structure) -> int:
    kib = structure.number(7, 4) or 0
    if kib == 0x80000000:
        return structure.number(0xF, 8) or 0
    return kib << 10


def _mapped_bytes(structure: Structure) -> int:
    first, last = structure.number(4, 4) or 0, structure.number(8, 4) or 0
    if first == 0xFFFFFFFF:
        start, end = structure.number(0xF, 8) or 0, structure.number(0x17, 8) or 0
        return max(0, end - start + 1) if end else 0
    return max(0, last - first + 1) << 10 if last else 0


def _module(structure: Structure) -> MemoryModule:
    slot = structure.text(0x10) or "unnamed socket"
    bank = structure.text(0x11) or ""
    size = _module_bytes(structure)
    filled = size != 0
    return MemoryModule(
        slot=slot,
        bank=bank,
        size_bytes=size,
        kind=MEMORY_KINDS.get(structure.number(0x12, 1) or 0),
        rated_mts=_speed(structure, 0x15, 0x54) if filled else None,
        configured_mts=_speed(structure, 0x20, 0x58) if filled else None,
        voltage_v=_millivolts(structure.number(0x26, 2)) if filled else None,
        maker=structure.text(0x17) if filled else None,
        part_number=structure.text(0x1A) if filled else None,
        serial=structure.text(0x18) if filled else None,
        total_width_bits=_width(structure.number(8, 2)) if filled else None,
        data_width_bits=_width(structure.number(0xA, 2)) if filled else None,
        form=FORMS.get(structure.number(0xE, 1) or 0),
        channel=channel_of(slot, bank),
    )


def _module_bytes(structure: Structure) -> int | None:
    size = structure.number(0xC, 2)
    if size is None or size == 0xFFFF:
        return None
    if size == 0x7FFF:
        extended = structure.number(0x1C, 4)
        return None if extended is None else (extended & 0x7FFFFFFF) << 20
    return (size & 0x7FFF) << (10 if size & 0x8000 else 20)


def _speed(structure: Structure, narrow: int, wide: int) -> int | None:
    speed = structure.number(narrow, 2)
    if speed == 0xFFFF:
        extended = structure.number(wide, 4)
        speed = extended & 0x7FFFFFFF if extended else None
    return speed or None


def _millivolts(value: int | None) -> float | None:
    return value / 1000 if value else None


def _width(bits: int | None) -> int | None:
    return bits if bits and bits != 0xFFFF else None


def channel_of(slot: str, bank: str) -> str:
    """Return the memory channel that the names of a socket tell, with its controller; empty where they do not.

    No standard fixes these names: ``ChannelA-DIMM0``, ``P0 CHANNEL B``, ``Controller1-ChannelA``, ``DIMM_A2`` are read as
    boards commonly print them (common practice).
    """
    for text in (slot, bank):
        match = _CHANNEL.search(text)
        if match:
            controller = _CONTROLLER.search(text)
            return f"{controller[1]}{match[1].upper()}" if controller else match[1].upper()
    match = _SLOT.search(slot)
    return match[1].upper() if match else ""
