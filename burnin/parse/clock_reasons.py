"""Why a graphics card runs below its clock: the bits of the management library's event reasons.

*Format*: a bit mask (nvml.h, nvmlClocksEventReasons). *Seen on*: a data-centre card, driver 580. The idle bit was seen
set at full load there, so it is never used.
"""

from __future__ import annotations

from typing import Final

REASONS: Final[dict[int, str]] = {
    0x002: "clock setting",
    0x004: "power cap",
    0x008: "hardware slowdown",
    0x010: "synchronised boost",
    0x020: "heat, by the driver",
    0x040: "heat, by the hardware",
    0x080: "power brake",
    0x100: "display clock setting",
    0x200: "board limit",
    0x400: "reliability",
}
"""Bit to reason; bit 0x1 (idle) is left out on purpose."""

HEAT_BITS: Final = 0x020 | 0x040
HARDWARE_BITS: Final = 0x008 | 0x040 | 0x080
POWER_BITS: Final = 0x004 | 0x080


def decode_reasons(bits: int) -> tuple[str, ...]:
    """Return the reasons that stand in a mask, lowest bit first; unknown bits are shown as numbers."""
    known = [text for bit, text in REASONS.items() if bits & bit]
    unknown = bits & ~(sum(REASONS) | 0x1)
    return (*known, f"unknown reason 0x{unknown:x}") if unknown else tuple(known)
