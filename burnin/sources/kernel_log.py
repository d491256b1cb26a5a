"""Lines of the kernel's log that tell of faults, counted by kind from the start of sampling.

Machine checks have no counter of their own in the kernel: its log is the only place where they show.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from typing import Final

from burnin.errors import Unreadable
from burnin.host.kernel_log import KernelLogCopy, KernelLogFeed, open_kernel_log
from burnin.host.protocol import Host
from burnin.parse.kernel_log import KINDS, LogLine, parse_record
from burnin.plugin.contracts import Description, SourceSpec
from burnin.records.channels import Absence, Channel, Reading, missing

_NAME: Final = "kernel_log"
_FAULTS: Final = ("machine_check", "memory_error", "pcie", "storage", "graphics")
"""Kinds that tell of a part's fault. The others are shown: devices come and go and are reset by being plugged, throttling
has its own counters, and a kernel short of memory or time need not stand on bad hardware."""

_WHAT: Final = "faults in the kernel's log"
_Opener = Callable[[Host], "KernelLogFeed | KernelLogCopy"]


class KernelLogSource:
    """Counts of telling lines in the kernel's log.

    Args:
        opener: Opens the log of a machine.
    """

    def __init__(self, opener: _Opener = open_kernel_log) -> None:
        self._opener = opener

    @property
    def spec(self) -> SourceSpec:
        """What it says about itself."""
        return SourceSpec(title="Faults that the kernel wrote in its log")

    def describe(self, host: Host) -> Description:
        """Return one counter for each kind of line, where the log can be read."""
        if host.system != "Linux":
            reason = f"the kernel's log is read on Linux only, and this is {host.system}"
            return Description(absent=(Absence(what=_WHAT, reason=reason, quantity="count"),))
        try:
            self._opener(host).close()
        except Unreadable as error:
            reason = f"the kernel's log: {error.reason}"
            return Description(absent=(Absence(what=_WHAT, reason=reason, quantity="count"),))
        return Description(channels=tuple(_channel(kind, label) for kind, label in KINDS.items()))

    def open(self, host: Host, channels: Sequence[Channel]) -> KernelLogSession:
        """Return a session that counts exactly ``channels``, from now on."""
        return KernelLogSession(host, self._opener, [channel.id.rpartition("/")[2] for channel in channels])


def _channel(kind: str, label: str) -> Channel:
    return Channel(
        id=f"{_NAME}/lines/{kind}",
        source=_NAME,
        quantity="count",
        label=f"{label} (kernel log)",
        place="counted since sampling began",
        role="fault_count" if kind in _FAULTS else "none",
        resolution=1.0,
    )


class KernelLogSession:
    """An opened log.

    Args:
        host: The machine.
        opener: Opens its log.
        kinds: Kinds to count, in channel order.
    """

    def __init__(self, host: Host, opener: _Opener, kinds: Sequence[str]) -> None:
        self._kinds = tuple(kinds)
        self._counts: Counter[str] = Counter()
        self._log: KernelLogFeed | KernelLogCopy | None = None
        self._why = ""
        try:
            self._log = opener(host)
        except Unreadable as error:
            self._why = error.reason
        self.lines: list[LogLine] = []

    def read(self) -> tuple[Reading, ...]:
        """Return the counts so far."""
        if self._log is not None:
            try:
                self._take(self._log.read())
            except Unreadable as error:
                return tuple(missing(error.reason) for _ in self._kinds)
        if self._why:
            return tuple(missing(self._why) for _ in self._kinds)
        return tuple(Reading(value=float(self._counts[kind])) for kind in self._kinds)

    def _take(self, records: Sequence[bytes]) -> None:
        self.lines = [
            line for line in map(parse_record, records) if line is not None and line.kind is not None
        ]
        self._counts.update(line.kind for line in self.lines if line.kind is not None)

    def close(self) -> None:
        """Give the log back."""
        if self._log is not None:
            self._log.close()
            self._log, self._why = None, "closed"


PLUGIN: Final = KernelLogSource()
