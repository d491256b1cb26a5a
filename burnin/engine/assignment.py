"""What a run is made of, once everything about the machine is known."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from burnin.engine.asides import Aside
from burnin.engine.prepare import Places, Survey
from burnin.host.protocol import Host
from burnin.plugin.contracts import LoadSpec
from burnin.records.inventory import Inventory
from burnin.records.plan import Plan


@dataclass(frozen=True, kw_only=True)
class Assignment:
    """What the supervisor runs, on what.

    Attributes:
        run_id: Unique id of the run.
        plan: The plan.
        seed: Seed of all loads.
        host: The machine.
        inventory: The machine as found.
        survey: Its channels.
        specs: Load name to what it says about itself.
        places: CPUs and memory for loads, asked anew before each stage.
        asides: What else has lines for the journal now and then.
    """

    run_id: str
    plan: Plan
    seed: int
    host: Host
    inventory: Inventory
    survey: Survey
    specs: Mapping[str, LoadSpec]
    places: Callable[[], Places]
    asides: tuple[Aside, ...] = ()
