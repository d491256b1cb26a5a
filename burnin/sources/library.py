"""What the sensor library reads: load of each core, memory, battery; elsewhere than on Linux also heat, fans, clocks.

On Linux temperatures, fans and clocks come from the kernel's own files in other sources, which keep labels, limits and
faults that the library drops.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

from burnin.host.protocol import Host, LibraryReading, LiveCalls
from burnin.plugin.contracts import Description, SourceSpec
from burnin.records.channels import Absence, Channel, Quantity, Reading, Role, implausible, missing

_NAME: Final = "library"
_GONE: Final = "the library no longer lists it"


class LibrarySource:
    """Values of the running machine through the sensor library."""

    @property
    def spec(self) -> SourceSpec:
        """What it says about itself."""
        return SourceSpec(title="CPU load, memory and battery, by the sensor library")

    def describe(self, host: Host) -> Description:
        """Return the channels of this machine."""
        live = host.live
        if live is None:
            reason = "the sensor library reads the running machine only, and this is not it"
            names = (("CPU load", "load"), ("available memory", "memory"), ("battery", "charge"))
            return Description(
                absent=tuple(Absence(what=what, reason=reason, quantity=kind) for what, kind in names)
            )
        channels = [*_load_channels(live), *_memory_channels()]
        absent: list[Absence] = []
        if not any(channel.quantity == "load" for channel in channels):
            absent.append(
                Absence(what="CPU load", reason="the library gives no load for any core", quantity="load")
            )
        if live.battery_pct() is None:
            absent.append(Absence(what="battery", reason="the system reports no battery", quantity="charge"))
        else:
            channels.append(_channel("battery/charge", "charge", "Battery"))
        if host.system != "Linux":
            _describe_elsewhere(host, live, channels, absent)
        return Description(channels=tuple(channels), absent=tuple(absent))

    def open(self, host: Host, channels: Sequence[Channel]) -> LibrarySession:
        """Return a session that reads exactly ``channels``."""
        return LibrarySession(host.live, tuple(channel.id for channel in channels))


def _channel(
    tail: str, quantity: Quantity, label: str, *, role: Role = "none", core: int | None = None
) -> Channel:
    cores = () if core is None else (core,)
    return Channel(id=f"{_NAME}/{tail}", source=_NAME, quantity=quantity, label=label, role=role, cores=cores)


def _load_channels(live: LiveCalls) -> Iterable[Channel]:
    for core in range(len(live.cpu_loads_pct())):
        yield _channel(f"cpu/load-{core}", "load", f"Load of CPU {core}", core=core)


def _memory_channels() -> Iterable[Channel]:
    yield _channel("memory/available", "memory", "Memory available")
    yield _channel("memory/swap-used", "memory", "Swap in use")


def _describe_elsewhere(host: Host, live: LiveCalls, channels: list[Channel], absent: list[Absence]) -> None:
    clocks = live.cpu_clocks_mhz()
    for index in range(len(clocks)):
        only = len(clocks) == 1
        label = "CPU clock" if only else f"Clock of CPU {index}"
        channels.append(
            _channel(f"cpu/clock-{index}", "frequency", label, role="cpu_clock", core=None if only else index)
        )
    warm = _keyed(live.temperatures_c())
    spin = _keyed(live.fans_rpm())
    channels.extend(_channel(f"heat/{key}", "temperature", key) for key in warm)
    channels.extend(_channel(f"fans/{key}", "fan_speed", key, role="fan") for key in spin)
    reason = f"the sensor library lists none on {host.system or 'this system'}"
    for found, what, quantity in (
        (clocks, "CPU clock", "frequency"),
        (warm, "temperature sensors", "temperature"),
        (spin, "fans", "fan_speed"),
    ):
        if not found:
            absent.append(Absence(what=what, reason=reason, quantity=quantity))


def _keyed(readings: Sequence[LibraryReading]) -> dict[str, float]:
    """Return values by chip and label; equal names are numbered in the library's order."""
    keyed: dict[str, float] = {}
    for reading in readings:
        base = f"{reading.chip}/{reading.label or 'sensor'}"
        key, number = base, 1
        while key in keyed:
            number += 1
            key = f"{base} {number}"
        keyed[key] = reading.value
    return keyed


class LibrarySession:
    """An opened library source.

    Args:
        live: The library's calls; None when there is no running machine behind the host.
        ids: Channels to read, in order.
    """

    def __init__(self, live: LiveCalls | None, ids: tuple[str, ...]) -> None:
        self._live = live
        self._ids = ids
        self._groups = {
            identity.split("/")[1] + "/" + identity.split("/")[2].split("-")[0] for identity in ids
        }
        self._counting = False

    def read(self) -> tuple[Reading, ...]:
        """Return one reading for each channel."""
        if self._live is None:
            return tuple(missing("no running machine to ask") for _ in self._ids)
        values = self._sweep(self._live)
        readings = tuple(_judged(identity, values.get(identity)) for identity in self._ids)
        if self._counting:
            return readings
        # the library counts load from one call to the next, apart for each thread: the first figure means nothing
        self._counting = True
        first = missing("the first look gives no load yet")
        return tuple(
            first if identity.startswith(f"{_NAME}/cpu/load-") else reading
            for identity, reading in zip(self._ids, readings, strict=True)
        )

    def _sweep(self, live: LiveCalls) -> dict[str, float]:
        values: dict[str, float] = {}
        if "cpu/load" in self._groups:
            values |= {f"{_NAME}/cpu/load-{i}": value for i, value in enumerate(live.cpu_loads_pct())}
        if "cpu/clock" in self._groups:
            values |= {f"{_NAME}/cpu/clock-{i}": value for i, value in enumerate(live.cpu_clocks_mhz())}
        if any(group.startswith("memory/") for group in self._groups):
            _, available, swap_used = live.memory_gib()
            values |= {f"{_NAME}/memory/available": available, f"{_NAME}/memory/swap-used": swap_used}
        if "battery/charge" in self._groups and (charge := live.battery_pct()) is not None:
            values[f"{_NAME}/battery/charge"] = charge
        if any(group.startswith("heat/") for group in self._groups):
            values |= {f"{_NAME}/heat/{key}": value for key, value in _keyed(live.temperatures_c()).items()}
        if any(group.startswith("fans/") for group in self._groups):
            values |= {f"{_NAME}/fans/{key}": value for key, value in _keyed(live.fans_rpm()).items()}
        return values

    def close(self) -> None:
        """Nothing is held."""


def _judged(identity: str, value: float | None) -> Reading:
    if value is None:
        return missing(_GONE)
    if identity.startswith(f"{_NAME}/heat/") and not -40.0 < value < 150.0:
        return implausible(value, "outside what a running PC can have")
    if identity.startswith(f"{_NAME}/cpu/clock-") and value <= 0.0:
        return implausible(value, "a running core has a clock")
    return Reading(value=value)


PLUGIN: Final = LibrarySource()
