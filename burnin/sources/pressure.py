"""Pressure: how much of the last ten seconds work stood waiting for processor, memory or storage.

Memory pressure during a soak means that the load was held up by paging, not by the machine's own speed.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from typing import Final

from burnin.errors import ParseError, Unreadable
from burnin.host.kept import FileReadings, FileValue
from burnin.host.protocol import Host
from burnin.parse.pressure import parse_pressure
from burnin.plugin.contracts import Description, SourceSpec
from burnin.records.channels import Absence, Channel, Reading, missing

_NAME: Final = "pressure"
_FOLDER: Final = "/proc/pressure"
_RESOURCES: Final = {"cpu": "the processor", "memory": "memory", "io": "storage"}
_KINDS: Final = {"some": "some work", "full": "all work"}


class PressureSource:
    """Waiting times by resource."""

    @property
    def spec(self) -> SourceSpec:
        """What it says about itself."""
        return SourceSpec(title="Time that work stood waiting for processor, memory, storage, by the kernel")

    def describe(self, host: Host) -> Description:
        """Return the shares that the kernel keeps."""
        channels: list[Channel] = []
        reason = "the kernel keeps no waiting times"
        for resource, noun in _RESOURCES.items():
            try:
                kinds = parse_pressure(host.read(f"{_FOLDER}/{resource}"))
            except Unreadable as error:
                reason = f"the kernel keeps no waiting times: {error.reason}"
                continue
            except ParseError as error:
                reason = error.message
                continue
            channels.extend(
                _channel(resource, noun, kind) for kind in kinds if (resource, kind) != ("cpu", "full")
            )
        if channels:
            return Description(channels=tuple(channels))
        return Description(absent=(Absence(what="waiting times", reason=reason, quantity="ratio"),))

    def open(self, host: Host, channels: Sequence[Channel]) -> FileReadings:
        """Return a session that reads exactly ``channels``."""
        return FileReadings(host, [_value_of(channel) for channel in channels])


def _channel(resource: str, noun: str, kind: str) -> Channel:
    """Return a channel; "full" of the processor is left out, as it is 0 for a whole machine by definition."""
    return Channel(
        id=f"{_NAME}/{resource}/{kind}",
        source=_NAME,
        quantity="ratio",
        label=f"{_KINDS[kind].capitalize()} waiting for {noun}",
        place="share of the last 10 s",
        resolution=0.01,
    )


def _value_of(channel: Channel) -> FileValue:
    _, resource, kind = channel.id.split("/")
    return FileValue(paths=(f"{_FOLDER}/{resource}",), make=functools.partial(_share, kind))


def _share(kind: str, data: bytes) -> Reading:
    share = parse_pressure(data).get(kind)
    return missing("the kernel no longer lists it") if share is None else Reading(value=share)


PLUGIN: Final = PressureSource()
