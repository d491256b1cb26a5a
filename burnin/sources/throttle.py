"""Throttle counters of the processor: how often and how long cores and packages were slowed by heat.

Counts rise from boot on; the rules judge how much they rose during the run. A spike more than 10 degC below the
throttle point raises the count but not the times (Linux, therm_throt.c), so both are kept.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Final

from burnin.errors import ParseError, Unreadable
from burnin.host.kept import FileReadings, FileValue
from burnin.host.protocol import Host
from burnin.parse.counters import parse_integer
from burnin.plugin.contracts import Description, SourceSpec
from burnin.records.channels import Absence, Channel, Reading, Role

_NAME: Final = "throttle"
_CPUS: Final = "/sys/devices/system/cpu"
_FILES: Final[tuple[tuple[str, str, Role], ...]] = (
    ("core_throttle_count", "Throttle events of {}", "throttle_count"),
    ("core_throttle_total_time_ms", "Throttled time of {}, in ms", "none"),
    ("package_throttle_count", "Throttle events of {}", "throttle_count"),
    ("package_throttle_total_time_ms", "Throttled time of {}, in ms", "none"),
)
"""File, label and role; the role stands on events only, so that no rule adds milliseconds to them."""


class ThrottleSource:
    """Throttle counters of cores and packages."""

    @property
    def spec(self) -> SourceSpec:
        """What it says about itself."""
        return SourceSpec(title="Throttle counters of the processor, by the kernel")

    def describe(self, host: Host) -> Description:
        """Return the counters of each core, and of each package once."""
        channels = tuple(_channels(host))
        if channels:
            return Description(channels=channels)
        reason = "the kernel keeps no throttle counters here (it does for some makers' processors, outside virtual machines)"
        return Description(absent=(Absence(what="throttle counters", reason=reason, quantity="count"),))

    def open(self, host: Host, channels: Sequence[Channel]) -> FileReadings:
        """Return a session that reads exactly ``channels``."""
        return FileReadings(host, [_value_of(channel) for channel in channels])


def _cpus(host: Host) -> list[int]:
    names = (re.fullmatch(r"cpu([0-9]{1,5})", name) for name in host.names(_CPUS))
    return sorted(int(match[1]) for match in names if match)


def _package_of(host: Host, cpu: int) -> int:
    try:
        return parse_integer(host.read(f"{_CPUS}/cpu{cpu}/topology/physical_package_id"))
    except (Unreadable, ParseError):
        return 0  # kernels without topology files run machines with one package


def _channels(host: Host) -> Iterable[Channel]:
    cpus = _cpus(host)
    packages: dict[int, list[int]] = {}
    for cpu in cpus:
        packages.setdefault(_package_of(host, cpu), []).append(cpu)
    for cpu in cpus:
        there = host.names(f"{_CPUS}/cpu{cpu}/thermal_throttle")
        package = next(number for number, members in packages.items() if cpu in members)
        first = packages[package][0] == cpu
        for file, label, role in _FILES:
            of_package = file.startswith("package")
            if file not in there or (of_package and not first):
                continue
            yield Channel(
                id=f"{_NAME}/cpu{cpu}/{file}",
                source=_NAME,
                quantity="count",
                label=label.format(f"package {package}" if of_package else f"CPU {cpu}"),
                place="counted since boot",
                role=role,
                resolution=1.0,
                cores=tuple(packages[package]) if of_package else (cpu,),
            )


def _value_of(channel: Channel) -> FileValue:
    _, cpu, file = channel.id.split("/")
    return FileValue(paths=(f"{_CPUS}/{cpu}/thermal_throttle/{file}",), make=_count)


def _count(data: bytes) -> Reading:
    return Reading(value=float(parse_integer(data, "throttle counter")))


PLUGIN: Final = ThrottleSource()
