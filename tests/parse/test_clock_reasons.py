from __future__ import annotations

import pytest

from burnin.parse.clock_reasons import HARDWARE_BITS, HEAT_BITS, POWER_BITS, REASONS, decode_reasons


@pytest.mark.parametrize(
    ("bits", "reasons"),
    [
        (0x0, ()),
        (0x1, ()),  # idle, seen set at 600 W and 99 % load: never used
        (0x4, ("power cap",)),
        (0x20 | 0x1, ("heat, by the driver",)),
        (0x8 | 0x40, ("hardware slowdown", "heat, by the hardware")),
        (0x1000, ("unknown reason 0x1000",)),
        (0x1004, ("power cap", "unknown reason 0x1000")),
    ],
)
def test_documented_bits(bits, reasons):
    assert decode_reasons(bits) == reasons


def test_bits_are_those_of_the_published_header():
    """nvml.h, nvmlClocksEventReason*, as the Python binding 13.615.71 of its maker lists them."""
    assert HEAT_BITS == 32 | 64
    assert HARDWARE_BITS == 8 | 64 | 128
    assert POWER_BITS == 4 | 128
    assert sum(REASONS) | 1 == 2047
