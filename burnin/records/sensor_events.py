"""Journal lines about sensors, clocks and storage."""

from __future__ import annotations

from burnin.records.base import LooseRecord
from burnin.records.event_base import Event


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


class KernelLine(Event, tag="kernel_line", frozen=True, kw_only=True):
    """A line of the kernel log that matters.

    Attributes:
        what: ``machine_check``, ``thermal``, ``pcie``, ``memory``, ``usb`` or ``other``.
        text: The line.
    """

    what: str
    text: str


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
