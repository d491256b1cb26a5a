"""Journal lines about the run itself: its opening, what was known before, the operator, its end."""

from __future__ import annotations

from typing import Literal

from burnin.records.base import LooseRecord
from burnin.records.channels import Absence, Channel
from burnin.records.event_base import Event
from burnin.records.inventory import Inventory
from burnin.records.paperwork import Answer, Checklist, Order, Workshop
from burnin.records.plan import Plan


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


EarlierStanding = Literal["accepted", "rejected", "inconclusive", "reset", "cut_off", "unreadable"]
"""What became of an earlier run: its verdict, or why it has none of its own."""


class EarlierRun(LooseRecord, frozen=True, kw_only=True):
    """An earlier run of the same machine, as known when this one began.

    Attributes:
        run_id: Its id.
        standing: What became of it.
        date: When it began by the machine's clock, as printed.
    """

    run_id: str
    standing: EarlierStanding
    date: str = ""


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
        earlier: Earlier runs of the same serial number, oldest first.
        redacted_from: Head hash of the journal this is a redacted copy of; empty for an original.
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
    earlier: tuple[EarlierRun, ...] = ()
    redacted_from: str = ""


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


class LeakHold(Event, tag="leak_hold", frozen=True, kw_only=True):
    """The operator held the filled loop before the first soak and looked for leaks.

    Attributes:
        start: When it began, local time as given (``2026-03-01T18:00``).
        end: When it ended, local time as given.
        hold_min: Minutes between them.
        dry_at: At which fittings the paper was dry.
        who: Who looked.
    """

    start: str
    end: str
    hold_min: float
    dry_at: str
    who: str


class FanPoint(LooseRecord, frozen=True, kw_only=True):
    """Speeds at one duty of one header.

    Attributes:
        duty_pct: Duty set.
        rpm: Tachometer to its speed once settled; those that could not be read are left out.
    """

    duty_pct: float
    rpm: dict[str, float] = {}


class FanHeader(LooseRecord, frozen=True, kw_only=True):
    """What one fan or pump header did.

    Attributes:
        header: Chip and file, for example ``boardctl/pwm1``.
        points: In the order in which they were set.
        trouble: Why it was not stepped, or not to its end; empty when it was.
    """

    header: str
    points: tuple[FanPoint, ...] = ()
    trouble: str = ""


class FanSurvey(Event, tag="fan_survey", frozen=True, kw_only=True):
    """Each header was stepped through its duties before the first load; its own control was restored after.

    Attributes:
        headers: What was found.
        restored: True when every header reads as it did before.
        reason: Why none was stepped, empty when some were.
    """

    headers: tuple[FanHeader, ...] = ()
    restored: bool = True
    reason: str = ""


class Remark(Event, tag="remark", frozen=True, kw_only=True):
    """Something the operator or the harness wants on record."""

    text: str


class OperatorStopped(Event, tag="operator_stop", frozen=True, kw_only=True):
    """The operator, or the closing terminal, ended the run.

    Attributes:
        signal: Name of the signal.
    """

    signal: str


class Resumed(Event, tag="resumed", frozen=True, kw_only=True):
    """The same run goes on in a new segment (after a planned or an unplanned restart)."""

    anchor: Anchor
    reason: str = ""


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
        mains_lost: What the operator answered when asked whether the mains had failed; empty where nobody did.
    """

    anchor: Anchor
    dropped_bytes: int = 0
    dropped_sha256: str = ""
    same_boot: bool | None = None
    orderly: bool | None = None
    causes: tuple[str, ...] = ()
    uptime_s: float = 0.0
    mains_lost: Literal["", "yes", "no", "unknown"] = ""


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
