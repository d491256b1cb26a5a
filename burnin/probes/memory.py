"""Memory: what the kernel can use, and the sockets as the firmware's table describes them."""

from __future__ import annotations

from typing import Final

from burnin.errors import ParseError, Unreadable
from burnin.host.protocol import Host
from burnin.parse.meminfo import MemInfo, parse_meminfo
from burnin.parse.smbios_machine import MemoryFacts, parse_machine_table
from burnin.plugin.contracts import ProbeSpec
from burnin.records.inventory import MemoryPart

_TABLE: Final = "/sys/firmware/dmi/tables/DMI"
_GIB: Final = 1 << 30


class MemoryProbe:
    """Fills the inventory's ``memory`` part."""

    spec: Final = ProbeSpec(
        title="Memory, socket by socket",
        part="memory",
        with_rights="size, speed, voltage and maker of every memory module, and empty sockets",
    )

    def probe(self, host: Host) -> MemoryPart:
        """Return memory as kernel and firmware describe it."""
        unknown: dict[str, str] = {}
        info = _kernel(host, unknown)
        facts = _firmware(host, unknown)
        installed = [module.size_bytes for module in facts.modules]
        complete = bool(installed) and None not in installed
        if not complete:
            unknown.setdefault("installed_bytes", "the firmware does not state the size of every module")
        if facts.most_bytes is None:
            unknown.setdefault("most_bytes", "the firmware does not state it")
        if facts.correction is None:
            unknown.setdefault("ecc", "the firmware does not state it")
        counters, counter_reason = _counters(host)
        if counters is None:
            unknown["error_counters"] = counter_reason
        return MemoryPart(
            usable_bytes=info.total_bytes if info else None,
            installed_bytes=sum(size for size in installed if size) if complete else None,
            swap_bytes=info.swap_total_bytes if info else None,
            swap_used_bytes=_swap_used(info, unknown),
            modules=facts.modules,
            ecc=facts.correction,
            error_counters=counters,
            most_bytes=facts.most_bytes,
            unknown=unknown,
        )


def _kernel(host: Host, unknown: dict[str, str]) -> MemInfo | None:
    try:
        return parse_meminfo(host.read("/proc/meminfo").decode("utf-8", "replace"))
    except (Unreadable, ParseError) as error:
        reason = getattr(error, "reason", error.message)
    if host.live is not None:
        total, _, swap_used = host.live.memory_gib()
        unknown["swap_bytes"] = "the sensor library states only the swap in use"
        return MemInfo(
            total_bytes=round(total * _GIB), swap_total_bytes=None, swap_free_bytes=-round(swap_used * _GIB)
        )
    for name in ("usable_bytes", "swap_bytes"):
        unknown[name] = f"/proc/meminfo: {reason}"
    return None


def _swap_used(info: MemInfo | None, unknown: dict[str, str]) -> int | None:
    if info is None or info.swap_free_bytes is None:
        unknown["swap_used_bytes"] = "the kernel does not state it"
        return None
    return (info.swap_total_bytes or 0) - info.swap_free_bytes


def _firmware(host: Host, unknown: dict[str, str]) -> MemoryFacts:
    try:
        facts = parse_machine_table(host.read(_TABLE)).memory
    except (Unreadable, ParseError) as error:
        reason = f"the firmware's table (SMBIOS): {getattr(error, 'reason', error.message)}"
        unknown.update(dict.fromkeys(("modules", "installed_bytes", "ecc", "most_bytes"), reason))
        return MemoryFacts()
    if not facts.modules:
        unknown["modules"] = "the firmware's table (SMBIOS) lists no memory sockets"
    return facts


def _counters(host: Host) -> tuple[bool | None, str]:
    folder = "/sys/devices/system/edac/mc"
    if host.resolve(folder) is None:
        return None, "the kernel shows no memory controller to its error counters (EDAC)"
    return any(name.startswith("mc") for name in host.names(folder)), ""


PLUGIN: Final = MemoryProbe()
