"""What the sensor and processor libraries read of the running machine. The only module that imports them."""

from __future__ import annotations

import functools
import os
from typing import Any, Final

from burnin.host.protocol import LibraryReading

_GIB: Final = float(1 << 30)


def _psutil() -> Any:  # typed as Any: half of its functions exist on some systems only
    import psutil

    return psutil


class LibraryCalls:
    """Values of this machine through psutil and py-cpuinfo; each method returns nothing rather than raise."""

    def _grouped(self, function: str) -> tuple[LibraryReading, ...]:
        call = getattr(_psutil(), function, None)
        if call is None:
            return ()
        try:
            groups = call()
        except (OSError, RuntimeError, ValueError):
            return ()
        return tuple(
            LibraryReading(chip=chip, label=item.label, value=float(item.current))
            for chip, items in sorted(groups.items())
            for item in items
            if item.current is not None
        )

    def temperatures_c(self) -> tuple[LibraryReading, ...]:
        """Return temperatures, degC."""
        return self._grouped("sensors_temperatures")

    def fans_rpm(self) -> tuple[LibraryReading, ...]:
        """Return fan speeds, rpm."""
        return self._grouped("sensors_fans")

    def cpu_clocks_mhz(self) -> tuple[float, ...]:
        """Return the clock of each logical CPU, or a single one for all; empty where unknown."""
        try:
            per_cpu = _psutil().cpu_freq(percpu=True) or []
        except (OSError, RuntimeError, NotImplementedError, AttributeError):
            return ()
        return tuple(float(item.current) for item in per_cpu)

    def cpu_loads_pct(self) -> tuple[float, ...]:
        """Return the share of time each logical CPU was busy since the last call, percent."""
        return tuple(float(value) for value in _psutil().cpu_percent(interval=None, percpu=True))

    def memory_gib(self) -> tuple[float, float, float]:
        """Return memory in all, available, and swap used, GiB."""
        memory = _psutil().virtual_memory()
        try:
            swap_used = float(_psutil().swap_memory().used)
        except (OSError, RuntimeError):
            swap_used = 0.0
        return memory.total / _GIB, memory.available / _GIB, swap_used / _GIB

    def battery_pct(self) -> float | None:
        """Return the battery's charge, None for none."""
        call = getattr(_psutil(), "sensors_battery", None)
        try:
            battery = call() if call else None
        except (OSError, RuntimeError, ValueError):
            return None
        return None if battery is None else float(battery.percent)

    def cpu_description(self) -> dict[str, str]:
        """Return what the processor library knows, keys and values as text."""
        return _cpu_description()

    def cpu_counts(self) -> tuple[int | None, int | None]:
        """Return logical and physical core counts."""
        return _psutil().cpu_count(logical=True), _psutil().cpu_count(logical=False)

    def usable_cpus(self) -> tuple[int, ...]:
        """Return the logical CPUs this process may run on."""
        if hasattr(os, "sched_getaffinity"):
            return tuple(sorted(os.sched_getaffinity(0)))
        return tuple(range(os.cpu_count() or 1))


@functools.cache
def _cpu_description() -> dict[str, str]:
    import cpuinfo

    try:
        info = cpuinfo.get_cpu_info()
    except Exception:  # noqa: BLE001 - the library raises bare exceptions on processors it does not know
        return {}
    return {key: str(value) for key, value in info.items() if isinstance(value, str | int)}
