"""What the supervisor hears: from workers, samplers and the operator; and whom it hears it from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Protocol

from burnin.engine.messages import Checkpoint, Edge, Swept
from burnin.engine.schedule import Pace
from burnin.records.channels import Channel
from burnin.records.events import EndKind
from burnin.records.plan import Scalar


@dataclass(frozen=True, kw_only=True)
class Job:
    """One load instance to run.

    Attributes:
        load_id: Unique in the run.
        load: Name of the load.
        params: Parameters in force.
        core: Logical CPU, None for none.
        seed: Seed.
        instance: Number of the instance within its use, from 0.
        instances: Instances of that use.
        memory_bytes: Memory it may use.
        step_budget_s: Longest step wanted.
        longest_step_s: Longest step the load promises.
        longest_finish_s: Longest finishing check the load promises.
        compare_digests: Whether checkpoints are comparable between instances.
        place: Number of its core among the cores of the stage.
        places: Cores of the stage.
        first_step: Number of its first step; above 0 when a part of the work is repeated.
    """

    load_id: str
    load: str
    params: dict[str, Scalar]
    core: int | None
    seed: int
    instance: int = 0
    instances: int = 1
    memory_bytes: int = 256 << 20
    step_budget_s: float = 0.1
    longest_step_s: float = 0.2
    longest_finish_s: float = 1.0
    compare_digests: bool = False
    place: int = 0
    places: int = 1
    first_step: int = 0


@dataclass(frozen=True, kw_only=True)
class JobReady:
    """A load is open and waits to be told to go."""

    load_id: str
    pid: int
    unit: str
    notes: dict[str, Scalar]


@dataclass(frozen=True, kw_only=True)
class JobProgress:
    """Totals of a load."""

    load_id: str
    steps: int
    amount: float
    digest: int
    checkpoints: tuple[Checkpoint, ...] = ()
    edges: tuple[Edge, ...] = ()


@dataclass(frozen=True, kw_only=True)
class JobWrong:
    """A load found a wrong result."""

    load_id: str
    fault: str
    step: int
    values: dict[str, Scalar]


@dataclass(frozen=True, kw_only=True)
class JobSettled:
    """A load has nothing left to check."""

    load_id: str


@dataclass(frozen=True, kw_only=True)
class JobGone:
    """A load is over.

    Attributes:
        load_id: Which.
        how: As in the journal.
        code: Signal or exit code.
        detail: More, in plain words.
        last_ns: Monotonic time of its last instruction, as far as known.
    """

    load_id: str
    how: EndKind
    code: int | None = None
    detail: str = ""
    last_ns: int = 0


@dataclass(frozen=True, kw_only=True)
class SweepTaken:
    """A sweep of the run's sampler, or of the safety watch."""

    watch: bool
    swept: Swept


@dataclass(frozen=True, kw_only=True)
class SamplerGone:
    """A sampler ended without being asked."""

    watch: bool
    detail: str


@dataclass(frozen=True, kw_only=True)
class OperatorAsked:
    """The operator, or the closing terminal, wants the run to end."""

    signal: str


News = JobReady | JobProgress | JobWrong | JobSettled | JobGone | SweepTaken | SamplerGone | OperatorAsked


@dataclass(frozen=True, kw_only=True)
class Sampling:
    """What to sample, for the run or for the safety watch.

    Attributes:
        selection: Source name to the channels it reads.
        columns: The run's column of each channel, in the order of ``selection``.
        period_s: Time between sweeps.
    """

    selection: dict[str, tuple[Channel, ...]] = field(default_factory=dict)
    columns: tuple[int, ...] = ()
    period_s: float = 1.0


class Bench(Protocol):
    """Workers and samplers, real or rehearsed. Nothing here waits for storage."""

    def start_sampling(self, run: Sampling, watch: Sampling) -> None:
        """Start the run's sampler and the safety watch (the watch only when it has channels)."""
        ...

    def start(self, jobs: Sequence[Job]) -> None:
        """Start one worker per job; each answers with ``JobReady`` or ``JobGone``."""
        ...

    def go(self, paces: dict[str, Pace]) -> None:
        """Tell loads to work."""
        ...

    def finish(self, load_ids: Sequence[str]) -> None:
        """Tell loads to check what is unchecked."""
        ...

    def stop(self, load_ids: Sequence[str]) -> None:
        """Tell loads to stop; those that do not are killed within half a second."""
        ...

    def kill(self) -> int:
        """Kill every load now; return the monotonic time at which the last signal was sent."""
        ...

    def wait(self, until_ns: int) -> list[News]:
        """Return what is new; waits until something is, at most until ``until_ns``."""
        ...

    def end(self) -> None:
        """Stop samplers and whatever is left; nothing lives on after this."""
        ...
