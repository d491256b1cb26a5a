"""Builds a run in memory without a machine, a clock or a disk: for tests of criteria, report and comparison."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import msgspec

from burnin.journal.assemble import assemble
from burnin.journal.frame import Line
from burnin.records.channels import Absence, Channel
from burnin.records.events import (
    Anchor,
    AnyEvent,
    ChannelsDescribed,
    FaultFound,
    InventoryTaken,
    LoadEnded,
    LoadStarted,
    RunClosed,
    RunOpened,
    Software,
    StageEnded,
    StageStarted,
    Sweep,
    WorkDone,
)
from burnin.records.inventory import Inventory
from burnin.records.plan import Plan
from burnin.records.view import Integrity, RunView

START_MONO_NS = 5_000_000_000_000
START_WALL_NS = 1_780_000_000_000_000_000


class RunBuilder:
    """Tells a run line by line; time moves only when told to.

    Args:
        plan: The plan the run follows.
        opened: Fields of the opening line to replace.
    """

    def __init__(self, plan: Plan, **opened: object) -> None:
        self.mono_ns = START_MONO_NS
        self.lines: list[Line] = []
        self.faults = 0
        self.sweeps = 0
        anchor = Anchor(
            wall_ns=START_WALL_NS,
            utc_offset_s=7200,
            mono_ns=START_MONO_NS,
            boot_ns=START_MONO_NS,
            boot_id="0a0a0a0a",
        )
        first = RunOpened(
            journal_format=1,
            run_id="built-run",
            anchor=anchor,
            software=Software(burnin="0.0.0", python="3.11.7"),
            plan=plan,
            plan_sha256="0" * 64,
        )
        self.add(msgspec.structs.replace(first, **opened))

    def add(self, *events: AnyEvent) -> RunBuilder:
        """Append events at the present time."""
        for event in events:
            self.lines.append(Line(seq=len(self.lines), mono_ns=self.mono_ns, event=event))
            self.faults += isinstance(event, FaultFound)
            self.sweeps += isinstance(event, Sweep)
        return self

    def wait(self, span_s: float) -> RunBuilder:
        """Let time pass."""
        self.mono_ns += round(span_s * 1e9)
        return self

    def machine(
        self,
        channels: Sequence[Channel] = (),
        *,
        absent: Sequence[Absence] = (),
        inventory: Inventory | None = None,
        safety: Sequence[str] = (),
    ) -> RunBuilder:
        """Describe the machine and its channels."""
        self.add(InventoryTaken(inventory=inventory or Inventory()))
        return self.add(
            ChannelsDescribed(channels=tuple(channels), absent=tuple(absent), safety=tuple(safety))
        )

    def stage(self, index: int, name: str) -> RunBuilder:
        """Begin a stage."""
        return self.add(StageStarted(index=index, name=name))

    def end_stage(self, index: int, name: str, reason: str = "time") -> RunBuilder:
        """End a stage."""
        return self.add(StageEnded(index=index, name=name, reason=reason))

    def load(
        self, load_id: str, load: str, *, stage: int, core: int | None = None, unit: str = "products"
    ) -> RunBuilder:
        """Start a load."""
        return self.add(LoadStarted(load_id=load_id, load=load, stage=stage, core=core, unit=unit, seed="2a"))

    def end_load(self, load_id: str, how: str = "stopped", **fields: object) -> RunBuilder:
        """End a load; ``fields`` replace those of the line."""
        ended = LoadEnded(load_id=load_id, how="stopped")
        return self.add(msgspec.structs.replace(ended, how=how, **fields))

    def sweeps_at(
        self,
        rows: Iterable[Sequence[float | None]],
        *,
        every_s: float = 1.0,
        work: Mapping[str, float] | None = None,
        bad: Sequence[int] = (),
    ) -> RunBuilder:
        """Add one sweep a row, ``every_s`` apart.

        Args:
            rows: Values in channel order.
            every_s: Seconds before each sweep.
            work: Load id to work per second; totals go on from the load's last total.
            bad: Columns marked implausible in every row.
        """
        totals = {load_id: self._total(load_id) for load_id in work or {}}
        for row in rows:
            self.wait(every_s)
            done = []
            for load_id, rate in (work or {}).items():
                totals[load_id] += rate * every_s
                steps = int(totals[load_id])
                done.append(WorkDone(load_id=load_id, steps=steps, amount=totals[load_id], digest="0"))
            self.add(Sweep(v=tuple(row), bad=tuple(bad), w=tuple(done)))
        return self

    def _total(self, load_id: str) -> float:
        for line in reversed(self.lines):
            if isinstance(line.event, Sweep):
                for done in line.event.w:
                    if done.load_id == load_id:
                        return done.amount
        return 0.0

    def close(self, reason: str = "complete") -> RunBuilder:
        """Close the run."""
        return self.add(RunClosed(reason=reason, sweeps=self.sweeps, faults=self.faults))

    def view(self) -> RunView:
        """Return the run told so far."""
        integrity = Integrity(lines=len(self.lines), head_sha256="0" * 64)
        return assemble(iter(self.lines), integrity)
