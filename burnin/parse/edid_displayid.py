"""The DisplayID extension block of EDID: detailed timings of types I and VII, where high-rate displays keep their modes.

Format: VESA DisplayID 1.3 and 2.0: tag 70, version, length of the section, product type, extension count; from byte 5 data
blocks (tag, revision, length); type I (tag 03) and VII (tag 22) hold 20 bytes a mode: pixel clock less one (in 10 kHz, in
kHz for type VII), flags (bit 4: interlaced), active, blanking, sync offset and sync width less one each, 16 bits, horizontal
first. From memory of the standard, held against edid-decode over an open test set.
Seen on: ``tests/fixtures/edid``.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from burnin.errors import ParseError
from burnin.records.inventory import DisplayMode

TAG: Final = 0x70
_CLOCK_KHZ: Final = {0x03: 10, 0x22: 1}
_MODE_BYTES: Final = 20
_INTERLACED: Final = 0x10


def parse_displayid_block(block: bytes) -> tuple[DisplayMode, ...]:
    """Return the detailed timings of a 128-byte DisplayID extension; interlaced ones are left out.

    Raises:
        ParseError: not 128 bytes, another tag, or a section or data block that runs over the end.
    """
    if len(block) != 128 or block[0] != TAG:
        raise _error("tag, length", f"{block[:1].hex() or 'none'}, {len(block)}", "70, 128", offset=0)
    end = 5 + block[2]
    if end > 127:
        raise _error("section length", str(block[2]), "at most 122", offset=2)
    return tuple(
        mode
        for tag, payload in _data_blocks(block, end)
        if tag in _CLOCK_KHZ
        for start in range(0, len(payload) - _MODE_BYTES + 1, _MODE_BYTES)
        if (mode := _mode(payload[start : start + _MODE_BYTES], _CLOCK_KHZ[tag]))
    )


def _data_blocks(block: bytes, end: int) -> Iterator[tuple[int, bytes]]:
    offset = 5
    while offset + 3 <= end and block[offset : offset + 3] != b"\0\0\0":
        after = offset + 3 + block[offset + 2]
        if after > end:
            raise _error(
                "data block length", str(block[offset + 2]), f"at most {end - offset - 3}", offset=offset + 2
            )
        yield block[offset], block[offset + 3 : after]
        offset = after


def _mode(data: bytes, unit_khz: int) -> DisplayMode | None:
    if data[3] & _INTERLACED:
        return None
    clock_khz = (int.from_bytes(data[0:3], "little") + 1) * unit_khz
    width, h_blank, height, v_blank = (
        int.from_bytes(data[at : at + 2], "little") + 1 for at in (4, 6, 12, 14)
    )
    return DisplayMode(
        width_px=width,
        height_px=height,
        refresh_hz=round(clock_khz * 1000 / ((width + h_blank) * (height + v_blank)), 3),
        clock_mhz=clock_khz / 1000,
    )


def _error(field: str, found: str, expected: str, *, offset: int) -> ParseError:
    return ParseError("DisplayID block", field=field, found=found, expected=expected, offset=offset)
