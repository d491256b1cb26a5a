"""Notices a wall clock that was set and a machine that slept."""

from __future__ import annotations

from typing import Final

from burnin.host.protocol import Clock
from burnin.records.events import ClockStepped

STEP_S: Final = 2.0
SLEPT_S: Final = 1.0


class ClockWatch:
    """Compares the clocks with each other.

    Args:
        clock: Clocks.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._wall_ahead_ns = clock.wall_ns() - clock.boot_ns()
        self._slept_ns = clock.boot_ns() - clock.mono_ns()

    def look(self) -> list[ClockStepped]:
        """Return what happened to the clocks since the last look."""
        mono_ns, boot_ns, wall_ns = self._clock.mono_ns(), self._clock.boot_ns(), self._clock.wall_ns()
        found = []
        slept_s = (boot_ns - mono_ns - self._slept_ns) / 1e9
        if slept_s > SLEPT_S:
            found.append(ClockStepped(what="suspend", by_s=round(slept_s, 3)))
            self._slept_ns = boot_ns - mono_ns
        stepped_s = (wall_ns - boot_ns - self._wall_ahead_ns) / 1e9
        if abs(stepped_s) > STEP_S:
            found.append(ClockStepped(what="wall", by_s=round(stepped_s, 3)))
            self._wall_ahead_ns = wall_ns - boot_ns
        return found
