"""What a plugin must offer. Every module of a plugin room exports one ``PLUGIN`` that fits one of these."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, Protocol, runtime_checkable

from burnin.host.protocol import Host
from burnin.records.channels import Absence, Channel, Reading
from burnin.records.findings import Finding
from burnin.records.plan import Scalar
from burnin.records.view import RunView

ResourceClass = Literal["cpu", "memory", "storage", "graphics"]


@dataclass(frozen=True, kw_only=True)
class Param:
    """One parameter of a load or a criterion.

    Attributes:
        name: Key in the plan.
        default: Value when the plan does not set it; its type is the parameter's type (an int is a valid float).
        about: What it does, with its unit.
        low: Smallest value allowed, None for no bound.
        high: Largest value allowed, None for no bound.
        choices: Values allowed, empty for any.
    """

    name: str
    default: Scalar
    about: str
    low: float | None = None
    high: float | None = None
    choices: tuple[Scalar, ...] = ()


@dataclass(frozen=True, kw_only=True)
class LoadSpec:
    """What a load says about itself, without opening it.

    Attributes:
        title: One line for people.
        proves: What a run without a fault shows.
        does_not_prove: What it does not show.
        resource: Which part of the machine it loads.
        unit: Unit of the amount of work (``products``, ``GB``).
        params: Parameters the plan may set.
        per_core: True when it makes sense on every core; False for one instance.
        longest_step_s: No step takes longer than this on a slow machine (at most 0.2).
        finest_step_s: Shortest step it can be asked for; loads above 0.002 cannot be pulsed precisely.
        longest_finish_s: How long its finishing check may take.
        compare_digests: True when equal seed, parameters and step give equal digests on every core.
        needs: What must be present, in words shown to people; empty for nothing.
    """

    title: str
    proves: str
    does_not_prove: str
    resource: ResourceClass
    unit: str
    params: tuple[Param, ...] = ()
    per_core: bool = True
    longest_step_s: float = 0.2
    finest_step_s: float = 0.05
    longest_finish_s: float = 1.0
    compare_digests: bool = False
    needs: str = ""


@dataclass(frozen=True, kw_only=True)
class Fault:
    """A wrong result, as a load found it.

    Attributes:
        kind: Slug (``wrong_result``, ``memory_word``, ``rate_implausible``, ``storage_block`` ...).
        step: Step number, from 0.
        values: Expected, found, where; addresses and 64-bit patterns as ``0x...`` text.
    """

    kind: str
    step: int
    values: dict[str, Scalar] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class StepResult:
    """What one step did.

    Attributes:
        amount: Work done in this step, in the load's unit.
        digest: 64-bit digest of this step's result; 0 where the load compares nothing between cores.
        faults: Wrong results found in this step; at most 16 (a load counts further ones in ``values``).
        settled: True when nothing written is left unchecked; the finishing check may end here.
    """

    amount: float
    digest: int = 0
    faults: tuple[Fault, ...] = ()
    settled: bool = True


@dataclass(frozen=True, kw_only=True)
class LoadContext:
    """What a load gets from the engine when it is opened.

    Attributes:
        seed: 64-bit seed; equal for all instances of a load in a stage.
        instance: Number of this instance, from 0.
        instances: How many instances run beside each other.
        memory_bytes: Memory this instance may use in all.
        cache_bytes: Last-level cache of the machine (all instances share it), 0 where unknown.
        dram_limit_gb_s: Read rate in GB/s above which memory cannot have been read, for the whole machine.
        step_budget_s: Longest step wanted; shorter in pulsed shapes.
        scratch: Folder for scratch files (storage loads only), None for none.
        first_step: Number of the first step. A load whose digests are compared does from here on what it would have
            done after so many steps, so that one step can be repeated without those before it.
    """

    seed: int
    instance: int = 0
    instances: int = 1
    memory_bytes: int = 256 << 20
    cache_bytes: int = 0
    dram_limit_gb_s: float = 200.0
    step_budget_s: float = 0.1
    scratch: Path | None = None
    first_step: int = 0


@runtime_checkable
class LoadSession(Protocol):
    """An opened load. It runs alone in its own process and is never called from two threads."""

    @property
    def notes(self) -> dict[str, Scalar]:
        """What the load says about this instance: sizes, ranges of addresses, locked or not, kernel in use."""
        ...

    def step(self) -> StepResult:
        """Do one bounded piece of work and check it."""
        ...

    def finish(self) -> StepResult:
        """Check what is still unchecked, one bounded piece at a time, until the result is settled; write nothing new."""
        ...

    def close(self) -> None:
        """Give everything back. Called once, also after a fault."""
        ...


@runtime_checkable
class Load(Protocol):
    """A kind of load."""

    @property
    def spec(self) -> LoadSpec:
        """What it says about itself."""
        ...

    def open(self, context: LoadContext, params: dict[str, Scalar]) -> LoadSession:
        """Return a session ready to step; known answers are checked before this returns.

        Raises:
            BurninError: it cannot run here, with the reason.
        """
        ...


@dataclass(frozen=True, kw_only=True)
class SourceSpec:
    """What a source says about itself.

    Attributes:
        title: One line for people.
        slow: True when one sweep can take longer than 10 ms; it is then swept apart from the fast ones.
    """

    title: str
    slow: bool = False


@dataclass(frozen=True, kw_only=True)
class Description:
    """What a source found on this machine.

    Attributes:
        channels: What it can read, in a fixed order.
        absent: What it cannot, with reasons.
    """

    channels: tuple[Channel, ...] = ()
    absent: tuple[Absence, ...] = ()


@runtime_checkable
class SourceSession(Protocol):
    """An opened source."""

    def read(self) -> Sequence[Reading]:
        """Return one reading for each channel, in the order given to ``open``; never raises for one bad sensor."""
        ...

    def close(self) -> None:
        """Give descriptors back."""
        ...


@runtime_checkable
class Source(Protocol):
    """A kind of sensor source."""

    @property
    def spec(self) -> SourceSpec:
        """What it says about itself."""
        ...

    def describe(self, host: Host) -> Description:
        """Return the channels of this machine; never raises for an absent sensor."""
        ...

    def open(self, host: Host, channels: Sequence[Channel]) -> SourceSession:
        """Return a session that reads exactly ``channels`` (a selection of those described)."""
        ...


@dataclass(frozen=True, kw_only=True)
class ProbeSpec:
    """What a probe says about itself.

    Attributes:
        title: One line for people.
        part: Field of the inventory it fills.
        with_rights: What administrator's rights would add, empty for nothing.
    """

    title: str
    part: str
    with_rights: str = ""


@runtime_checkable
class Probe(Protocol):
    """A kind of probe: fills one part of the inventory."""

    @property
    def spec(self) -> ProbeSpec:
        """What it says about itself."""
        ...

    def probe(self, host: Host) -> Any:
        """Return the part of the inventory; each field is a value, or None with a reason in ``unknown``."""
        ...


@dataclass(frozen=True, kw_only=True)
class CriterionSpec:
    """What a criterion says about itself.

    Attributes:
        title: One line for people.
        params: Parameters the plan may set.
        always: True when it is judged for every run, whether or not the plan names it.
        safety: True when no waiver can touch it.
        needs_run: False when inventory, checklist, order and answers are enough to judge it, without any load.
        version: Counts up with every change of the rule.
    """

    title: str
    params: tuple[Param, ...] = ()
    always: bool = True
    safety: bool = False
    needs_run: bool = True
    version: int = 1


@runtime_checkable
class Criterion(Protocol):
    """A kind of rule."""

    @property
    def spec(self) -> CriterionSpec:
        """What it says about itself."""
        ...

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:
        """Return findings; pure and total: every run gets at least one finding or is outside this rule's scope."""
        ...
