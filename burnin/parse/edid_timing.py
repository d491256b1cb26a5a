"""The 18-byte detailed timing of EDID and CTA-861.

Format: VESA E-EDID, section 3.10.2: pixel clock in 10 kHz (little endian), active and blanking in 12 bits each, flags in
byte 17 (bit 7: interlaced; the vertical figures are then those of one field).
Seen on: ``tests/fixtures/edid``.
"""

from __future__ import annotations

from burnin.records.inventory import DisplayMode


def parse_detailed_timing(data: bytes) -> DisplayMode | None:
    """Return the mode of an 18-byte detailed timing; None where the bytes hold a descriptor, nothing, or no mode.

    The refresh is that of the frames a display shows: for an interlaced mode, of the fields.
    """
    clock_khz = int.from_bytes(data[0:2], "little") * 10
    if clock_khz == 0 or len(data) < 18:
        return None
    width = data[2] | (data[4] & 0xF0) << 4
    height = data[5] | (data[7] & 0xF0) << 4
    h_total = width + (data[3] | (data[4] & 0x0F) << 8)
    v_total: float = height + (data[6] | (data[7] & 0x0F) << 8)
    if not width or not height:
        return None
    if data[17] & 0x80:
        height, v_total = height * 2, v_total + 0.5
    return DisplayMode(
        width_px=width,
        height_px=height,
        refresh_hz=round(clock_khz * 1000 / (h_total * v_total), 3),
        clock_mhz=clock_khz / 1000,
    )
