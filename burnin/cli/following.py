"""A run followed from its growing journal: what the supervisor shows in its own terminal, told from lines alone."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from burnin.engine.observer import LoadLine, Snapshot
from burnin.journal.files import FileLayer
from burnin.journal.frame import LONGEST_LINE, NO_LINE_BEFORE, BadLine, Line, decode_line, line_hash
from burnin.journal.store import JOURNAL_NAME
from burnin.records.channels import Channel
from burnin.records.events import (
    AnyEvent,
    ChannelsDescribed,
    FaultFound,
    LoadEnded,
    LoadStarted,
    RunClosed,
    RunOpened,
    SafetyArmed,
    StageEnded,
    StageOpening,
    StageStarted,
    Sweep,
)

_AT_ONCE: Final = 2 * LONGEST_LINE


class GrowingJournal:
    """Whole lines of a journal as they appear; a line that is only half there waits.

    Args:
        path: The journal.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._offset, self._seq, self._prev = 0, 0, NO_LINE_BEFORE
        self.bad: BadLine | None = None

    def new_lines(self) -> list[Line]:
        """Return the good lines that were added since the last call.

        Raises:
            OSError: the journal cannot be read any more.
        """
        if self.bad is not None:
            return []
        with self._path.open("rb") as file:
            file.seek(self._offset)
            data = file.read(_AT_ONCE)
        *whole, _ = data.split(b"\n")
        lines = []
        for raw in whole:
            line = decode_line(raw, seq=self._seq, prev=self._prev)
            if isinstance(line, BadLine):
                self.bad = line
                break
            self._seq, self._prev = self._seq + 1, line_hash(raw)
            self._offset += len(raw) + 1
            lines.append(line)
        return lines


class Standing:
    """How a run stands, as far as the lines taken so far tell."""

    def __init__(self) -> None:
        self.opened: RunOpened | None = None
        self.closed: RunClosed | None = None
        self.faults = 0
        self._channels: tuple[Channel, ...] = ()
        self._values: tuple[float | None, ...] = ()
        self._trips: dict[str, float] = {}
        self._loads: dict[str, LoadLine] = {}
        self._stage = -1
        self._stage_ns = 0
        self._state = "running"
        self._now_ns = 0
        self._start_ns = 0

    def take(self, line: Line) -> None:
        """Note what one line changes."""
        self._now_ns = max(self._now_ns, line.mono_ns)
        match line.event:
            case RunOpened() as event:
                self.opened, self._start_ns = event, event.anchor.mono_ns
                self._now_ns = event.anchor.mono_ns
            case ChannelsDescribed() as event:
                self._channels = event.channels
                self._values = (None,) * len(event.channels)
            case SafetyArmed() as event:
                self._trips = {limit.channel: limit.trip for limit in event.limits}
            case RunClosed() as event:
                self.closed, self._state = event, "over"
            case Sweep() as event:
                self._sweep(event)
            case event:
                self._take_stage(event, line.mono_ns)

    def _take_stage(self, event: AnyEvent, mono_ns: int) -> None:
        match event:
            case StageOpening() | StageStarted():
                opening = isinstance(event, StageOpening)
                if opening or event.index != self._stage:
                    self._loads = {}
                self._stage, self._stage_ns = event.index, mono_ns
                self._state = "opening" if opening else "running"
            case StageEnded():
                self._state = "stopping"
            case LoadStarted():
                line = LoadLine(
                    load_id=event.load_id,
                    load=event.load,
                    core=event.core,
                    amount=0.0,
                    unit=event.unit,
                    faults=0,
                    state="working",
                )
                self._loads[event.load_id] = line
            case LoadEnded():
                self._change(event.load_id, state=event.how)
            case FaultFound():
                self.faults += 1
                known = self._loads.get(event.load_id)
                self._change(event.load_id, faults=known.faults + 1 if known else 1)

    def _change(self, load_id: str, **fields: object) -> None:
        known = self._loads.get(load_id)
        if known is not None:
            values = {name: getattr(known, name) for name in LoadLine.__dataclass_fields__}
            self._loads[load_id] = LoadLine(**{**values, **fields})

    def _sweep(self, sweep: Sweep) -> None:
        bad = set(sweep.bad)
        fresh = (None if column in bad else value for column, value in enumerate(sweep.v))
        self._values = tuple(fresh)[: len(self._channels)]
        self._values += (None,) * (len(self._channels) - len(self._values))
        for done in sweep.w:
            self._change(done.load_id, amount=done.amount)

    @property
    def elapsed_s(self) -> float:
        """Time from the first line to the last one taken."""
        return max(0.0, (self._now_ns - self._start_ns) / 1e9)

    def snapshot(self) -> Snapshot | None:
        """Return how the run stands; None before it is opened."""
        if self.opened is None:
            return None
        stages = self.opened.plan.stages
        known = 0 <= self._stage < len(stages)
        left_s = later_s = 0.0
        if not self.closed:
            spent_s = (self._now_ns - self._stage_ns) / 1e9
            left_s = max(0.0, stages[self._stage].longest_s - spent_s) if known else 0.0
            later_s = sum(stage.longest_s for stage in stages[self._stage + 1 :])
        return Snapshot(
            run_id=self.opened.run_id,
            stage=self._stage + 1,
            stages=len(stages),
            stage_name=stages[self._stage].name if known else "before the first stage",
            stage_left_s=left_s,
            run_left_s=left_s + later_s,
            elapsed_s=self.elapsed_s,
            channels=self._channels,
            values=self._values,
            trips=self._trips,
            loads=tuple(self._loads.values()),
            faults=self.faults,
            state=self._state,
        )


def is_written(folder: Path, files: FileLayer) -> bool:
    """Return whether a process is writing the run in ``folder``."""
    if not (folder / JOURNAL_NAME).is_file():
        return False
    release = files.lock(folder)
    if release is None:
        return True
    release()
    return False
