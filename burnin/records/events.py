"""What a journal can hold. Each class is one kind of line; the tag stands in the line's ``kind``."""

from __future__ import annotations

from typing import Literal

from burnin.records.base import LooseRecord
from burnin.records.channels import Absence, Channel
from burnin.records.inventory import Inventory
from burnin.records.paperwork import Answer, Checklist, Order, Workshop
from burnin.records.plan import Plan, Scalar


class Event(LooseRecord, tag_field="kind", frozen=True, kw_only=True):
    """Base of everything a journal line can hold."""


class Software(LooseRecord, frozen=True, kw_only=True):
    """What tested: versions that let somebody repeat it.

    Attributes:
        burnin: Version of this program.
        python: Version of the interpreter.
        libraries: Name to version of the libraries the loads and sensors rest on.
        numeric_kernel: The numeric library and kernel in use, empty where unknown.
        plugins: ``room/name`` to distribution and version, for every plugin used.
    """

    burnin: str
    python: str
    libraries: dict[str, str] = {}
    numeric_kernel: str = ""
    plugins: dict[str, str] = {}


class Anchor(LooseRecord, frozen=True, kw_only=True):
    """One reading of all clocks at the same moment, taken at every start and resume.

    Attributes:
        wall_ns: Time since 1970-01-01 UTC, nanoseconds.
        utc_offset_s: Local time minus UTC.
        mono_ns: Monotonic clock.
        boot_ns: Clock that also runs in suspend.
        boot_id: Identifies the boot; empty where the system has none.
    """

    wall_ns: int
    utc_offset_s: int
    mono_ns: int
    boot_ns: int
    boot_id: str = ""


class RunOpened(Event, tag="run_opened", frozen=True, kw_only=True):
    """First line: everything that does not change during the run.

    Attributes:
        journal_format: Version of the journal format.
        run_id: Unique id, printed on every page.
        anchor: Clocks at the start.
        software: What tests.
        plan: The plan as validated.
        plan_sha256: Digest of the plan file's bytes.
        checklist: The checklist, None for none.
        order: The order, None for none.
        workshop: Who tests.
        rehearsal: True on a simulated bench.
        seed: Seed of all loads (hex).
        with_rights: True with administrator's rights.
        retest_of: Run id this one follows, empty for none.
        note: Operator's note.
    """

    journal_format: int
    run_id: str
    anchor: Anchor
    software: Software
    plan: Plan
    plan_sha256: str
    checklist: Checklist | None = None
    order: Order | None = None
    workshop: Workshop = Workshop()
    rehearsal: bool = False
    seed: str = "0"
    with_rights: bool = False
    retest_of: str = ""
    note: str = ""


class InventoryTaken(Event, tag="inventory", frozen=True, kw_only=True):
    """The machine as found."""

    inventory: Inventory


class ChannelsDescribed(Event, tag="channels", frozen=True, kw_only=True):
    """Every channel of the run in column order, and what is absent."""

    channels: tuple[Channel, ...]
    absent: tuple[Absence, ...] = ()
    safety: tuple[str, ...] = ()


class TripLimit(LooseRecord, frozen=True, kw_only=True):
    """Where the loads stop.

    Attributes:
        channel: Channel id.
        trip: Value at which loads stop, in the channel's unit.
        because: Where the limit comes from, in plain words.
    """

    channel: str
    trip: float
    because: str


class SafetyArmed(Event, tag="safety_armed", frozen=True, kw_only=True):
    """Which channels the safety watch reads, how often, and where it trips."""

    period_s: float
    quiet_s: float
    limits: tuple[TripLimit, ...] = ()
    note: str = ""


class Preflight(Event, tag="preflight", frozen=True, kw_only=True):
    """What is known before the first load not to be judgeable, and what is out of order."""

    cannot_judge: tuple[Absence, ...] = ()
    broken_plugins: dict[str, str] = {}


class CautionsAnswered(Event, tag="cautions", frozen=True, kw_only=True):
    """The cautions were shown and answered.

    Attributes:
        how: ``asked`` on a terminal, ``option`` for ``--yes``, ``remembered`` for an earlier answer of this workshop.
    """

    how: Literal["asked", "option", "remembered"]


class OperatorAnswered(Event, tag="answer", frozen=True, kw_only=True):
    """The operator answered a checklist line."""

    answer: Answer


class InstrumentReading(Event, tag="instrument", frozen=True, kw_only=True):
    """A value that no PC can read about itself, given by the operator.

    Attributes:
        name: What was measured (``room``, ``inlet``, ``wall_power``, ``noise`` ...).
        value: In ``unit``.
        unit: Unit.
        instrument: Which instrument.
        calibrated: Calibration date, empty where unknown.
        uncertainty: Half width in ``unit``, None where unknown.
        place: Where it was taken.
        moment: ``start``, ``idle``, ``hot``, ``cool_down`` or ``given``.
    """

    name: str
    value: float
    unit: str
    instrument: str = ""
    calibrated: str = ""
    uncertainty: float | None = None
    place: str = ""
    moment: str = "given"


class Remark(Event, tag="remark", frozen=True, kw_only=True):
    """Something the operator or the harness wants on record."""

    text: str


class StageStarted(Event, tag="stage_started", frozen=True, kw_only=True):
    """A stage begins; its loads are told to run."""

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


class ChannelState(Event, tag="channel_state", frozen=True, kw_only=True):
    """A channel changed its quality.

    Attributes:
        channel: Channel id.
        quality: ``ok``, ``missing`` or ``implausible``.
        reason: Why.
    """

    channel: str
    quality: str
    reason: str = ""


class SamplingTrouble(Event, tag="sampling_trouble", frozen=True, kw_only=True):
    """Sweeps were late, missed, or ended.

    Attributes:
        what: ``gap``, ``overrun``, ``ended`` or ``restarted``.
        span_s: How long.
        detail: More, in plain words.
    """

    what: str
    span_s: float = 0.0
    detail: str = ""


class SafetyTripped(Event, tag="safety_trip", frozen=True, kw_only=True):
    """A safety limit was crossed or a safety sensor went quiet; the loads were stopped first.

    Attributes:
        why: ``value``, ``rise``, ``quiet``, ``pump`` or ``watch_lost``.
        channel: Channel id, empty for the watch itself.
        value: Last value; None when quiet.
        limit: Limit crossed; None when quiet.
        unit: Unit of both.
        read_ns: Monotonic time of the crossing reading.
        detail: More, in plain words.
    """

    why: str
    channel: str = ""
    value: float | None = None
    limit: float | None = None
    unit: str = ""
    read_ns: int = 0
    detail: str = ""


class OperatorStopped(Event, tag="operator_stop", frozen=True, kw_only=True):
    """The operator, or the closing terminal, ended the run.

    Attributes:
        signal: Name of the signal.
    """

    signal: str


class StorageTrouble(Event, tag="storage_trouble", frozen=True, kw_only=True):
    """The journal could not be written or synced for a while.

    Attributes:
        what: Operation that failed.
        error: Error as the system names it.
        span_s: How long lines waited.
        lost: Lines lost.
    """

    what: str
    error: str
    span_s: float = 0.0
    lost: int = 0


class ClockStepped(Event, tag="clock_step", frozen=True, kw_only=True):
    """The wall clock moved against the monotonic clock, or the machine slept.

    Attributes:
        what: ``wall`` or ``suspend``.
        by_s: By how much.
    """

    what: str
    by_s: float


class Resumed(Event, tag="resumed", frozen=True, kw_only=True):
    """The same run goes on in a new segment (after a planned or an unplanned restart)."""

    anchor: Anchor
    reason: str = ""


class KernelLine(Event, tag="kernel_line", frozen=True, kw_only=True):
    """A line of the kernel log that matters.

    Attributes:
        what: ``machine_check``, ``thermal``, ``pcie``, ``memory``, ``usb`` or ``other``.
        text: The line.
    """

    what: str
    text: str


class RunRecovered(Event, tag="run_recovered", frozen=True, kw_only=True):
    """A run that was cut off was closed later.

    Attributes:
        anchor: Clocks at recovery.
        dropped_bytes: Bytes of a torn last line, kept aside in the record below.
        dropped_sha256: Their digest, empty for none.
        same_boot: True when the machine has not restarted since; None where unknown.
        orderly: Whether the shutdown was orderly; None where unknown.
        causes: Lines that name a cause (kernel log of the previous boot, pstore, machine checks).
        uptime_s: Uptime at recovery.
    """

    anchor: Anchor
    dropped_bytes: int = 0
    dropped_sha256: str = ""
    same_boot: bool | None = None
    orderly: bool | None = None
    causes: tuple[str, ...] = ()
    uptime_s: float = 0.0


class RunClosed(Event, tag="run_closed", frozen=True, kw_only=True):
    """Last line of a run that ended while the harness was alive, or was closed by recovery.

    Attributes:
        reason: ``complete``, ``operator``, ``safety``, ``fault``, ``trouble`` or ``cut_off``.
        sweeps: Sweeps written.
        faults: Faults written.
    """

    reason: str
    sweeps: int = 0
    faults: int = 0


class WorkDone(LooseRecord, array_like=True, frozen=True, kw_only=True):
    """Totals of one load since it started, as they stood at a sweep.

    Attributes:
        load_id: Which load instance.
        steps: Steps done.
        amount: Work done in the load's unit.
        digest: 64-bit fold of all results (hex).
    """

    load_id: str
    steps: int
    amount: float
    digest: str


class Sweep(Event, tag="sweep", frozen=True, kw_only=True):
    """One sweep over all channels.

    Attributes:
        v: Values in channel order; null where missing.
        bad: Column numbers whose value is implausible.
        w: Totals of the loads running.
    """

    v: tuple[float | None, ...]
    bad: tuple[int, ...] = ()
    w: tuple[WorkDone, ...] = ()


AnyEvent = (
    RunOpened
    | InventoryTaken
    | ChannelsDescribed
    | SafetyArmed
    | Preflight
    | CautionsAnswered
    | OperatorAnswered
    | InstrumentReading
    | Remark
    | StageStarted
    | StageEnded
    | LoadStarted
    | LoadEnded
    | LoadsOff
    | FaultFound
    | ChannelState
    | SamplingTrouble
    | SafetyTripped
    | OperatorStopped
    | StorageTrouble
    | ClockStepped
    | Resumed
    | KernelLine
    | RunRecovered
    | RunClosed
    | Sweep
)
