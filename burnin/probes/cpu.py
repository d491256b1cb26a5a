"""The processor: names, topology, caches, clocks promised, microcode."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from burnin.errors import ParseError, Unreadable
from burnin.host.attributes import read_int, read_text
from burnin.host.protocol import Host
from burnin.parse.cpuinfo import CpuInfo, parse_cpuinfo
from burnin.parse.kernel_values import parse_cpu_list, parse_size
from burnin.plugin.contracts import ProbeSpec
from burnin.records.inventory import Cache, CpuCore, CpuPart, with_reasons

_CPUS: Final = "/sys/devices/system/cpu"
_KINDS: Final = (("performance", "/sys/devices/cpu_core/cpus"), ("efficient", "/sys/devices/cpu_atom/cpus"))
_SIBLINGS: Final = ("core_cpus_list", "thread_siblings_list", "thread_siblings")
"""Names of one and the same set of threads, newest kernel first."""
_REASONS: Final = {
    "model": "/proc/cpuinfo names no model",
    "vendor": "/proc/cpuinfo names no maker",
    "microcode": "/proc/cpuinfo states no microcode revision",
    "physical": "the kernel states no cores",
    "base_mhz": "neither the kernel nor the model name states it",
    "max_mhz": "no frequency driver",
    "governor": "no frequency driver",
    "scaling_driver": "no frequency driver",
    "old_microcode": "this kernel keeps no list of current microcode for this processor",
}


class CpuProbe:
    """Fills the inventory's ``cpu`` part."""

    spec: Final = ProbeSpec(title="Processor, cores, caches, clocks", part="cpu")

    def probe(self, host: Host) -> CpuPart:
        """Return the processor as the kernel describes it."""
        try:
            info = parse_cpuinfo(host.read("/proc/cpuinfo").decode("utf-8", "replace"))
        except (Unreadable, ParseError) as error:
            return _from_library(host, getattr(error, "reason", error.message))
        return _from_kernel(host, info)


def _from_kernel(host: Host, info: CpuInfo) -> CpuPart:
    cores = _cores(host, info)
    base_khz = read_int(host, f"{_CPUS}/cpu{cores[0].cpu}/cpufreq/base_frequency")
    part = CpuPart(
        model=info.model,
        vendor=info.vendor,
        microcode=_joined(block.microcode for block in info.blocks),
        logical=len(cores),
        physical=_physical(host, cores),
        base_mhz=base_khz / 1000 if base_khz else info.base_mhz,
        max_mhz=max((core.max_mhz for core in cores if core.max_mhz), default=None),
        governor=_joined(
            read_text(host, f"{_CPUS}/cpu{core.cpu}/cpufreq/scaling_governor") for core in cores
        ),
        scaling_driver=read_text(host, f"{_CPUS}/cpu{cores[0].cpu}/cpufreq/scaling_driver"),
        old_microcode=_old_microcode(host),
        cores=cores,
        caches=_caches(host, cores[0].cpu),
        features=info.features,
    )
    return with_reasons(part, _REASONS)


def _cores(host: Host, info: CpuInfo) -> tuple[CpuCore, ...]:
    kinds = {}
    for kind, path in _KINDS:
        try:
            kinds.update(dict.fromkeys(parse_cpu_list(read_text(host, path) or ""), kind))
        except ParseError:
            continue
    cores = []
    for block in info.blocks:
        folder = f"{_CPUS}/cpu{block.cpu}"
        core = read_int(host, f"{folder}/topology/core_id")
        package = read_int(host, f"{folder}/topology/physical_package_id")
        max_khz = read_int(host, f"{folder}/cpufreq/cpuinfo_max_freq")
        cores.append(
            CpuCore(
                cpu=block.cpu,
                core=block.core if core is None else core,
                package=block.package if package is None else package,
                kind=kinds.get(block.cpu, ""),
                max_mhz=max_khz / 1000 if max_khz else None,
            )
        )
    return tuple(cores)


def _physical(host: Host, cores: tuple[CpuCore, ...]) -> int | None:
    """Return the number of cores: sets of threads that share one.

    Core numbers will not do: processors of two dies count them from 0 on each (seen on a 64-CPU server).
    """
    siblings = set()
    for core in cores:
        folder = f"{_CPUS}/cpu{core.cpu}/topology"
        texts = (read_text(host, f"{folder}/{name}") for name in _SIBLINGS)
        siblings.add(next((text for text in texts if text), None))
    if None not in siblings:
        return len(siblings)
    return len({(core.package, core.core) for core in cores if core.core is not None}) or None


def _caches(host: Host, cpu: int) -> tuple[Cache, ...]:
    folder = f"{_CPUS}/cpu{cpu}/cache"
    caches = []
    for name in host.names(folder):
        level = read_int(host, f"{folder}/{name}/level")
        kind = read_text(host, f"{folder}/{name}/type")
        try:
            size = parse_size(read_text(host, f"{folder}/{name}/size") or "")
            shared = parse_cpu_list(read_text(host, f"{folder}/{name}/shared_cpu_list") or "")
        except ParseError:
            continue
        if level and kind:
            caches.append(Cache(level=level, kind=kind, size_bytes=size, shared_by=max(1, len(shared))))
    return tuple(caches)


def _old_microcode(host: Host) -> bool | None:
    state = read_text(host, f"{_CPUS}/vulnerabilities/old_microcode")
    return None if state is None or state.startswith("Unknown") else state.startswith("Vulnerable")


def _joined(values: Iterable[str | None]) -> str | None:
    return ", ".join(sorted({value for value in values if value})) or None


def _from_library(host: Host, reason: str) -> CpuPart:
    if host.live is None:
        return CpuPart(unknown={"*": f"/proc/cpuinfo: {reason}"})
    known = host.live.cpu_description()
    logical, physical = host.live.cpu_counts()
    if not known and not logical:
        return CpuPart(unknown={"*": "neither /proc/cpuinfo nor the processor library answers here"})
    part = CpuPart(
        model=known.get("brand_raw"), vendor=known.get("vendor_id_raw"), logical=logical, physical=physical
    )
    return with_reasons(
        part, dict.fromkeys((*_REASONS, "logical"), "the processor library does not state it here")
    )


PLUGIN: Final = CpuProbe()
