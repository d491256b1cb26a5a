"""Facts of a run that several rules rest on: which stages were hot, what was running, when work was done.

Everything is taken from the view of the run and nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from burnin.calc.steady import time_in_condition_s
from burnin.records.channels import Channel
from burnin.records.events import FaultFound, LoadEnded, LoadStarted, Resumed, RunRecovered
from burnin.records.plan import Stage
from burnin.records.view import F64, Entry, RunView, StageSpan, WorkColumns

Flags = npt.NDArray[np.bool_]
CutOff = Literal["", "reset", "orderly", "harness"]

HOT_KINDS: Final = frozenset({"soak", "combined"})
"""Kinds of stage in which the machine is meant to be hot."""

PLANNED_ENDS: Final = frozenset({"time", "steady", "longest"})
"""Reasons with which a stage ends as planned."""

GAP_PERIODS: Final = 3.0
"""Sweeps further apart than this many periods have a gap between them."""


@dataclass(frozen=True, kw_only=True)
class StageRun:
    """One stage as it ran, beside its plan.

    Attributes:
        span: When.
        plan: What was asked.
    """

    span: StageSpan
    plan: Stage

    @property
    def hot(self) -> bool:
        """Whether the machine was meant to be hot."""
        return self.plan.kind in HOT_KINDS


def stage_runs(view: RunView) -> tuple[StageRun, ...]:
    """Return the stages that ran and that the plan knows, in order; a stage told twice counts from its first start."""
    stages = view.opened.plan.stages
    seen: dict[int, StageRun] = {}
    for span in view.stage_spans():
        if 0 <= span.index < len(stages):
            seen.setdefault(span.index, StageRun(span=span, plan=stages[span.index]))
    return tuple(seen.values())


def hot_runs(view: RunView) -> tuple[StageRun, ...]:
    """Return the soak and combined stages that ran."""
    return tuple(run for run in stage_runs(view) if run.hot)


def period_s(view: RunView) -> float:
    """Return the planned time between two sweeps, in seconds."""
    return 1.0 / max(view.opened.plan.sample_hz, 1e-3)


def during(view: RunView, span: StageSpan) -> Flags:
    """Return for each sweep whether it lies in ``span`` (after its start, up to its end), shape (n,)."""
    return (view.t_ns > span.start_ns) & (view.t_ns <= span.end_ns)


def hot_sweeps(view: RunView) -> Flags:
    """Return for each sweep whether it lies in a soak or combined stage, shape (n,)."""
    flags = np.zeros(len(view.t_ns), dtype=np.bool_)
    for run in hot_runs(view):
        flags |= during(view, run.span)
    return flags


def resource_of(load: LoadStarted) -> str:
    """Return which part of the machine a load loads: what it noted, else what its name begins with."""
    noted = load.notes.get("resource")
    if isinstance(noted, str) and noted:
        return noted
    for resource in ("memory", "storage", "graphics"):
        if load.load.startswith(resource):
            return resource
    return "cpu"


def load_subject(load: LoadStarted | FaultFound) -> str:
    """Return what people call a load instance."""
    name = load.load.replace("_", " ")
    return name if load.core is None else f"{name} on core {load.core}"


def loads_in(view: RunView, run: StageRun) -> tuple[LoadStarted, ...]:
    """Return the loads that were started in a stage, in order."""
    return tuple(load for load in view.load_starts.values() if load.stage == run.span.index)


def worked(view: RunView, load_ids: tuple[str, ...]) -> Flags:
    """Return for each sweep whether any of these loads had got further since the sweep before, shape (n,)."""
    flags = np.zeros(len(view.t_ns), dtype=np.bool_)
    for load_id in load_ids:
        columns = view.work.get(load_id)
        if columns is not None:
            moments = columns.t_ns[np.diff(columns.steps, prepend=0) > 0]
            flags[np.searchsorted(view.t_ns, moments)] = True
    return flags


def time_at_work_s(view: RunView, run: StageRun, *, flags: Flags) -> float:
    """Return the seconds of a stage during which sweep after sweep showed work done.

    Time out of condition, or unseen, does not count (after MIL-STD-750F, 4.5). Beginning and end of the stage count as
    sweeps, so that a stage loses only what the loads took to start.

    Args:
        view: The run.
        run: The stage.
        flags: For each sweep of the run, whether work was done.
    """
    working = during(view, run.span) & flags
    if not working.any():
        return 0.0
    shape = run.plan.shape
    pause_s = 0.0 if shape.kind == "steady" else shape.period_s
    marks = np.unique(np.concatenate([view.t_ns[working], [run.span.start_ns, run.span.end_ns]]))
    longest_s = max(GAP_PERIODS * period_s(view), period_s(view) + pause_s)
    return time_in_condition_s(marks / 1e9, np.ones(len(marks)), longest_gap_s=longest_s)


def work_between(columns: WorkColumns, edges_s: F64) -> F64:
    """Return the work done up to each of ``edges_s``, interpolated between the sweeps, shape of ``edges_s``."""
    return np.interp(edges_s, columns.t_ns / 1e9, columns.amount)


def counter_rise(view: RunView, channel: Channel) -> float:
    """Return how far a counter rose over the run; steps back (a driver reloaded) and gaps count for nothing."""
    values = view.good(channel.id)
    return float(np.sum(np.clip(np.diff(values[np.isfinite(values)]), 0, None)))


def cut_off(view: RunView) -> CutOff:
    """Return how a run was cut off: empty when it was closed, ``reset`` when nothing shows otherwise.

    ``harness`` when the machine did not restart, ``orderly`` when somebody shut it down.
    """
    closed = view.closed
    if closed is not None and closed.reason != "cut_off":
        return ""
    recovered = view.first(RunRecovered)
    if recovered is not None and recovered.same_boot:
        return "harness"
    if recovered is not None and recovered.orderly:
        return "orderly"
    return "reset"


def unended_loads(view: RunView) -> tuple[tuple[Entry, LoadStarted, Entry | None], ...]:
    """Return the loads without an end: their line, their start, and the restart that followed (None for none)."""
    ended = {event.load_id for _, event in view.of(LoadEnded)}
    restarts = [entry for kind in (Resumed, RunRecovered) for entry, _ in view.of(kind)]
    found = []
    for entry, load in view.of(LoadStarted):
        if load.load_id not in ended:
            later = [restart for restart in restarts if restart.seq > entry.seq]
            found.append((entry, load, min(later, key=lambda restart: restart.seq) if later else None))
    return tuple(found)
