"""The kernel's ``/proc/cpuinfo``.

Format: blocks of ``key<tab>: value`` lines parted by empty lines, one block for each logical CPU (x86), or with the
names in trailing or repeated lines (Arm).
Seen on: Linux 6.x, x86-64; Arm names per arch/arm64/kernel/cpuinfo.c.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from burnin.errors import ParseError

_BASE_IN_NAME: Final = re.compile(r"@\s*(\d+(?:\.\d+)?)\s*GHz", re.ASCII)


@dataclass(frozen=True, kw_only=True)
class CpuBlock:
    """One logical CPU.

    Attributes:
        cpu: Number.
        package: Package, None where not stated.
        core: Core within the package, None where not stated.
        mhz: Clock at the moment of reading, None where not stated.
        microcode: Revision, empty where not stated.
    """

    cpu: int
    package: int | None = None
    core: int | None = None
    mhz: float | None = None
    microcode: str = ""


@dataclass(frozen=True, kw_only=True)
class CpuInfo:
    """What the file says in all.

    Attributes:
        model: Model name, None where not stated.
        vendor: Maker, None where not stated.
        base_mhz: Base clock where the model name carries one.
        features: Flags, sorted.
        blocks: Logical CPUs in file order.
        hypervisor: Whether the processor says it is a guest.
    """

    model: str | None = None
    vendor: str | None = None
    base_mhz: float | None = None
    features: tuple[str, ...] = ()
    blocks: tuple[CpuBlock, ...] = ()
    hypervisor: bool = False


def parse_cpuinfo(text: str) -> CpuInfo:
    """Return what ``/proc/cpuinfo`` says.

    Raises:
        ParseError: there is no processor in it.
    """
    first: dict[str, str] = {}
    blocks = []
    for paragraph in re.split(r"\n[ \t]*\n", text):
        values = _pairs(paragraph)
        for key, value in values.items():
            first.setdefault(key, value)
        number = _whole(values.get("processor"))
        if number is not None:
            blocks.append(_block(number, values))
    if not blocks:
        raise ParseError(
            "/proc/cpuinfo", field="processor", found="no processor line", expected="at least one"
        )
    features = tuple(sorted(set((first.get("flags") or first.get("Features") or "").split())))
    model = first.get("model name") or first.get("Processor") or first.get("cpu model")
    match = _BASE_IN_NAME.search(model or "")
    return CpuInfo(
        model=" ".join(model.split()) if model else None,
        vendor=first.get("vendor_id") or first.get("CPU implementer"),
        base_mhz=round(float(match[1]) * 1000, 3) if match else None,
        features=features,
        blocks=tuple(blocks),
        hypervisor="hypervisor" in features,
    )


def _pairs(paragraph: str) -> dict[str, str]:
    pairs = {}
    for line in paragraph.splitlines():
        key, colon, value = line.partition(":")
        if colon and value.strip():
            pairs[key.strip()] = value.strip()
    return pairs


def _block(number: int, values: dict[str, str]) -> CpuBlock:
    return CpuBlock(
        cpu=number,
        package=_whole(values.get("physical id")),
        core=_whole(values.get("core id")),
        mhz=_number(values.get("cpu MHz")),
        microcode=values.get("microcode", ""),
    )


def _whole(text: str | None) -> int | None:
    return int(text) if text and re.fullmatch(r"\d{1,9}", text, re.ASCII) else None


def _number(text: str | None) -> float | None:
    return float(text) if text and re.fullmatch(r"\d{1,9}(\.\d+)?", text, re.ASCII) else None
