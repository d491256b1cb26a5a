"""A run in memory: its events, and its sweeps as read-only columns."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from burnin.records.base import LooseRecord
from burnin.records.channels import Absence, Channel
from burnin.records.events import (
    AnyEvent,
    ChannelsDescribed,
    Event,
    InventoryTaken,
    LoadStarted,
    RunClosed,
    RunOpened,
    RunRecovered,
    StageEnded,
    StageStarted,
)
from burnin.records.inventory import Inventory

E = TypeVar("E", bound=Event)

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
U8 = npt.NDArray[np.uint8]


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One event of a run with its place in the journal.

    Attributes:
        seq: Sequence number of the line.
        t_ns: Time since the run was opened, nanoseconds, running on across restarts.
        segment: Number of the segment (0 for the first boot).
        event: What happened.
    """

    seq: int
    t_ns: int
    segment: int
    event: AnyEvent


@dataclass(frozen=True, kw_only=True, eq=False)
class WorkColumns:
    """Totals of one load instance at each sweep that carried them.

    Attributes:
        t_ns: Time since the run was opened, shape (n,).
        steps: Steps done in all, shape (n,).
        amount: Work done in all in the load's unit, shape (n,).
    """

    t_ns: I64
    steps: I64
    amount: F64


@dataclass(frozen=True, kw_only=True)
class StageSpan:
    """One stage as it ran.

    Attributes:
        index: Index in the plan.
        name: Name in the plan.
        start_ns: Time since the run was opened.
        end_ns: Time since the run was opened; the last known time when it was cut off.
        reason: Why it ended; ``cut_off`` when it never did.
        seqs: Sequence numbers of its start and end lines.
    """

    index: int
    name: str
    start_ns: int
    end_ns: int
    reason: str
    seqs: tuple[int, ...]

    @property
    def span_s(self) -> float:
        """Length in seconds."""
        return (self.end_ns - self.start_ns) / 1e9


class Integrity(LooseRecord, frozen=True, kw_only=True):
    """What reading the journal showed about the journal itself.

    Attributes:
        lines: Good lines.
        head_sha256: Hash of the last good line.
        dropped_bytes: Bytes after the last good line.
        trouble: What is wrong with them, empty when nothing is.
    """

    lines: int
    head_sha256: str
    dropped_bytes: int = 0
    trouble: str = ""


@dataclass(frozen=True, kw_only=True, eq=False)
class RunView:
    """Everything known about a run; criteria, report, ledger and comparison see nothing else.

    Attributes:
        opened: First line.
        entries: All events but the sweeps, in order.
        t_ns: Time of each sweep since the run was opened, shape (n,).
        seq: Sequence number of each sweep, shape (n,).
        values: Channel values, shape (n, channels), NaN where missing.
        quality: ``OK``, ``MISSING`` or ``IMPLAUSIBLE``, shape (n, channels).
        work: Load id to its totals.
        integrity: State of the journal.
    """

    opened: RunOpened
    entries: tuple[Entry, ...]
    t_ns: I64
    seq: I64
    values: F32
    quality: U8
    work: dict[str, WorkColumns] = field(default_factory=dict)
    integrity: Integrity

    def of(self, kind: type[E]) -> Iterator[tuple[Entry, E]]:
        """Yield every entry whose event is of ``kind``, with the event, in order."""
        for entry in self.entries:
            if isinstance(entry.event, kind):
                yield entry, entry.event

    def first(self, kind: type[E]) -> E | None:
        """Return the first event of ``kind``, None for none."""
        return next((event for _, event in self.of(kind)), None)

    @property
    def channels(self) -> tuple[Channel, ...]:
        """Channels in column order; empty when the run never got so far."""
        described = self.first(ChannelsDescribed)
        return described.channels if described else ()

    @property
    def absent(self) -> tuple[Absence, ...]:
        """What could not be sampled, with reasons."""
        described = self.first(ChannelsDescribed)
        return described.absent if described else ()

    @property
    def inventory(self) -> Inventory:
        """The machine as found; all unknown when the run never got so far."""
        taken = self.first(InventoryTaken)
        return taken.inventory if taken else Inventory()

    @property
    def closed(self) -> RunClosed | None:
        """Last line, None for a run that was cut off and never closed."""
        return next((event for _, event in reversed(list(self.of(RunClosed)))), None)

    @property
    def end_ns(self) -> int:
        """Last time known of the run itself, since it was opened; what a recovery wrote later does not count."""
        own = (entry.t_ns for entry in reversed(self.entries) if not _written_later(entry.event))
        return max(next(own, 0), int(self.t_ns[-1]) if len(self.t_ns) else 0)

    @property
    def load_starts(self) -> dict[str, LoadStarted]:
        """Load id to its start."""
        return {event.load_id: event for _, event in self.of(LoadStarted)}

    def stage_spans(self) -> tuple[StageSpan, ...]:
        """Return the stages as they ran, in order."""
        ends = {event.index: (entry, event) for entry, event in self.of(StageEnded)}
        spans = []
        for entry, event in self.of(StageStarted):
            end = ends.get(event.index)
            spans.append(
                StageSpan(
                    index=event.index,
                    name=event.name,
                    start_ns=entry.t_ns,
                    end_ns=end[0].t_ns if end else self.end_ns,
                    reason=end[1].reason if end else "cut_off",
                    seqs=(entry.seq, end[0].seq) if end else (entry.seq,),
                )
            )
        return tuple(spans)

    def column(self, channel_id: str) -> tuple[F32, U8]:
        """Return values and quality of one channel over all sweeps.

        Raises:
            KeyError: there is no such channel.
        """
        for index, channel in enumerate(self.channels):
            if channel.id == channel_id:
                return self.values[:, index], self.quality[:, index]
        raise KeyError(channel_id)

    def good(self, channel_id: str) -> F64:
        """Return the values of one channel as float64, NaN wherever the quality is not ok."""
        values, quality = self.column(channel_id)
        return np.where(quality == 0, values, np.nan).astype(np.float64)


def _written_later(event: Event) -> bool:
    """Return whether recovery wrote this, after the run was cut off."""
    return isinstance(event, RunRecovered) or (isinstance(event, RunClosed) and event.reason == "cut_off")
