"""Memory errors that the memory controller corrected or could not correct (EDAC counters).

Only memory with error correction can count. Where the modules run without it, a zero would prove nothing: then the
counters are listed as absent, and nothing is read.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Final

from burnin.errors import Unreadable
from burnin.host.kept import FileReadings, FileValue
from burnin.host.protocol import Host
from burnin.parse.counters import parse_integer
from burnin.parse.hwmon import parse_label
from burnin.plugin.contracts import Description, SourceSpec
from burnin.records.channels import Absence, Channel, Reading

_NAME: Final = "memory_errors"
_FOLDER: Final = "/sys/devices/system/edac/mc"
_COUNTS: Final = {"ce_count": "Corrected memory errors", "ue_count": "Uncorrected memory errors"}


class MemoryErrorSource:
    """Counters of memory errors."""

    @property
    def spec(self) -> SourceSpec:
        """What it says about itself."""
        return SourceSpec(title="Memory errors, by the memory controller's counters")

    def describe(self, host: Host) -> Description:
        """Return the counters of each controller and each module, where the memory corrects errors."""
        controllers = [name for name in host.names(_FOLDER) if re.fullmatch(r"mc\d{1,3}", name)]
        if not controllers:
            return _without(
                "the kernel lists no memory controller with error counters: memory without error correction, or no driver"
            )
        channels = tuple(channel for name in controllers for channel in _channels(host, name))
        if not channels:
            return _without("the memory runs without error correction: a count of zero would prove nothing")
        return Description(channels=channels)

    def open(self, host: Host, channels: Sequence[Channel]) -> FileReadings:
        """Return a session that reads exactly ``channels``."""
        return FileReadings(host, [_value_of(channel) for channel in channels])


def _without(reason: str) -> Description:
    return Description(absent=(Absence(what="memory error counters", reason=reason, quantity="count"),))


def _text(host: Host, path: str) -> str:
    try:
        return parse_label(host.read(path))
    except Unreadable:
        return ""


def _modules(host: Host, controller: str) -> list[str]:
    names = host.names(f"{_FOLDER}/{controller}")
    return [name for name in names if re.fullmatch(r"(dimm|rank)\d{1,3}", name)]


def _channels(host: Host, controller: str) -> Iterable[Channel]:
    modules = _modules(host, controller)
    modes = [_text(host, f"{_FOLDER}/{controller}/{module}/dimm_edac_mode") for module in modules]
    if modes and all(mode == "None" for mode in modes):
        return
    for file, label in _COUNTS.items():
        if file in host.names(f"{_FOLDER}/{controller}"):
            yield _channel(f"{controller}/{file}", f"{label}, controller {controller[2:]}", "")
    for module in modules:
        place = _text(host, f"{_FOLDER}/{controller}/{module}/dimm_label")
        for file, label in _COUNTS.items():
            if f"dimm_{file}" in host.names(f"{_FOLDER}/{controller}/{module}"):
                yield _channel(f"{controller}.{module}/dimm_{file}", f"{label}, {place or module}", place)


def _channel(tail: str, label: str, place: str) -> Channel:
    return Channel(
        id=f"{_NAME}/{tail}",
        source=_NAME,
        quantity="count",
        label=label,
        place=place or "counted since the driver was loaded",
        role="fault_count",
        resolution=1.0,
    )


def _value_of(channel: Channel) -> FileValue:
    _, where, file = channel.id.split("/")
    return FileValue(paths=(f"{_FOLDER}/{where.replace('.', '/')}/{file}",), make=_count)


def _count(data: bytes) -> Reading:
    return Reading(value=float(parse_integer(data, "memory error counter")))


PLUGIN: Final = MemoryErrorSource()
