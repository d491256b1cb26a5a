"""Pixel clock and blanking of a display mode by the VESA Coordinated Video Timings formulas.

Sources: VESA CVT 1.1 (2003) and CVT 1.2 (2013), which define the standard timing and reduced blanking version 1 and
2. The step order and the constants below were written from memory of the standard and then held against an
independent implementation of it over more than 200 modes (see the tests).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum
from typing import Final, assert_never

CELL_PX: Final = 8
"""Character cell of the standard and of version 1, in pixels."""
MIN_FRONT_PORCH_LINES: Final = 3
MIN_BACK_PORCH_LINES: Final = 7
"""Of the standard and of version 1 (CVT 1.2; it was 6 in CVT 1.1)."""
V2_BACK_PORCH_LINES: Final = 6
STANDARD_SYNC_AND_BACK_US: Final = 550.0
"""Shortest vertical sync plus back porch of the standard timing."""
CLOCK_STEP_MHZ: Final = 0.25
V2_CLOCK_STEP_MHZ: Final = 0.001
DUTY_OFFSET_PERCENT: Final = 30.0
DUTY_GRADIENT_PERCENT_PER_MS: Final = 300.0
MIN_DUTY_PERCENT: Final = 20.0
REDUCED_VBLANK_US: Final = 460.0
"""Shortest vertical blanking with reduced blanking, both versions."""
_FLAT_SYNC_LINES: Final = 8
_ASPECT_SYNC: Final = ((4, 3, 4), (16, 9, 5), (16, 10, 6), (5, 4, 7), (15, 9, 7))
"""Vertical sync width in lines by aspect ratio: the sync width tells the display which formula was used."""


class Blanking(IntEnum):
    """Which of the three formulas sets the blanking."""

    STANDARD = 0
    REDUCED_V1 = 1
    REDUCED_V2 = 2


@dataclass(frozen=True, kw_only=True)
class Timing:
    """One display mode with its blanking.

    Attributes:
        width_px: Visible pixels in a line.
        height_px: Visible lines.
        blanking: Formula used.
        clock_khz: Pixel clock in kHz, a whole number by construction.
        h_front_px: Horizontal front porch.
        h_sync_px: Horizontal sync pulse.
        h_back_px: Horizontal back porch.
        v_front_lines: Vertical front porch.
        v_sync_lines: Vertical sync pulse.
        v_back_lines: Vertical back porch.
    """

    width_px: int
    height_px: int
    blanking: Blanking
    clock_khz: int
    h_front_px: int
    h_sync_px: int
    h_back_px: int
    v_front_lines: int
    v_sync_lines: int
    v_back_lines: int

    @property
    def h_total_px(self) -> int:
        """Pixels in a whole line, blanking included."""
        return self.width_px + self.h_front_px + self.h_sync_px + self.h_back_px

    @property
    def v_total_lines(self) -> int:
        """Lines in a whole frame, blanking included."""
        return self.height_px + self.v_front_lines + self.v_sync_lines + self.v_back_lines

    @property
    def clock_mhz(self) -> float:
        """Pixel clock in MHz."""
        return self.clock_khz / 1000

    @property
    def line_rate_khz(self) -> float:
        """Horizontal frequency in kHz."""
        return self.clock_khz / self.h_total_px

    @property
    def refresh_hz(self) -> float:
        """Refresh rate the rounded clock really gives; usually a little below the nominal one."""
        return self.clock_khz * 1000 / (self.h_total_px * self.v_total_lines)


def timing(width_px: int, height_px: int, *, refresh_hz: float, blanking: Blanking) -> Timing:
    """Return the progressive timing of a mode without margins.

    Args:
        width_px: Visible pixels in a line, 64 to 32768.
        height_px: Visible lines, 64 to 32768.
        refresh_hz: Nominal refresh rate in Hz, 10 to 1000.
        blanking: Formula to use.

    Raises:
        ValueError: A value is outside its range.
    """
    if not (64 <= width_px <= 32768 and 64 <= height_px <= 32768):
        raise ValueError(f"mode {width_px}x{height_px}: each side must be 64 to 32768 pixels")
    if not 10.0 <= refresh_hz <= 1000.0:
        raise ValueError(f"refresh rate {refresh_hz} Hz: must be 10 to 1000 Hz")
    match blanking:
        case Blanking.STANDARD:
            return _standard(width_px, height_px, refresh_hz)
        case Blanking.REDUCED_V1:
            return _reduced_v1(width_px, height_px, refresh_hz)
        case Blanking.REDUCED_V2:
            return _reduced_v2(width_px, height_px, refresh_hz)
        case unknown:
            assert_never(unknown)


def _sync_lines(width_px: int, height_px: int) -> int:
    """Return the vertical sync width for the exact aspect ratio; 10 for any other ratio."""
    for across, down, lines in _ASPECT_SYNC:
        if height_px * across == width_px * down:
            return lines
    return 10


def _clock_khz(clock_mhz: float, *, step_mhz: float) -> int:
    """Return the clock rounded down to its step.

    In doubles and in MHz, as the standard writes it: where the product is an exact number of kHz, the quotient may
    fall just below it and the clock comes out one step of 1 kHz lower, here as in other implementations.
    """
    return round(math.floor(clock_mhz / step_mhz) * step_mhz * 1000)


def _standard(width_px: int, height_px: int, refresh_hz: float) -> Timing:
    """Return the standard timing (CVT 1.1, section 5.2)."""
    sync = _sync_lines(width_px, height_px)
    line_us = (1e6 / refresh_hz - STANDARD_SYNC_AND_BACK_US) / (height_px + MIN_FRONT_PORCH_LINES)
    sync_and_back = max(int(STANDARD_SYNC_AND_BACK_US / line_us) + 1, sync + MIN_BACK_PORCH_LINES)
    duty = max(DUTY_OFFSET_PERCENT - DUTY_GRADIENT_PERCENT_PER_MS * line_us / 1000, MIN_DUTY_PERCENT)
    cells_px = width_px // CELL_PX * CELL_PX
    blank = int(cells_px * duty / (100 - duty) / (2 * CELL_PX)) * 2 * CELL_PX
    h_sync = int(0.08 * (cells_px + blank) / CELL_PX) * CELL_PX
    return Timing(
        width_px=width_px,
        height_px=height_px,
        blanking=Blanking.STANDARD,
        clock_khz=_clock_khz((cells_px + blank) / line_us, step_mhz=CLOCK_STEP_MHZ),
        h_front_px=blank // 2 - h_sync,
        h_sync_px=h_sync,
        h_back_px=blank // 2,
        v_front_lines=MIN_FRONT_PORCH_LINES,
        v_sync_lines=sync,
        v_back_lines=sync_and_back - sync,
    )


def _reduced_blank_lines(height_px: int, refresh_hz: float, *, least: int) -> int:
    """Return the lines of vertical blanking that last at least 460 us, never fewer than `least`."""
    line_us = (1e6 / refresh_hz - REDUCED_VBLANK_US) / height_px
    return max(int(REDUCED_VBLANK_US / line_us) + 1, least)


def _reduced_v1(width_px: int, height_px: int, refresh_hz: float) -> Timing:
    """Return the timing with reduced blanking version 1 (CVT 1.1, section 5.3)."""
    sync = _sync_lines(width_px, height_px)
    blank = _reduced_blank_lines(
        height_px, refresh_hz, least=MIN_FRONT_PORCH_LINES + sync + MIN_BACK_PORCH_LINES
    )
    h_total = width_px // CELL_PX * CELL_PX + 160
    clock_mhz = refresh_hz * (height_px + blank) * h_total / 1e6
    return Timing(
        width_px=width_px,
        height_px=height_px,
        blanking=Blanking.REDUCED_V1,
        clock_khz=_clock_khz(clock_mhz, step_mhz=CLOCK_STEP_MHZ),
        h_front_px=48,
        h_sync_px=32,
        h_back_px=80,
        v_front_lines=MIN_FRONT_PORCH_LINES,
        v_sync_lines=sync,
        v_back_lines=blank - MIN_FRONT_PORCH_LINES - sync,
    )


def _reduced_v2(width_px: int, height_px: int, refresh_hz: float) -> Timing:
    """Return the timing with reduced blanking version 2 (CVT 1.2): any width, clock in steps of 1 kHz."""
    blank = _reduced_blank_lines(height_px, refresh_hz, least=1 + _FLAT_SYNC_LINES + V2_BACK_PORCH_LINES)
    clock_mhz = refresh_hz * (height_px + blank) * (width_px + 80) / 1e6
    return Timing(
        width_px=width_px,
        height_px=height_px,
        blanking=Blanking.REDUCED_V2,
        clock_khz=_clock_khz(clock_mhz, step_mhz=V2_CLOCK_STEP_MHZ),
        h_front_px=8,
        h_sync_px=32,
        h_back_px=40,
        v_front_lines=blank - _FLAT_SYNC_LINES - V2_BACK_PORCH_LINES,
        v_sync_lines=_FLAT_SYNC_LINES,
        v_back_lines=V2_BACK_PORCH_LINES,
    )
