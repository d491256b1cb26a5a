"""From the lines of a journal to a run in memory. Pure: the same lines give the same run anywhere."""

from __future__ import annotations

import struct
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final, TypeVar

import numpy as np

from burnin.errors import InputError
from burnin.journal.frame import Line
from burnin.records.channels import IMPLAUSIBLE, MISSING
from burnin.records.events import Anchor, AnyEvent, ChannelsDescribed, Resumed, RunOpened, RunRecovered, Sweep
from burnin.records.view import F32, U8, Entry, Integrity, RunView, WorkColumns

_BYTES: Final = 4
_LARGEST: Final = 3.4e38
A = TypeVar("A", F32, U8)


@dataclass(kw_only=True)
class _Timeline:
    """Time since the run was opened, running on across restarts by the wall clock's anchors."""

    origin: Anchor
    anchor: Anchor
    base_ns: int = 0
    last_ns: int = 0
    segment: int = 0

    def at(self, mono_ns: int) -> int:
        self.last_ns = max(self.last_ns, self.base_ns + mono_ns - self.anchor.mono_ns)
        return self.base_ns + mono_ns - self.anchor.mono_ns

    def restart(self, anchor: Anchor) -> None:
        self.base_ns = max(self.last_ns, anchor.wall_ns - self.origin.wall_ns)
        self.anchor = anchor
        self.segment += 1


@dataclass(kw_only=True)
class _Columns:
    """Sweeps packed as they come, so that a long run never exists as a list of Python numbers."""

    layout: struct.Struct
    data: bytearray = field(default_factory=bytearray)
    bad: list[tuple[int, tuple[int, ...]]] = field(default_factory=list)
    t_ns: list[int] = field(default_factory=list)
    seq: list[int] = field(default_factory=list)

    def add(self, line: Line, sweep: Sweep, t_ns: int) -> None:
        width = self.layout.size // _BYTES
        if len(sweep.v) != width or (sweep.bad and not 0 <= min(sweep.bad) <= max(sweep.bad) < width):
            raise InputError(
                f"journal line {line.seq}: found a sweep of {len(sweep.v)} values, expected {width}",
                slug="journal-shape",
                hint="The line is intact but does not fit the run's channel list: the journal was not made by this program.",
            )
        if sweep.bad:
            self.bad.append((len(self.t_ns), sweep.bad))
        self.t_ns.append(t_ns)
        self.seq.append(line.seq)
        try:
            self.data += self.layout.pack(*sweep.v)
        except (struct.error, OverflowError):  # a gap, or a value beyond 32 bits: the slow way
            self.data += _with_gaps(sweep.v)

    def finish(self) -> tuple[F32, U8]:
        shape = (len(self.t_ns), self.layout.size // _BYTES)
        values = np.frombuffer(self.data, dtype=np.float32).reshape(shape)
        quality = np.where(np.isnan(values), np.uint8(MISSING), np.uint8(0))
        for row, columns in self.bad:
            quality[row, list(columns)] = IMPLAUSIBLE
        return values, quality


@dataclass(kw_only=True)
class _Work:
    t_ns: list[int] = field(default_factory=list)
    steps: list[int] = field(default_factory=list)
    amount: list[float] = field(default_factory=list)

    def pack(self) -> WorkColumns:
        return WorkColumns(
            t_ns=np.array(self.t_ns, dtype=np.int64),
            steps=np.array(self.steps, dtype=np.int64),
            amount=np.array(self.amount, dtype=np.float64),
        )


def assemble(lines: Iterable[Line], integrity: Integrity) -> RunView:
    """Return the run that ``lines`` tell.

    Args:
        lines: Good lines of one journal, in order; the first must open the run.
        integrity: What reading showed about the journal, filled in by the reader as ``lines`` are drawn.

    Raises:
        InputError: the first line opens no run, a sweep does not fit the channels, or a number has over 64 bits.
    """
    stream = iter(lines)
    first = next(stream, None)
    if first is None or not isinstance(first.event, RunOpened):
        raise InputError(
            "journal: found no opening line; expected 'run_opened' first",
            slug="journal-empty",
            hint="Name the folder or the journal.jsonl of a run.",
        )
    try:
        return _Assembly(first.event, first).run(stream, integrity)
    except OverflowError as error:
        raise InputError(
            "journal: found a time or a count of more than 64 bits; expected at most 64",
            slug="journal-shape",
            hint="The lines are intact but hold impossible numbers: the journal was not made by this program.",
        ) from error


class _Assembly:
    def __init__(self, opened: RunOpened, first: Line) -> None:
        self.opened = opened
        self.timeline = _Timeline(origin=opened.anchor, anchor=opened.anchor)
        self.entries: list[Entry] = []
        self.columns = _Columns(layout=struct.Struct("0f"))
        self.work: dict[str, _Work] = {}
        self._enter(first, opened)

    def run(self, stream: Iterable[Line], integrity: Integrity) -> RunView:
        for line in stream:
            if isinstance(line.event, Sweep):
                self._sweep(line, line.event)
            else:
                self._event(line, line.event)
        values, quality = self.columns.finish()
        return RunView(
            opened=self.opened,
            entries=tuple(self.entries),
            t_ns=np.array(self.columns.t_ns, dtype=np.int64),
            seq=np.array(self.columns.seq, dtype=np.int64),
            values=_frozen(values),
            quality=_frozen(quality),
            work={load_id: work.pack() for load_id, work in self.work.items()},
            integrity=integrity,
        )

    def _sweep(self, line: Line, sweep: Sweep) -> None:
        t_ns = self.timeline.at(line.mono_ns)
        self.columns.add(line, sweep, t_ns)
        for done in sweep.w:
            work = self.work.setdefault(done.load_id, _Work())
            work.t_ns.append(t_ns)
            work.steps.append(done.steps)
            work.amount.append(done.amount)

    def _event(self, line: Line, event: AnyEvent) -> None:
        if isinstance(event, Resumed | RunRecovered):
            self.timeline.restart(event.anchor)
        if isinstance(event, ChannelsDescribed) and not self.columns.t_ns:
            self.columns.layout = struct.Struct(f"{len(event.channels)}f")
        self._enter(line, event)

    def _enter(self, line: Line, event: AnyEvent) -> None:
        t_ns = self.timeline.at(line.mono_ns)
        self.entries.append(Entry(seq=line.seq, t_ns=t_ns, segment=self.timeline.segment, event=event))


def _with_gaps(values: tuple[float | None, ...]) -> bytes:
    """Return the values as 32-bit floats; NaN for what is missing or too large for them."""
    row = np.array(values, dtype=np.float64)
    row[~(np.abs(row) < _LARGEST)] = np.nan
    return row.astype(np.float32).tobytes()


def _frozen(array: A) -> A:
    array.setflags(write=False)
    return array
