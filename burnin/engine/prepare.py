"""Before minute 0: the machine as found, its channels, the safety watch, and who gets how much memory."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import msgspec

from burnin.engine.news import Job, Sampling
from burnin.engine.safety import PERIOD_S, QUIET_S, trip_limits, watched
from burnin.errors import Unreadable
from burnin.host.protocol import Host
from burnin.plugin.contracts import LoadSpec, Probe, Source
from burnin.records.channels import Absence, Channel
from burnin.records.events import ChannelsDescribed, SafetyArmed, TripLimit
from burnin.records.inventory import Inventory
from burnin.records.plan import LoadUse, Plan, Stage

MEMORY_SHARE: Final = 0.92
"""Largest share of the memory available that loads may use in all."""

KEEP_FREE_BYTES: Final = 384 << 20
"""Memory left alone whatever the share, for the harness itself and the system."""

WORKER_BYTES: Final = 40 << 20
"""Memory of a load's process beside what the load asks for: interpreter and numeric library (20 MiB measured, and as much again)."""

CPU_LOAD_BYTES: Final = 384 << 20
"""Memory a load that is not there for memory may use, less on small machines."""

DRAM_LIMIT_GB_S: Final = 200.0
"""Read rate no desktop memory of two channels reaches (common practice: DDR5-8000 on two channels gives 128 GB/s)."""


@dataclass(frozen=True, kw_only=True)
class Survey:
    """Channels of the run and who reads them.

    Attributes:
        described: The journal's line about channels.
        armed: The journal's line about the safety watch.
        run: What the run's sampler reads.
        watch: What the safety watch reads.
        watched: Channels of the watch, in its order.
    """

    described: ChannelsDescribed
    armed: SafetyArmed
    run: Sampling
    watch: Sampling
    watched: tuple[Channel, ...]

    @property
    def trips(self) -> dict[str, TripLimit]:
        """Channel id to trip limit."""
        return {limit.channel: limit for limit in self.armed.limits}


def take_inventory(host: Host, probes: Mapping[str, Probe]) -> Inventory:
    """Return the machine as found; a probe that fails leaves its part unknown, with the reason."""
    parts: dict[str, Any] = {}
    for name, probe in probes.items():
        try:
            parts[probe.spec.part] = probe.probe(host)
        except Exception as error:  # noqa: BLE001 - one broken probe must not hide the rest of the machine
            kind = type(getattr(Inventory(), probe.spec.part))
            reason = f"the probe '{name}' failed: {type(error).__name__}: {error}"
            parts[probe.spec.part] = kind(unknown={"*": reason})
    return Inventory(read_from=host.kind, with_rights=host.with_rights, **parts)


def survey(host: Host, sources: Mapping[str, Source], plan: Plan) -> Survey:
    """Return the channels of this machine, with the plan's roles, and what the safety watch reads."""
    selection: dict[str, tuple[Channel, ...]] = {}
    absent: list[Absence] = []
    for name, source in sources.items():
        try:
            description = source.describe(host)
        except Exception as error:  # noqa: BLE001 - as above
            absent.append(
                Absence(what=source.spec.title, reason=f"the source failed: {type(error).__name__}: {error}")
            )
            continue
        selection[name] = tuple(_with_role(channel, plan.roles) for channel in description.channels)
        absent += description.absent
    channels = tuple(channel for group in selection.values() for channel in group)
    columns = watched(channels)
    watch = _watch_selection(selection, set(columns))
    watch_channels = tuple(channels[column] for column in columns)
    limits = trip_limits(watch_channels, plan.limits)
    return Survey(
        described=ChannelsDescribed(
            channels=channels, absent=tuple(absent), safety=tuple(channel.id for channel in watch_channels)
        ),
        armed=SafetyArmed(
            period_s=PERIOD_S, quiet_s=QUIET_S, limits=limits, note=_watch_note(watch_channels)
        ),
        run=Sampling(selection=selection, columns=tuple(range(len(channels))), period_s=1 / plan.sample_hz),
        watch=Sampling(selection=watch, columns=columns, period_s=PERIOD_S),
        watched=watch_channels,
    )


def _watch_note(channels: Sequence[Channel]) -> str:
    if channels:
        return ""
    return "This machine shows no temperature sensor: nothing can stop the loads when it gets too hot."


def _with_role(channel: Channel, roles: Mapping[str, str]) -> Channel:
    for part, role in roles.items():
        if part in channel.id:
            return msgspec.structs.replace(channel, role=role)
    return channel


def _watch_selection(
    selection: Mapping[str, Sequence[Channel]], columns: set[int]
) -> dict[str, tuple[Channel, ...]]:
    chosen: dict[str, tuple[Channel, ...]] = {}
    column = 0
    for name, channels in selection.items():
        picked = tuple(channel for offset, channel in enumerate(channels) if column + offset in columns)
        column += len(channels)
        if picked:
            chosen[name] = picked
    return chosen


def memory_available_bytes(host: Host) -> int:
    """Return the memory loads may count on: the smaller of the kernel's estimate and the control group's rest."""
    available = _meminfo_available(host)
    rest = _control_group_rest(host)
    return available if rest is None else min(available, rest)


def _meminfo_available(host: Host) -> int:
    try:
        text = host.read("/proc/meminfo").decode("ascii", "replace")
    except Unreadable:
        live = host.live
        return int(live.memory_gib()[1] * (1 << 30)) if live else 1 << 30
    for line in text.splitlines():
        words = line.split()
        if words[:1] == ["MemAvailable:"]:
            return int(words[1]) * 1024
    return 1 << 30


def _control_group_rest(host: Host) -> int | None:
    try:
        own = host.read("/proc/self/cgroup").decode("ascii", "replace")
    except Unreadable:
        return None
    path = next((line[3:].rstrip("/") for line in own.splitlines() if line.startswith("0::")), "")
    rests = []
    while True:
        rest = _group_rest(host, f"/sys/fs/cgroup{path}")
        if rest is not None:
            rests.append(rest)
        if not path:
            return min(rests, default=None)
        path = path.rpartition("/")[0]


def _group_rest(host: Host, folder: str) -> int | None:
    try:
        limit = host.read(f"{folder}/memory.max").decode("ascii", "replace").strip()
        used = host.read(f"{folder}/memory.current").decode("ascii", "replace").strip()
    except Unreadable:
        return None
    return max(0, int(limit) - int(used)) if limit.isdigit() and used.isdigit() else None


def dram_limit_gb_s(inventory: Inventory) -> float:
    """Return the read rate above which memory cannot have been read, GB/s for the whole machine."""
    speeds = [module.configured_mts for module in inventory.memory.modules if module.configured_mts]
    if not speeds:
        return DRAM_LIMIT_GB_S
    return 1.25 * sum(speeds) * 8 / 1000


@dataclass(frozen=True, kw_only=True)
class Places:
    """What a machine offers to loads.

    Attributes:
        cpus: Logical CPUs that may be used.
        available_bytes: Memory available.
    """

    cpus: tuple[int, ...]
    available_bytes: int


def seed_for(run_seed: int, text: str) -> int:
    """Return the 63-bit seed of one load of one stage, the same for all its instances."""
    digest = hashlib.sha256(f"{run_seed:x}/{text}".encode()).digest()
    return int.from_bytes(digest[:8], "big") >> 1


def jobs_of(
    stage: Stage, index: int, specs: Mapping[str, LoadSpec], places: Places, *, run_seed: int
) -> tuple[Job, ...]:
    """Return the load instances of a stage, in plan order, core by core."""
    cores = [_cores(use, specs[use.load], places) for use in stage.loads]
    used = sorted({core for group in cores for core in group if core is not None})
    shares = _memory_shares(stage, specs, [len(group) for group in cores], places)
    budget_s = 0.002 if stage.shape.kind == "pulsed" else 0.1
    jobs = []
    for number, (use, group, share) in enumerate(zip(stage.loads, cores, shares, strict=True)):
        spec = specs[use.load]
        for instance, core in enumerate(group):
            suffix = "any" if core is None else str(core)
            repeat = "" if [each.load for each in stage.loads].count(use.load) == 1 else f"-{number + 1}"
            jobs.append(
                Job(
                    load_id=f"{index + 1}.{use.load}{repeat}.{suffix}",
                    load=use.load,
                    params=dict(use.params),
                    core=core,
                    seed=seed_for(run_seed, f"{index}/{number}/{use.load}"),
                    instance=instance,
                    instances=len(group),
                    memory_bytes=share,
                    step_budget_s=budget_s,
                    longest_step_s=spec.longest_step_s,
                    longest_finish_s=spec.longest_finish_s,
                    compare_digests=spec.compare_digests,
                    place=used.index(core) if core in used else 0,
                    places=len(used) or 1,
                )
            )
    return tuple(jobs)


def _cores(use: LoadUse, spec: LoadSpec, places: Places) -> tuple[int | None, ...]:
    if isinstance(use.cores, tuple):
        return tuple(core for core in use.cores if core in places.cpus)
    if use.cores == "one" or not spec.per_core or not places.cpus:
        return (places.cpus[-1] if spec.per_core and places.cpus else None,)
    return places.cpus


def _memory_shares(
    stage: Stage, specs: Mapping[str, LoadSpec], counts: Sequence[int], places: Places
) -> list[int]:
    free = max(places.available_bytes * (1 - MEMORY_SHARE), KEEP_FREE_BYTES + sum(counts) * WORKER_BYTES)
    usable = max(0, places.available_bytes - math.ceil(free))
    others = sum(
        count for use, count in zip(stage.loads, counts, strict=True) if specs[use.load].resource != "memory"
    )
    hungry = sum(counts) - others
    each_other = min(CPU_LOAD_BYTES, usable // (2 * others)) if others else 0
    each_hungry = (usable - others * each_other) // hungry if hungry else 0
    return [each_hungry if specs[use.load].resource == "memory" else each_other for use in stage.loads]
