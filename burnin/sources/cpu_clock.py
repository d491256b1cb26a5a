"""Clock of each core from the kernel's files on Linux; elsewhere the sensor library reads it (``library``).

Where the kernel scales clocks, ``scaling_cur_freq`` tells; otherwise "cpu MHz" of ``/proc/cpuinfo``. In a virtual machine
the latter is a number that the hypervisor was started with, not a measurement: it is kept and never decides.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

from burnin.errors import Unreadable
from burnin.host.kept import FileReadings, FileValue
from burnin.host.protocol import Host, KeptFile
from burnin.parse.counters import is_virtual, parse_cpu_clocks_mhz, parse_integer
from burnin.plugin.contracts import Description, SourceSpec
from burnin.records.channels import Absence, Channel, Reading, implausible, missing

_NAME: Final = "cpu_clock"
_CPUS: Final = "/sys/devices/system/cpu"
_CPUINFO: Final = "/proc/cpuinfo"
_MOST_MHZ: Final = 20_000.0
"""No processor sold runs faster; larger values are counting errors of the driver."""


class CpuClockSource:
    """Clocks of the cores."""

    @property
    def spec(self) -> SourceSpec:
        """What it says about itself."""
        return SourceSpec(title="Clock of each core, by the kernel")

    def describe(self, host: Host) -> Description:
        """Return one channel for each core that has a clock."""
        if host.system != "Linux":
            return Description()
        scaled = tuple(_scaled_cpus(host))
        if scaled:
            return Description(channels=tuple(_channel(cpu, "cpufreq") for cpu in scaled))
        listed, reason = _listed_cpus(host)
        if listed:
            return Description(channels=tuple(_channel(cpu, "cpuinfo") for cpu in listed))
        return Description(absent=(Absence(what="CPU clock", reason=reason, quantity="frequency"),))

    def open(self, host: Host, channels: Sequence[Channel]) -> FileReadings | CpuinfoSession:
        """Return a session that reads exactly ``channels``, which are of one kind."""
        if any("/cpuinfo/" in channel.id for channel in channels):
            return CpuinfoSession(host, channels)
        return FileReadings(host, [_value_of(channel) for channel in channels])


def _scaled_cpus(host: Host) -> list[int]:
    found: list[int] = []
    for name in host.names(_CPUS):
        match = re.fullmatch(r"cpu([0-9]{1,5})", name)
        if match and "scaling_cur_freq" in host.names(f"{_CPUS}/{name}/cpufreq"):
            found.append(int(match[1]))
    return sorted(found)


def _listed_cpus(host: Host) -> tuple[list[int], str]:
    try:
        clocks = parse_cpu_clocks_mhz(host.read(_CPUINFO))
    except Unreadable as error:
        return [], f"the kernel scales no clock, and {_CPUINFO} cannot be read: {error.reason}"
    return sorted(clocks), "the kernel scales no clock and lists none in /proc/cpuinfo"


def _channel(cpu: int, kind: str) -> Channel:
    place = "cpufreq of the kernel" if kind == "cpufreq" else "/proc/cpuinfo; fixed in a virtual machine"
    return Channel(
        id=f"{_NAME}/{kind}/cpu{cpu}",
        source=_NAME,
        quantity="frequency",
        label=f"Clock of CPU {cpu}",
        place=place,
        role="cpu_clock",
        cores=(cpu,),
    )


def _value_of(channel: Channel) -> FileValue:
    name = channel.id.rpartition("/")[2]
    return FileValue(paths=(f"{_CPUS}/{name}/cpufreq/scaling_cur_freq",), make=_from_cpufreq)


def _from_cpufreq(data: bytes) -> Reading:
    return _judged(parse_integer(data, "clock") / 1000.0)  # kHz in the file


def _judged(clock_mhz: float) -> Reading:
    if not 0.0 < clock_mhz < _MOST_MHZ:
        return implausible(clock_mhz, "no core runs at this clock")
    return Reading(value=clock_mhz)


class CpuinfoSession:
    """Clocks out of ``/proc/cpuinfo``, read once a sweep.

    Args:
        host: The machine.
        channels: Channels to read, in order.
    """

    def __init__(self, host: Host, channels: Sequence[Channel]) -> None:
        self._cpus = tuple(int(channel.id.rpartition("/cpu")[2]) for channel in channels)
        self._host = host
        self._kept: KeptFile | None = None

    def read(self) -> tuple[Reading, ...]:
        """Return one reading for each channel."""
        try:
            self._kept = self._kept or self._host.keep_open(_CPUINFO)
            data = self._kept.read()
        except Unreadable as error:
            return tuple(missing(error.reason) for _ in self._cpus)
        clocks, virtual = parse_cpu_clocks_mhz(data), is_virtual(data)
        return tuple(_listed(clocks.get(cpu), virtual=virtual) for cpu in self._cpus)

    def close(self) -> None:
        """Give the descriptor back."""
        if self._kept is not None:
            self._kept.close()
            self._kept = None


def _listed(clock_mhz: float | None, *, virtual: bool) -> Reading:
    if clock_mhz is None:
        return missing("the kernel lists no clock for this core now")
    if virtual:
        return implausible(clock_mhz, "a virtual machine shows a fixed number, not a measured clock")
    return _judged(clock_mhz)


PLUGIN: Final = CpuClockSource()
