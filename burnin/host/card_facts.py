"""What the driver says about an opened card: memory in all, and the link as it is now."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from burnin.host.wgpu_door import Adapter

_DEVICES: Final = Path("/sys/bus/pci/devices")
_GT_PER_LANE: Final = {1: 2.5, 2: 5.0, 3: 8.0, 4: 16.0, 5: 32.0, 6: 64.0}
"""Transfers per second and lane, 10^9, by generation (PCI Express Base Specification)."""


@dataclass(frozen=True, kw_only=True)
class CardFacts:
    """Facts of one card.

    Attributes:
        memory_bytes: Graphics memory in all, 0 where unknown.
        free_bytes: What of it is free, 0 where unknown.
        power_limit_w: Enforced power limit, 0 where unknown.
        why: Why something is unknown, in plain words.
        link: Reads generation and lanes of the link as they are now; (0, 0) where unknown.
    """

    memory_bytes: int = 0
    free_bytes: int = 0
    power_limit_w: float = 0.0
    why: str = ""
    link: Callable[[], tuple[int, int]] = lambda: (0, 0)


def link_limit_gb_s(generation: int, lanes: int) -> float:
    """Return what a link can carry one way, GB/s, before the overhead of packets; 0 where it is unknown.

    Generations 1 and 2 send 8 of 10 bits, 3 to 5 send 128 of 130 (PCI Express Base Specification).
    """
    rate = _GT_PER_LANE.get(generation, 0.0)
    coding = 0.8 if generation <= 2 else 128 / 130
    return rate * lanes * coding / 8


def card_facts(adapter: Adapter, library: Any = None) -> CardFacts:
    """Return what is known about an adapter; by NVML where it is one of its cards, else from the kernel's files."""
    if adapter.software:
        return CardFacts(why="a software renderer has no memory or link of its own")
    by_library = _by_library(adapter, library)
    return by_library if by_library is not None else _by_kernel(adapter, _DEVICES)


def _library() -> Any:  # typed as Any: the library carries no types
    import pynvml

    return pynvml


def _by_library(adapter: Adapter, library: Any) -> CardFacts | None:
    try:
        library = library or _library()
        library.nvmlInit()
    except Exception:  # noqa: BLE001 - no library, no driver, no card: the kernel's files are asked instead
        return None
    matching = []
    for index in range(int(library.nvmlDeviceGetCount())):
        handle = library.nvmlDeviceGetHandleByIndex(index)
        numbers = int(library.nvmlDeviceGetPciInfo(handle).pciDeviceId)
        if (numbers & 0xFFFF, numbers >> 16) == (adapter.vendor_id, adapter.device_id):
            matching.append(handle)
    if not matching:
        return None
    handle = matching[0]
    alike = "" if len(matching) == 1 else f"{len(matching)} equal cards: the first one's figures"
    memory = library.nvmlDeviceGetMemoryInfo(handle)
    return CardFacts(
        memory_bytes=int(memory.total),
        free_bytes=int(memory.free),
        power_limit_w=float(library.nvmlDeviceGetEnforcedPowerLimit(handle)) / 1000,
        why=alike,
        link=lambda: _nvml_link(library, handle),
    )


def _nvml_link(library: Any, handle: Any) -> tuple[int, int]:
    try:
        return (
            int(library.nvmlDeviceGetCurrPcieLinkGeneration(handle)),
            int(library.nvmlDeviceGetCurrPcieLinkWidth(handle)),
        )
    except library.NVMLError:
        return 0, 0


def _by_kernel(adapter: Adapter, devices: Path) -> CardFacts:
    numbers = (f"0x{adapter.vendor_id:04x}", f"0x{adapter.device_id:04x}")
    folders = sorted(devices.iterdir()) if devices.is_dir() else []
    found = [each for each in folders if (_text(each, "vendor"), _text(each, "device")) == numbers]
    if not found:
        return CardFacts(why="neither a management library nor the kernel's files know this card")
    memory, used = _text(found[0], "mem_info_vram_total"), _text(found[0], "mem_info_vram_used")
    return CardFacts(
        memory_bytes=int(memory) if memory.isdigit() else 0,
        free_bytes=int(memory) - int(used) if memory.isdigit() and used.isdigit() else 0,
        why="" if memory.isdigit() else "the driver does not state it in the kernel's files",
        link=lambda: _kernel_link(found[0]),
    )


def _kernel_link(folder: Path) -> tuple[int, int]:
    speed, lanes = _text(folder, "current_link_speed").split(" ")[0], _text(folder, "current_link_width")
    by_speed = {f"{rate:.1f}": generation for generation, rate in _GT_PER_LANE.items()}
    return by_speed.get(speed, 0), int(lanes) if lanes.isdigit() else 0


def _text(folder: Path, name: str) -> str:
    try:
        return (folder / name).read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError):
        return ""
