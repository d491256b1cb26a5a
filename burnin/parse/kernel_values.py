"""One-value files of the kernel: CPU lists, cache sizes, hex ids, key=value lines.

Format: Linux sysfs and procfs text (Documentation/ABI, Documentation/admin-guide/cputopology.rst).
Seen on: Linux 6.x trees under ``tests/fixtures/machines`` and the trees of ``tests/fixtures/trees``.
"""

from __future__ import annotations

import re
from typing import Final

from burnin.errors import ParseError

MOST_CPUS: Final = 8192
"""NR_CPUS of the kernel's largest standard configuration."""

_SIZE: Final = re.compile(r"(\d{1,12})([KMG]?)", re.ASCII)
_RANGE: Final = re.compile(r"(\d{1,6})(?:-(\d{1,6}))?", re.ASCII)
_SPEED: Final = re.compile(r"(\d{1,4}(?:\.\d{1,3})?) ?GT/s\b.*", re.ASCII)
_SHIFT: Final = {"": 0, "K": 10, "M": 20, "G": 30}


def parse_cpu_list(text: str) -> tuple[int, ...]:
    """Return the CPUs of a list such as ``0-3,8``, ascending; empty text gives none.

    Raises:
        ParseError: a part is no number or range below 8192.
    """
    cpus: set[int] = set()
    for part in filter(None, text.strip().split(",")):
        match = _RANGE.fullmatch(part)
        first = int(match[1]) if match else MOST_CPUS
        last = int(match[2] or first) if match else MOST_CPUS
        if last >= MOST_CPUS or last < first:
            raise ParseError(
                "CPU list", field="range", found=repr(part[:40]), expected=f"numbers below {MOST_CPUS}"
            )
        cpus.update(range(first, last + 1))
    return tuple(sorted(cpus))


def parse_size(text: str) -> int:
    """Return a size such as ``32K`` in bytes.

    Raises:
        ParseError: the text is no whole number with an optional K, M or G.
    """
    match = _SIZE.fullmatch(text.strip())
    if match is None:
        raise ParseError(
            "cache size", field="size", found=repr(text[:40]), expected="a whole number and K, M or G"
        )
    return int(match[1]) << _SHIFT[match[2]]


def parse_link_speed(text: str) -> float | None:
    """Return a PCI link speed such as ``8.0 GT/s PCIe`` in GT/s; None where the kernel says ``Unknown``.

    Raises:
        ParseError: the text is neither.
    """
    stripped = text.strip()
    if stripped.startswith("Unknown"):
        return None
    match = _SPEED.fullmatch(stripped)
    if match is None:
        raise ParseError(
            "PCI link speed", field="speed", found=repr(text[:40]), expected="'N GT/s' or 'Unknown'"
        )
    return float(match[1])


def parse_hex_id(text: str, *, digits: int) -> str:
    """Return an id such as ``0x10de`` as lower-case hex digits without prefix, padded to ``digits``.

    Raises:
        ParseError: the text is no hex number of at most ``digits`` digits.
    """
    bare = text.strip().lower().removeprefix("0x")
    if not re.fullmatch(rf"[0-9a-f]{{1,{digits}}}", bare):
        raise ParseError("device id", field="id", found=repr(text[:40]), expected=f"{digits} hex digits")
    return bare.zfill(digits)


def parse_assignments(text: str) -> dict[str, str]:
    """Return ``KEY=value`` lines as a mapping, quotes around values removed; other lines are skipped.

    Serves ``/etc/os-release`` (freedesktop.org os-release) and ``uevent`` files.
    """
    values = {}
    for line in text.splitlines():
        key, equals, value = line.strip().partition("=")
        if equals and key and not key.startswith("#"):
            values[key] = (
                value[1:-1] if len(value) >= 2 and value[0] == value[-1] and value[0] in "\"'" else value
            )
    return values
