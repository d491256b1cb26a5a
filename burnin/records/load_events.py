"""Journal lines about stages and loads."""

from __future__ import annotations

from typing import Literal

from burnin.records.event_base import Event
from burnin.records.plan import Scalar


class StageOpening(Event, tag="stage_opening", frozen=True, kw_only=True):
    """The loads of a stage are being opened: known answers checked, memory written once; the stage's time has not begun."""

    index: int
    name: str


class StageStarted(Event, tag="stage_started", frozen=True, kw_only=True):
    """A stage begins: its loads are open and told to run."""

    index: int
    name: str


class StageEnded(Event, tag="stage_ended", frozen=True, kw_only=True):
    """A stage is over.

    Attributes:
        reason: ``time``, ``steady``, ``longest`` (condition never met), ``operator``, ``safety``, ``fault`` or ``trouble``.
    """

    index: int
    name: str
    reason: str


class LoadStarted(Event, tag="load_started", frozen=True, kw_only=True):
    """A load is ready to run in its own process.

    Attributes:
        load_id: ``stage.load.number``, unique in the run.
        load: Name of the load.
        stage: Stage index.
        core: Logical CPU it is pinned to, None for none.
        physical: Physical core, None where unknown.
        pid: Process id; 0 where it runs inside the harness.
        seed: Seed (hex).
        params: Parameters in force.
        unit: Unit of its amounts.
        notes: What the load says about itself (size of its region, locked or not ...).
    """

    load_id: str
    load: str
    stage: int
    core: int | None = None
    physical: int | None = None
    pid: int = 0
    seed: str = "0"
    params: dict[str, Scalar] = {}
    unit: str = ""
    notes: dict[str, Scalar] = {}


EndKind = Literal[
    "stopped",
    "killed",
    "out_of_memory",
    "signal",
    "hung",
    "exit_code",
    "exception",
    "lost_supervisor",
    "not_started",
]


class LoadEnded(Event, tag="load_ended", frozen=True, kw_only=True):
    """A load is over, as planned or not.

    Attributes:
        load_id: Which.
        how: ``stopped`` as planned; ``killed`` by the harness at a stop; ``out_of_memory`` killed by the kernel;
            ``signal`` from elsewhere; ``hung`` without heartbeat; ``exit_code`` other than 0; ``exception`` in the load's code;
            ``lost_supervisor``; ``not_started`` when it could not be opened.
        code: Signal number or exit code, None for neither.
        detail: More, in plain words.
        steps: Steps done in all.
        amount: Work done in all, in the load's unit.
        digest: Fold of all results (hex).
        planned: True when the harness asked for it.
    """

    load_id: str
    how: EndKind
    code: int | None = None
    detail: str = ""
    steps: int = 0
    amount: float = 0.0
    digest: str = "0"
    planned: bool = True


class LoadsOff(Event, tag="loads_off", frozen=True, kw_only=True):
    """How long the loads took to stop.

    Attributes:
        reason: Why they were stopped.
        requested_ns: Monotonic time of the request.
        off_ns: Monotonic time of the last load instruction.
        reaped_ns: Monotonic time at which no load process was left.
        loads: How many.
    """

    reason: str
    requested_ns: int
    off_ns: int
    reaped_ns: int
    loads: int


class PulsesMeasured(Event, tag="pulses_measured", frozen=True, kw_only=True):
    """How well the loads of a pulsed stage switched together.

    Attributes:
        stage: Stage index.
        pulses: Pulses that every load instance began and ended.
        loads: Load instances.
        late_p99_ms: 99 % of the edges were at most this far from the moment planned, on the worst instance.
        apart_p99_ms: 99 % of the edges were at most this far apart on any two instances.
        apart_most_ms: The farthest apart.
    """

    stage: int
    pulses: int
    loads: int
    late_p99_ms: float
    apart_p99_ms: float
    apart_most_ms: float


RetryKind = Literal[
    "own_check", "wrong_again", "outvoted", "contradicts_itself", "on_every_core", "undecided", "not_repeated"
]


class FaultRetried(Event, tag="fault_retried", frozen=True, kw_only=True):
    """After a stage, work with a wrong result was done again on the cores concerned, to name the one that is wrong.

    Attributes:
        load_id: Load instance of the wrong result.
        load: Name of the load.
        stage: Stage index.
        step: Step of the wrong result.
        seed: Seed of the wrong result (hex).
        cores: Logical CPUs that may be wrong.
        core: The one that is, None where it cannot be told.
        how: How it is known: ``own_check`` its own check alone; ``wrong_again`` its own check, again; ``outvoted``
            cores of other seats agree on another result; ``contradicts_itself`` two results for the same work;
            ``on_every_core`` the check fails on all of them; ``undecided``; ``not_repeated`` the run was stopped first.
        came_back: Whether a wrong result came again.
        results: Results that were compared.
    """

    load_id: str
    load: str
    stage: int
    step: int
    seed: str
    cores: tuple[int, ...]
    core: int | None = None
    how: RetryKind
    came_back: bool = False
    results: int = 0


class FaultFound(Event, tag="fault", frozen=True, kw_only=True):
    """A load found a wrong result.

    Attributes:
        load_id: Which load instance.
        load: Name of the load.
        stage: Stage index.
        core: Logical CPU, None for none.
        fault: Slug of the kind (``wrong_result``, ``memory_word``, ``rate_implausible``, ``disagreement`` ...).
        step: Step number.
        seed: Seed (hex).
        values: What was expected and found; addresses and 64-bit patterns as hex text.
    """

    load_id: str
    load: str
    stage: int
    core: int | None = None
    fault: str
    step: int = 0
    seed: str = "0"
    values: dict[str, Scalar] = {}
