"""Where a logical CPU sits: threads of one core fail together, and cores of different types are not compared."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from burnin.records.inventory import Inventory


@dataclass(frozen=True, kw_only=True)
class Seat:
    """The physical core behind a logical CPU.

    Attributes:
        package: Number of its package.
        core: Number within the package.
        kind: Core type, empty where there is one.
    """

    package: int | None = None
    core: int | None = None
    kind: str = ""


def seats_of(inventory: Inventory) -> dict[int, Seat]:
    """Return logical CPU to seat; CPUs whose physical core is not known are left out."""
    return {
        core.cpu: Seat(package=core.package, core=core.core, kind=core.kind)
        for core in inventory.cpu.cores
        if core.core is not None
    }


def seat_name(cpu: int, seats: Mapping[int, Seat]) -> str:
    """Return what tells two physical cores apart; a CPU that is not known has a core of its own."""
    seat = seats.get(cpu)
    return f"cpu {cpu}" if seat is None else f"{seat.package}/{seat.core}"
