"""What the rest of the program may ask of a machine; the machine can be this one, a recorded tree or a rehearsal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

HostKind = Literal["this machine", "recorded tree", "rehearsal"]


class Clock(Protocol):
    """All the clocks there are."""

    def mono_ns(self) -> int:
        """Return the monotonic clock, nanoseconds; the same in every process of this machine."""
        ...

    def boot_ns(self) -> int:
        """Return the clock that also runs in suspend, nanoseconds; the monotonic one where there is none."""
        ...

    def wall_ns(self) -> int:
        """Return the time since 1970-01-01 UTC, nanoseconds."""
        ...

    def utc_offset_s(self) -> int:
        """Return local time minus UTC, seconds."""
        ...

    def sleep_until(self, mono_ns: int) -> None:
        """Wait until the monotonic clock shows ``mono_ns``; returns at once when that is past."""
        ...


class KeptFile(Protocol):
    """A file kept open and read again and again from its start."""

    def read(self) -> bytes:
        """Return the whole content as it is now.

        Raises:
            Unreadable: with the reason in plain words.
        """
        ...

    def close(self) -> None:
        """Give the descriptor back."""
        ...


@dataclass(frozen=True, kw_only=True)
class CommandResult:
    """What a command answered.

    Attributes:
        code: Exit code; negative for a signal.
        out: Standard output.
        err: Standard error.
    """

    code: int
    out: bytes
    err: bytes


@dataclass(frozen=True, kw_only=True)
class LibraryReading:
    """One value of the sensor library, in the channel's unit.

    Attributes:
        chip: Chip or group name.
        label: Label of the sensor, may be empty.
        value: Value.
    """

    chip: str
    label: str
    value: float


class LiveCalls(Protocol):
    """Values that a sensor library reads of the running machine; absent (None) on a recorded tree."""

    def temperatures_c(self) -> tuple[LibraryReading, ...]:
        """Return temperatures, degC."""
        ...

    def fans_rpm(self) -> tuple[LibraryReading, ...]:
        """Return fan speeds, rpm."""
        ...

    def cpu_clocks_mhz(self) -> tuple[float, ...]:
        """Return the clock of each logical CPU, or a single one for all; empty where unknown."""
        ...

    def cpu_loads_pct(self) -> tuple[float, ...]:
        """Return the share of time each logical CPU was busy since the last call, percent."""
        ...

    def memory_gib(self) -> tuple[float, float, float]:
        """Return memory in all, available, and swap used, GiB."""
        ...

    def battery_pct(self) -> float | None:
        """Return the battery's charge, None for none."""
        ...

    def cpu_description(self) -> dict[str, str]:
        """Return what the processor library knows (slow: about a second), keys and values as text."""
        ...

    def cpu_counts(self) -> tuple[int | None, int | None]:
        """Return logical and physical core counts."""
        ...

    def usable_cpus(self) -> tuple[int, ...]:
        """Return the logical CPUs this process may run on."""
        ...


class Host(Protocol):
    """A machine."""

    @property
    def kind(self) -> HostKind:
        """What stands behind this: shown on every page when it is not this machine."""
        ...

    @property
    def system(self) -> str:
        """Name of the operating system family, ``Linux`` for recorded trees."""
        ...

    @property
    def with_rights(self) -> bool:
        """Whether this program runs with administrator's rights here."""
        ...

    @property
    def clock(self) -> Clock:
        """Clocks."""
        ...

    @property
    def live(self) -> LiveCalls | None:
        """Library calls about the running machine; None on a recorded tree, so that nothing leaks in."""
        ...

    def read(self, path: str) -> bytes:
        """Return a file's content; ``path`` is absolute on the machine (``/proc/cpuinfo``).

        Raises:
            Unreadable: with the reason in plain words.
        """
        ...

    def names(self, path: str) -> tuple[str, ...]:
        """Return the names in a folder, sorted; empty when there is no such folder or it cannot be read."""
        ...

    def resolve(self, path: str) -> str | None:
        """Return the absolute path on the machine with all links followed; None when nothing is there."""
        ...

    def keep_open(self, path: str) -> KeptFile:
        """Return the file kept open for repeated reads.

        Raises:
            Unreadable: with the reason in plain words.
        """
        ...

    def run(self, command: Sequence[str], *, timeout_s: float) -> CommandResult:
        """Run a command of the machine and return what it answered.

        Raises:
            Unreadable: the command is absent, timed out, or this is a recorded tree.
        """
        ...
