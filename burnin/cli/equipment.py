"""Puts together what a run needs: the only place where rooms are joined by hand."""

from __future__ import annotations

from pathlib import Path
from typing import cast

from burnin.engine.conduct import Equipment
from burnin.engine.news import Bench
from burnin.engine.prepare import dram_limit_gb_s
from burnin.engine.process_bench import ProcessBench
from burnin.host.protocol import Host
from burnin.plan.rules import KnownPlugins
from burnin.plugin.contracts import Criterion
from burnin.plugin.discovery import ROOMS, Found, discover
from burnin.records.inventory import Inventory


def everything(switched_on: tuple[str, ...] = ()) -> tuple[Found, ...]:
    """Return all plugins of all rooms, broken ones included."""
    return tuple(found for room in ROOMS for found in discover(room, switched_on))


def usable_of(plugins: tuple[Found, ...], room: str) -> dict[str, object]:
    """Return name to plugin of one room's usable plugins."""
    return {found.name: found.plugin for found in plugins if found.room == room and found.usable}


def known_plugins(plugins: tuple[Found, ...]) -> KnownPlugins:
    """Return what a plan may name."""
    return KnownPlugins(
        loads={found.name: found.plugin.spec for found in plugins if found.room == "loads" and found.usable},
        criteria={
            found.name: found.plugin.spec for found in plugins if found.room == "criteria" and found.usable
        },
        broken={found.name: found.broken for found in plugins if found.broken},
    )


def criteria_of(plugins: tuple[Found, ...]) -> dict[str, Criterion]:
    """Return name to criterion."""
    return cast("dict[str, Criterion]", usable_of(plugins, "criteria"))


def real_equipment(host: Host, plugins: tuple[Found, ...], switched_on: tuple[str, ...]) -> Equipment:
    """Return the equipment for a run on this machine."""

    def make_bench(inventory: Inventory, folder: Path) -> Bench:
        facts = (inventory.cpu.last_level_cache_bytes or 0, dram_limit_gb_s(inventory))
        scratch = folder / "scratch"
        return ProcessBench(host, scratch=str(scratch), memory_facts=facts, plugins=switched_on)

    rooms = {room: usable_of(plugins, room) for room in ROOMS}
    return Equipment(
        host=host,
        probes=rooms["probes"],  # type: ignore[arg-type] # checked at the door by discovery
        sources=rooms["sources"],  # type: ignore[arg-type] # checked at the door by discovery
        loads=rooms["loads"],  # type: ignore[arg-type] # checked at the door by discovery
        plugins=plugins,
        make_bench=make_bench,
    )
