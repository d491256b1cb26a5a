"""Heat and cool cycles: a figure for each hot stage of the same kind, and its trend over the run."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from burnin.calc.core_heat import cores_by_kind, spreads
from burnin.calc.refusal import Refusal
from burnin.calc.run_facts import HOT_KINDS, PLANNED_ENDS, StageRun, hot_runs
from burnin.calc.stage_levels import hottest_channel, settled_mean, with_role
from burnin.calc.trend import Trend, line
from burnin.records.channels import Channel
from burnin.records.plan import Plan, Stage
from burnin.records.view import RunView

FEWEST_CYCLES: Final = 3
"""A line through fewer points has no uncertainty."""

Figure = Callable[[StageRun], float | None]


@dataclass(frozen=True, kw_only=True)
class CycleTrend:
    """One figure, cycle by cycle.

    Attributes:
        hours: Middle of each cycle since the run was opened.
        values: Figure of each cycle, in the caller's unit.
        trend: Slope per hour.
        runs: The cycles that gave a figure.
    """

    hours: tuple[float, ...]
    values: tuple[float, ...]
    trend: Trend
    runs: tuple[StageRun, ...]

    @property
    def span_h(self) -> float:
        """From the first cycle to the last, hours."""
        return self.hours[-1] - self.hours[0]

    @property
    def change(self) -> float:
        """Change along the line from the first cycle to the last, in the figure's unit."""
        return self.trend.slope * self.span_h

    @property
    def change_u(self) -> tuple[float, float]:
        """The 95 % interval of ``change``."""
        low, high = self.trend.interval(0.95)
        return low * self.span_h, high * self.span_h


def _alike(stage: Stage) -> tuple[object, ...]:
    """Return what makes two hot stages comparable: kind, shape and loads with their parameters."""
    loads = tuple((use.load, use.cores, tuple(sorted(use.params.items()))) for use in stage.loads)
    return stage.kind, stage.shape, loads


def planned_cycles(plan: Plan) -> int:
    """Return how many comparable hot stages a plan has, each after a stage without load."""
    return max((len(group) for group in _groups(plan).values()), default=0)


def _groups(plan: Plan) -> dict[tuple[object, ...], list[int]]:
    found: dict[tuple[object, ...], list[int]] = {}
    for index, stage in enumerate(plan.stages):
        cooled = index > 0 and not plan.stages[index - 1].loads
        if stage.kind in HOT_KINDS and stage.shape.kind == "steady" and cooled:
            found.setdefault(_alike(stage), []).append(index)
    return found


def cycles(view: RunView) -> tuple[StageRun, ...]:
    """Return the hot stages of the largest group of comparable ones that ran to a planned end, in order."""
    groups = _groups(view.opened.plan)
    largest = max(groups.values(), key=len, default=[])
    return tuple(
        run for run in hot_runs(view) if run.span.index in largest and run.span.reason in PLANNED_ENDS
    )


def trend_of(view: RunView, figure: Figure) -> CycleTrend | Refusal:
    """Return the trend of a figure over the cycles.

    Returns:
        The trend, or a refusal ``too-few-cycles`` (cycles that gave a figure).
    """
    found = [(run, value) for run in cycles(view) if (value := figure(run)) is not None]
    if len(found) < FEWEST_CYCLES:
        return Refusal(slug="too-few-cycles", observed=len(found), needed=FEWEST_CYCLES)
    hours = tuple((run.span.start_ns + run.span.end_ns) / 2 / 3.6e12 for run, _ in found)
    values = tuple(value for _, value in found)
    fitted = line(np.array(hours), np.array(values))
    assert isinstance(fitted, Trend)
    return CycleTrend(hours=hours, values=values, trend=fitted, runs=tuple(run for run, _ in found))


def reference(view: RunView) -> Channel | None:
    """Return what the processor's rise is counted from: the coolant, else a sensor of the ambient air, else None."""
    for role in ("coolant", "ambient"):
        found = with_role(view, role, quantity="temperature")
        if found:
            return found[0]
    return None


def resistance_k_w(view: RunView) -> Figure | Refusal:
    """Return what gives a cycle's thermal resistance: (processor - reference) / power over its last quarter, K/W.

    Returns:
        The figure, or a refusal ``no-temperature``, ``no-reference`` or ``no-power``.
    """
    hottest, cold = hottest_channel(view), reference(view)
    power = with_role(view, "cpu_power", quantity="power")
    if hottest is None:
        return Refusal(slug="no-temperature")
    if cold is None:
        return Refusal(slug="no-reference")
    if not power:
        return Refusal(slug="no-power")

    def figure(run: StageRun) -> float | None:
        top, base, heat = (settled_mean(view, run, one) for one in (hottest, cold, power[0]))
        return None if top is None or base is None or not heat else (top - base) / heat

    return figure


def spread_k(view: RunView) -> Figure | Refusal:
    """Return what gives a cycle's widest core-to-core spread, K; refused as ``no-temperature`` below two sensors."""
    if max((len(channels) for channels in cores_by_kind(view).values()), default=0) < 2:
        return Refusal(slug="no-temperature")
    by_stage: dict[int, float] = {}
    for each in spreads(view):
        index = each.run.span.index
        by_stage[index] = max(by_stage.get(index, 0.0), each.spread.spread_k)
    return lambda run: by_stage.get(run.span.index)
