"""The kernel's ``/proc/meminfo``, and the file system table of ``df -P``.

Format: ``Name:   number kB`` lines (Documentation/filesystems/proc.rst); ``df -P -k`` as POSIX.1-2017 sets it.
Seen on: Linux 6.x; GNU coreutils 9.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from burnin.errors import ParseError
from burnin.records.inventory import FileSystem

_LINE: Final = re.compile(r"([^:\s]+):\s+(\d{1,15})(?: kB)?", re.ASCII)
_FILE_SYSTEM: Final = re.compile(
    r"(\S.*?)\s+(\d{1,15})\s+(\d{1,15})\s+(-?\d{1,15})\s+(?:\d+%|-)\s+(/.*)", re.ASCII
)


@dataclass(frozen=True, kw_only=True)
class MemInfo:
    """Memory as the kernel counts it, in bytes; None where the line is absent.

    Attributes:
        total_bytes: Usable memory.
        swap_total_bytes: Swap in all.
        swap_free_bytes: Swap not in use.
    """

    total_bytes: int
    swap_total_bytes: int | None = None
    swap_free_bytes: int | None = None


def parse_meminfo(text: str) -> MemInfo:
    """Return what ``/proc/meminfo`` says.

    Raises:
        ParseError: the line ``MemTotal`` is missing or no number.
    """
    values = {}
    for line in text.splitlines():
        match = _LINE.fullmatch(line.strip())
        if match:
            values[match[1]] = int(match[2]) << 10
    if "MemTotal" not in values:
        raise ParseError("/proc/meminfo", field="MemTotal", found="no such line", expected="'MemTotal: N kB'")
    return MemInfo(
        total_bytes=values["MemTotal"],
        swap_total_bytes=values.get("SwapTotal"),
        swap_free_bytes=values.get("SwapFree"),
    )


def parse_file_systems(text: str) -> tuple[FileSystem, ...]:
    """Return the file systems on devices that ``df -P -k`` lists, in its order.

    Raises:
        ParseError: no line has the form POSIX sets.
    """
    found = []
    lines = 0
    for line in text.splitlines():
        match = _FILE_SYSTEM.fullmatch(line.strip())
        lines += match is not None
        if match and match[1].startswith("/dev/"):
            found.append(
                FileSystem(
                    mount=match[5],
                    device=match[1],
                    size_bytes=int(match[2]) << 10,
                    free_bytes=max(0, int(match[4])) << 10,
                )
            )
    if not lines:
        raise ParseError(
            "file system table",
            field="line",
            found="no line of six columns",
            expected="the output of df -P -k",
        )
    return tuple(found)
