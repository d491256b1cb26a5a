"""Two runs in one chart: stage beside stage, both on the same time and value axes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from burnin.records.view import F64, RunView, StageSpan
from burnin.report.chart import Chart, chart
from burnin.report.traces import Trace, TraceGroup, trace_groups
from burnin.report.words import shortened

_MOST_PAIRS: Final = 3
_MOST_POINTS: Final = 20_000
_FARTHEST_STEPS: Final = 1.5
_SIDES: Final = ("before", "after")


def common_stages(before: RunView, after: RunView) -> tuple[tuple[StageSpan, StageSpan], ...]:
    """Return the stages that both runs have, in the order of the first."""
    later = {(span.index, span.name): span for span in after.stage_spans()}
    return tuple(
        (span, later[span.index, span.name])
        for span in before.stage_spans()
        if (span.index, span.name) in later
    )


def slots(pairs: tuple[tuple[StageSpan, StageSpan], ...]) -> tuple[StageSpan, ...]:
    """Return one span for each pair of stages, as long as the longer of the two, one after another from 0."""
    found, start_ns = [], 0
    for number, (first, second) in enumerate(pairs):
        length_ns = max(first.end_ns - first.start_ns, second.end_ns - second.start_ns, 1)
        found.append(
            StageSpan(
                index=number,
                name=first.name,
                start_ns=start_ns,
                end_ns=start_ns + length_ns,
                reason="",
                seqs=(),
            )
        )
        start_ns += length_ns
    return tuple(found)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Axis:
    """The common time axis.

    Attributes:
        slots: Where each pair of stages lies on it.
        own: The stages of the first and of the second run.
        grid_s: Points of the grid.
        step_s: Distance between two of them.
    """

    slots: tuple[StageSpan, ...]
    own: tuple[tuple[StageSpan, ...], tuple[StageSpan, ...]]
    grid_s: F64
    step_s: float

    @property
    def end_s(self) -> float:
        """End of the axis."""
        return self.slots[-1].end_ns / 1e9 if self.slots else 0.0


def overlay_charts(before: RunView, after: RunView) -> tuple[Chart, ...]:
    """Return a chart for each quantity: the telling channels that both runs have, each once from either run.

    Stages are laid beside each other from their beginnings. Readings are drawn at the nearest point of a common grid, the
    usual step of the coarser run or wider, and never farther than one and a half steps away: gaps stay open.
    """
    axis = _axis(before, after)
    groups = zip(trace_groups(before), trace_groups(after), strict=True)
    return tuple(
        chart(_overlaid(first, second, axis), axis.slots, end_s=axis.end_s, height=205)
        for first, second in groups
    )


def _axis(before: RunView, after: RunView) -> _Axis:
    pairs = common_stages(before, after)
    places = slots(pairs)
    end_s = places[-1].end_ns / 1e9 if places else 0.0
    step_s = max(_usual_step_s(before), _usual_step_s(after), end_s / _MOST_POINTS)
    own = (tuple(first for first, _ in pairs), tuple(second for _, second in pairs))
    return _Axis(slots=places, own=own, grid_s=np.arange(0.0, end_s, step_s), step_s=step_s)


def _usual_step_s(view: RunView) -> float:
    return max(float(np.median(np.diff(view.t_ns))) / 1e9, 1e-3) if len(view.t_ns) > 1 else 1.0


def _overlaid(first: TraceGroup, second: TraceGroup, axis: _Axis) -> TraceGroup:
    empty = TraceGroup(key=first.key, title=first.title, unit=first.unit, t_s=axis.grid_s)
    if first.reason or second.reason:
        which = "in the first run: " if first.reason else "in the second run: "
        return replace(empty, reason=which + (first.reason or second.reason))
    later = {trace.key: trace for trace in second.traces}
    lines = []
    for number, trace in enumerate(one for one in first.traces if one.key in later):
        for side, group, one in ((0, first, trace), (1, second, later[trace.key])):
            values = _on_grid(one.values, group.t_s, axis=axis, side=side)
            label = f"{_SIDES[side]}: {shortened(one.label, 18)}"
            lines.append(
                Trace(key=f"{_SIDES[side]}/{one.key}", label=label, values=values, shown=number < _MOST_PAIRS)
            )
    kept = tuple(line for line in lines if np.any(np.isfinite(line.values)))
    if not kept:
        return replace(empty, reason="no channel gave a usable value in a stage that both runs have")
    return replace(empty, traces=kept)


def _on_grid(values: F64, t_s: F64, *, axis: _Axis, side: int) -> F64:
    """Return the reading nearest to each point of the grid, NaN where the nearest is too far away."""
    out = np.full(len(axis.grid_s), np.nan)
    for place, own in zip(axis.slots, axis.own[side], strict=True):
        inside = (t_s >= own.start_ns / 1e9) & (t_s <= own.end_ns / 1e9)
        points = (axis.grid_s >= place.start_ns / 1e9) & (axis.grid_s < place.end_ns / 1e9)
        if inside.any() and points.any():
            times = t_s[inside] - own.start_ns / 1e9
            wanted = axis.grid_s[points] - place.start_ns / 1e9
            after = np.clip(np.searchsorted(times, wanted), 0, len(times) - 1)
            before = np.maximum(after - 1, 0)
            near = np.where(np.abs(times[before] - wanted) <= np.abs(times[after] - wanted), before, after)
            close = np.abs(times[near] - wanted) <= _FARTHEST_STEPS * axis.step_s
            out[points] = np.where(close, values[inside][near], np.nan)
    return out
