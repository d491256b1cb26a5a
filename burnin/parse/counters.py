"""Counters and single numbers as the kernel prints them.

*Format*: one decimal integer and a newline (sysfs), or lines ``NAME N`` (PCIe error counters), or ``key : value`` lines
of ``/proc/cpuinfo``. *Seen on*: Linux 5.10 to 6.18.
"""

from __future__ import annotations

import re
from typing import Final

from burnin.errors import ParseError

_INTEGER: Final = re.compile(rb"[+-]?[0-9]{1,20}")
_NAMED: Final = re.compile(r"(?P<name>\S(?:.*\S)?)[ \t]+(?P<count>[0-9]{1,20})")


def shown(data: bytes) -> str:
    """Return the start of some bytes as text fit for a message."""
    text = data[:40].decode("ascii", "replace").strip()
    return repr(text) if text else "nothing"


def parse_integer(data: bytes, what: str = "number") -> int:
    """Return the one integer in a kernel file.

    Args:
        data: Content of the file.
        what: What the number is, for messages.

    Raises:
        ParseError: something else stands there.
    """
    text = data.strip()
    if _INTEGER.fullmatch(text) is None:
        raise ParseError(what, field="value", found=shown(data), expected="one decimal number")
    return int(text)


def parse_named_counts(data: bytes) -> dict[str, int]:
    """Return counts by name from ``NAME N`` lines, split at the last space: names may hold spaces and differ by kernel.

    Raises:
        ParseError: a line has no count at its end.
    """
    counts: dict[str, int] = {}
    for number, line in enumerate(data.decode("ascii", "replace").splitlines(), start=1):
        if not line.strip():
            continue
        match = _NAMED.fullmatch(line.strip())
        if match is None:
            raise ParseError(
                "error counters",
                field="line",
                offset=number,
                found=repr(line[:40]),
                expected="a name, then a count",
            )
        counts[match["name"]] = int(match["count"])
    return counts


def total_of(counts: dict[str, int]) -> int:
    """Return the device's own total, or the sum where that is larger.

    The total may differ from the sum of the lines (Linux ABI, sysfs-bus-pci-devices-aer_stats), so the larger one
    is taken: an error counted in either place is an error.
    """
    totals = [count for name, count in counts.items() if name.startswith("TOTAL_")]
    single = [count for name, count in counts.items() if not name.startswith("TOTAL_")]
    return max(sum(totals), sum(single))


def parse_cpu_clocks_mhz(data: bytes) -> dict[int, float]:
    """Return the clock in MHz of each logical CPU that ``/proc/cpuinfo`` gives one for ("cpu MHz", x86 and others)."""
    clocks: dict[int, float] = {}
    cpu: int | None = None
    for line in data.decode("ascii", "replace").splitlines():
        key, _, value = line.partition(":")
        key, value = key.strip(), value.strip()
        if key == "processor" and value.isdecimal():
            cpu = int(value)
        elif key == "cpu MHz" and cpu is not None and re.fullmatch(r"[0-9]{1,6}(\.[0-9]{1,9})?", value):
            clocks[cpu] = float(value)
    return clocks


def is_virtual(data: bytes) -> bool:
    """Return whether ``/proc/cpuinfo`` shows the flag that a hypervisor sets (CPUID leaf 1, ECX bit 31)."""
    return re.search(rb"^flags\s*:.*\bhypervisor\b", data, re.MULTILINE) is not None
