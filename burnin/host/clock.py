"""The real clocks."""

from __future__ import annotations

import time


class RealClock:
    """Clocks of this machine."""

    def mono_ns(self) -> int:
        """Return the monotonic clock, nanoseconds."""
        return time.monotonic_ns()

    def boot_ns(self) -> int:
        """Return the clock that also runs in suspend, nanoseconds."""
        source = getattr(time, "CLOCK_BOOTTIME", None)
        return time.monotonic_ns() if source is None else time.clock_gettime_ns(source)

    def wall_ns(self) -> int:
        """Return the time since 1970-01-01 UTC, nanoseconds."""
        return time.time_ns()

    def utc_offset_s(self) -> int:
        """Return local time minus UTC, seconds."""
        return time.localtime().tm_gmtoff

    def sleep_until(self, mono_ns: int) -> None:
        """Wait until the monotonic clock shows ``mono_ns``."""
        remaining_ns = mono_ns - time.monotonic_ns()
        if remaining_ns > 0:
            time.sleep(remaining_ns / 1e9)
