"""What the supervisor shows while it runs; the command line draws it, the engine never does."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from burnin.records.channels import Channel
from burnin.records.events import AnyEvent


@dataclass(frozen=True, kw_only=True)
class LoadLine:
    """One load as shown.

    Attributes:
        load_id: Which.
        load: Name of the load.
        core: Logical CPU, None for none.
        amount: Work done, in ``unit``.
        unit: Unit.
        faults: Wrong results so far.
        state: ``opening``, ``working``, ``checking`` or how it ended.
    """

    load_id: str
    load: str
    core: int | None
    amount: float
    unit: str
    faults: int
    state: str


@dataclass(frozen=True, kw_only=True)
class Snapshot:
    """How the run stands.

    Attributes:
        run_id: Which run.
        stage: Number of the stage from 1, 0 before the first.
        stages: How many stages.
        stage_name: Its name.
        stage_left_s: Time left in the stage; the longest it can be when it ends by condition.
        run_left_s: Time left in the run, at most.
        elapsed_s: Time since the start.
        channels: Channels in column order.
        values: Their last values, None where missing or implausible.
        trips: Channel id to the value at which loads stop.
        loads: Loads of the stage.
        faults: Wrong results in all.
        state: ``running``, ``checking``, ``stopping`` or ``over``.
    """

    run_id: str
    stage: int
    stages: int
    stage_name: str
    stage_left_s: float
    run_left_s: float
    elapsed_s: float
    channels: tuple[Channel, ...]
    values: tuple[float | None, ...]
    trips: dict[str, float]
    loads: tuple[LoadLine, ...]
    faults: int
    state: str


class Observer(Protocol):
    """Somebody who watches the run."""

    def event(self, event: AnyEvent, elapsed_s: float) -> None:
        """Something was journaled."""
        ...

    def snapshot(self, snapshot: Snapshot) -> None:
        """How the run stands, about once a sweep."""
        ...
