"""PCIe errors that devices and ports counted (advanced error reporting).

The partner at the other end of a link may hold the count, so ports are read like devices. Names of errors differ
between kernels and are not interpreted; totals are.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

from burnin.host.kept import FileReadings, FileValue
from burnin.host.protocol import Host
from burnin.parse.counters import parse_named_counts, total_of
from burnin.plugin.contracts import Description, SourceSpec
from burnin.records.channels import Absence, Channel, Reading

_NAME: Final = "pcie_errors"
_FOLDER: Final = "/sys/bus/pci/devices"
_FILES: Final[dict[str, tuple[str, ...]]] = {
    "correctable": ("aer_dev_correctable",),
    "uncorrectable": ("aer_dev_nonfatal", "aer_dev_fatal"),
}


class PcieErrorSource:
    """Error counters of PCIe devices."""

    @property
    def spec(self) -> SourceSpec:
        """What it says about itself."""
        return SourceSpec(title="PCIe errors, by the counters of devices and ports")

    def describe(self, host: Host) -> Description:
        """Return two counters for each device that reports errors."""
        channels = tuple(_channels(host))
        if channels:
            return Description(channels=channels)
        why = "no PCIe device the kernel lists counts errors (switched off in the firmware, or a virtual machine)"
        reason = why if host.names(_FOLDER) else "the kernel lists no PCI device"
        return Description(absent=(Absence(what="PCIe error counters", reason=reason, quantity="count"),))

    def open(self, host: Host, channels: Sequence[Channel]) -> FileReadings:
        """Return a session that reads exactly ``channels``."""
        return FileReadings(host, [_value_of(channel) for channel in channels])


def _channels(host: Host) -> Iterable[Channel]:
    for device in host.names(_FOLDER):
        there = host.names(f"{_FOLDER}/{device}")
        for kind, files in _FILES.items():
            if all(file in there for file in files):
                yield Channel(
                    id=f"{_NAME}/{device}/{kind}",
                    source=_NAME,
                    quantity="count",
                    label=f"{kind.capitalize()} PCIe errors, {device}",
                    place=f"PCI {device}, counted since the start of the machine",
                    role="fault_count",
                    resolution=1.0,
                )


def _value_of(channel: Channel) -> FileValue:
    _, device, kind = channel.id.split("/")
    return FileValue(paths=tuple(f"{_FOLDER}/{device}/{file}" for file in _FILES[kind]), make=_total)


def _total(*contents: bytes) -> Reading:
    return Reading(value=float(sum(total_of(parse_named_counts(data)) for data in contents)))


PLUGIN: Final = PcieErrorSource()
