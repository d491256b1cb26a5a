"""Work done: how much each load checked in each stage, how evenly, and on which core."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Final

import numpy as np

from burnin.records.events import FaultFound, LoadEnded, LoadStarted
from burnin.records.view import F64, RunView, StageSpan, WorkColumns
from burnin.report.figures import Shown, shown, significant, span
from burnin.report.traces import MOST_SHOWN, Trace, TraceGroup
from burnin.report.words import plain_name, shown_text

_SHORTEST_WINDOW_S: Final = 5.0
_MOST_WINDOWS: Final = 240


@dataclass(frozen=True, kw_only=True)
class LoadTotals:
    """One load instance from start to end.

    Attributes:
        started: Its start.
        steps: Checked pieces of work.
        amount: Work in the load's unit.
        span_s: From ready to end.
        faults: Wrong results found.
        ended: How it ended; ``cut off`` when the journal does not say.
    """

    started: LoadStarted
    steps: int
    amount: float
    span_s: float
    faults: int
    ended: str


@dataclass(frozen=True, kw_only=True)
class WorkRow:
    """One load in one stage, all its instances together."""

    stage: str
    load: str
    where: str
    steps: Shown
    amount: Shown
    unit: str
    rate: Shown
    time: str
    faults: int
    ended: str


@dataclass(frozen=True, kw_only=True)
class CoreRow:
    """One core over all loads that were tied to it."""

    core: int
    steps: Shown
    faults: int
    loads: str


def load_totals(view: RunView) -> tuple[LoadTotals, ...]:
    """Return every load instance with what it did, in order of their start."""
    ends = {event.load_id: (entry.t_ns, event) for entry, event in view.of(LoadEnded)}
    faults = Counter(event.load_id for _, event in view.of(FaultFound))
    totals = []
    for entry, event in view.of(LoadStarted):
        end_ns, end = ends.get(event.load_id, (view.end_ns, None))
        steps, amount = _done(end, view.work.get(event.load_id))
        totals.append(
            LoadTotals(
                started=event,
                steps=steps,
                amount=amount,
                span_s=(end_ns - entry.t_ns) / 1e9,
                faults=faults[event.load_id],
                ended=_ended(end),
            )
        )
    return tuple(totals)


def _done(end: LoadEnded | None, columns: WorkColumns | None) -> tuple[int, float]:
    """Return steps and amount: the larger of the load's own last word and the last sweep that carried it."""
    steps, amount = (end.steps, end.amount) if end else (0, 0.0)
    if columns is not None and len(columns.t_ns) and float(columns.amount[-1]) > amount:
        return int(columns.steps[-1]), float(columns.amount[-1])
    return steps, amount


_ENDINGS: Final = {
    "stopped": "as planned",
    "killed": "stopped by force",
    "out_of_memory": "ended by the system: out of memory",
    "signal": "ended by a signal",
    "hung": "no sign of life",
    "exit_code": "ended by itself with an error",
    "exception": "ended by an error in its code",
    "lost_supervisor": "lost its supervisor",
    "not_started": "could not start",
}


def _ended(end: LoadEnded | None) -> str:
    if end is None:
        return "cut off"
    word = _ENDINGS.get(end.how, plain_name(end.how))
    return f"{word}: {shown_text(end.detail)}" if end.detail and end.how != "stopped" else word


def work_rows(totals: tuple[LoadTotals, ...], stages: tuple[StageSpan, ...]) -> tuple[WorkRow, ...]:
    """Return one row for each load in each stage."""
    names = {stage.index: stage.name for stage in stages}
    groups: dict[tuple[int, str], list[LoadTotals]] = {}
    for item in totals:
        groups.setdefault((item.started.stage, item.started.load), []).append(item)
    return tuple(
        _work_row(shown_text(names.get(stage, str(stage))), plain_name(load), same)
        for (stage, load), same in groups.items()
    )


def _work_row(stage: str, load: str, same: list[LoadTotals]) -> WorkRow:
    amount = sum(item.amount for item in same)
    longest_s = max(item.span_s for item in same)
    return WorkRow(
        stage=stage,
        load=load,
        where=_where(same),
        steps=shown(float(sum(item.steps for item in same)), 0),
        amount=shown(amount, None),
        unit=shown_text(same[0].started.unit),
        rate=shown(amount / longest_s if longest_s > 0 else None, None),
        time=span(longest_s),
        faults=sum(item.faults for item in same),
        ended="; ".join(dict.fromkeys(item.ended for item in same)),
    )


def _where(same: list[LoadTotals]) -> str:
    cores = sorted({item.started.core for item in same if item.started.core is not None})
    if not cores:
        return "not tied to a core"
    return ("core " if len(cores) == 1 else "cores ") + ranges(cores)


def ranges(numbers: list[int]) -> str:
    """Return ascending numbers as ``0-3, 8``."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return ", ".join(str(low) if low == high else f"{low}\u2013{high}" for low, high in runs)


def core_rows(totals: tuple[LoadTotals, ...]) -> tuple[CoreRow, ...]:
    """Return one row for each core that a load was tied to."""
    groups: dict[int, list[LoadTotals]] = {}
    for item in totals:
        if item.started.core is not None:
            groups.setdefault(item.started.core, []).append(item)
    return tuple(
        CoreRow(
            core=core,
            steps=shown(float(sum(item.steps for item in same)), 0),
            faults=sum(item.faults for item in same),
            loads=", ".join(dict.fromkeys(plain_name(item.started.load) for item in same)),
        )
        for core, same in sorted(groups.items())
    )


def rate_group(view: RunView, stages: tuple[StageSpan, ...]) -> TraceGroup:
    """Return the work rate of every load over time, 100 % being its median in the same stage."""
    edges_s = _edges(view)
    starts = view.load_starts
    rates: dict[str, F64] = {}
    notes: dict[str, list[str]] = {}
    for stage in stages:
        for load in dict.fromkeys(start.load for start in starts.values() if start.stage == stage.index):
            ids = [key for key, start in starts.items() if start.load == load and start.stage == stage.index]
            rate = _rate(view, ids, edges_s)
            median = float(np.nanmedian(rate)) if np.any(np.isfinite(rate)) else 0.0
            if median <= 0:
                continue
            merged = rates.setdefault(load, np.full(len(edges_s) - 1, np.nan))
            share = 100.0 * rate / median
            rates[load] = np.where(np.isnan(share), merged, share)
            notes.setdefault(load, []).append(f"{significant(median)} {starts[ids[0]].unit}/s")
    traces = tuple(
        Trace(key=f"rate/{load}", label=plain_name(load), values=rate, shown=index < MOST_SHOWN)
        for index, (load, rate) in enumerate(rates.items())
    )
    reason = "" if traces else "no load reported work in two sweeps or more"
    middle = (edges_s[:-1] + edges_s[1:]) / 2
    return TraceGroup(
        key="rate", title="Work rate, share of the load's median in the same stage", unit="%", t_s=middle, traces=traces,
        reason=reason,
    )  # fmt: skip


def _edges(view: RunView) -> F64:
    end_s = max(view.end_ns / 1e9, 1e-3)
    windows = max(1, min(_MOST_WINDOWS, int(end_s / _SHORTEST_WINDOW_S)))
    return np.linspace(0.0, end_s, windows + 1)


def _rate(view: RunView, load_ids: list[str], edges_s: F64) -> F64:
    """Return the summed rate in each window that lies wholly inside a load's reported time, NaN elsewhere."""
    total = np.full(len(edges_s) - 1, np.nan)
    for load_id in load_ids:
        columns = view.work.get(load_id)
        if columns is None or len(columns.t_ns) < 2:
            continue
        t_s = columns.t_ns / 1e9
        inside = (edges_s[:-1] >= t_s[0]) & (edges_s[1:] <= t_s[-1])
        amounts = np.interp(edges_s, t_s, columns.amount)
        rate = np.where(inside, np.diff(amounts) / np.diff(edges_s), np.nan)
        total = np.where(np.isnan(total), rate, np.where(np.isnan(rate), total, total + rate))
    return total
