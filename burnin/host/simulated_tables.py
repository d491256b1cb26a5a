"""Firmware tables of the invented machine: SMBIOS structures and the display's EDID. All names are invented."""

from __future__ import annotations

import struct
from typing import Final

_MIB: Final = 1 << 20


def _structure(kind: int, handle: int, body: bytes, strings: tuple[str, ...] = ()) -> bytes:
    """Return one SMBIOS structure: header, body, string set (DMTF DSP0134, 6.1)."""
    texts = b"".join(text.encode("ascii") + b"\0" for text in strings) or b"\0"
    return struct.pack("<BBH", kind, 4 + len(body), handle) + body + texts + b"\0"


def _module(handle: int, slot: str, *, filled: bool) -> bytes:
    """Return a memory device (type 17): 16 GiB of DDR5 at 6000 MT/s, data width equal to total width: no ECC."""
    width, size = (64, 16384) if filled else (0, 0)
    body = struct.pack(
        "<HHHHHBBBBBHHBBBBBIHHHH",
        0x1000, 0xFFFE, width, width, size, 9, 0, 1, 2, 0x22 if filled else 2, 0x4080 if filled else 0x4,
        6000 if filled else 0, 3 if filled else 0, 4 if filled else 0, 0, 5 if filled else 0, 1 if filled else 0,
        0, 6000 if filled else 0, 1100, 1350, 1350 if filled else 0,
    )  # fmt: skip
    strings: tuple[str, ...] = (slot, f"Channel {slot[-2]}")
    if filled:
        strings += ("Quillstone Memory", f"QS-REH-{handle:04X}", "QS16-6000-36")
    return _structure(17, handle, body, strings)


def smbios_table() -> bytes:
    """Return the structures: firmware, system, board, case, memory array, four sockets of which two are filled."""
    firmware = struct.pack(
        "<BBHBBQHBBBBH", 1, 2, 0xF000, 3, 0xFF, 0x0000000000080000, 0x0D03, 5, 17, 255, 255, 32
    )
    system = struct.pack("<BBBB16sBBB", 1, 2, 3, 4, bytes(range(16)), 6, 5, 6)
    board = struct.pack("<BBBBBBBHBB", 1, 2, 3, 4, 0, 9, 0, 0x0300, 10, 0)
    case = struct.pack("<BBBBBBBBBIBBBBB", 1, 7, 0, 2, 0, 3, 3, 3, 2, 0, 0, 1, 0, 0, 0)
    array = struct.pack("<BBBIHHQ", 3, 3, 3, 128 * _MIB, 0xFFFE, 4, 0)
    return b"".join(
        (
            _structure(0, 0x0000, firmware, ("Thornfield Firmware", "3.07-R", "02/14/2026")),
            _structure(1, 0x0100, system, ("Alder Bench Works", "Heron VR", "1", "REH-000001", "heron-vr", "Heron")),
            _structure(2, 0x0200, board, ("Thornfield", "TX-80 Fenwright", "1.1", "TF-REH-0001")),
            _structure(3, 0x0300, case, ("Alder Bench Works", "REH-C-0001")),
            _structure(16, 0x1000, array),
            *(_module(0x1100 + i, slot, filled=slot.endswith("2")) for i, slot in enumerate(("DIMM_A1", "DIMM_A2", "DIMM_B1", "DIMM_B2"))),
            _structure(127, 0x7F00, b""),
        )
    )  # fmt: skip


def smbios_entry_point(table: bytes) -> bytes:
    """Return the 64-bit entry point of version 3.3 for a table (DMTF DSP0134, 5.2.2), its bytes summing to 0."""
    raw = bytearray(struct.pack("<5sBBBBBBBIQ", b"_SM3_", 0, 24, 3, 3, 0, 1, 0, len(table), 0x7A000000))
    raw[5] = -sum(raw) % 256
    return bytes(raw)


def _detailed_timing() -> bytes:
    """Return 2160 x 1200 at 90 Hz, reduced blanking (VESA CVT 1.2, version 1): 261.25 MHz, 2320 x 1252 in all."""
    return bytes(
        (
            *struct.pack("<H", 26125),
            2160 & 0xFF, 160, (2160 >> 8) << 4,
            1200 & 0xFF, 52, (1200 >> 8) << 4,
            48, 32, (3 << 4) | 10, 0,
            130, 110, 0, 0, 0, 0x1A,
        )
    )  # fmt: skip


def _text_descriptor(tag: int, text: str) -> bytes:
    return bytes((0, 0, 0, tag, 0)) + (text.encode("ascii") + b"\n").ljust(13)[:13]


def display_edid() -> bytes:
    """Return base block and CTA-861 block of the invented headset on the HDMI output (VESA E-EDID 1.3; TMDS up to 300 MHz)."""
    letters = sum((ord(letter) - 64) << shift for letter, shift in zip("ZQX", (10, 5, 0), strict=True))
    base = bytearray(bytes.fromhex("00ffffffffffff00"))
    base += struct.pack(">H", letters) + struct.pack("<HI", 0x9001, 0)
    base += bytes((10, 36, 1, 3, 0x80, 13, 11, 120, 0x0E))
    base += bytes.fromhex("ee91a3544c99260f5054") + bytes((0x20, 0, 0)) + b"\x01\x01" * 8
    base += _detailed_timing() + _text_descriptor(0xFC, "Lanternfish") + _text_descriptor(0xFF, "REH-H-0001")
    limits = bytes((0, 0, 0, 0xFD, 0, 59, 91, 30, 115, 30, 0)) + b"\n" + b" " * 6
    base += limits + bytes((1,))
    base.append(-sum(base) % 256)
    blocks = bytes((0x41, 0x01, 0xE2, 0x00, 0x4A, 0x67, 0x03, 0x0C, 0x00, 0x10, 0x00, 0x00, 60))
    extension = bytearray(bytes((2, 3, 4 + len(blocks), 0x80)) + blocks)
    extension += bytes(127 - len(extension))
    extension.append(-sum(extension) % 256)
    return bytes(base + extension)
