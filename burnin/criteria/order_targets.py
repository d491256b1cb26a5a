"""What the order promises about clock, memory speed and power, against what was measured under load."""

from __future__ import annotations

from typing import Final

import numpy as np

from burnin.plugin.contracts import CriterionSpec, Param
from burnin.records.channels import Role
from burnin.records.events import InventoryTaken
from burnin.records.findings import Finding, Outcome
from burnin.records.plan import Scalar
from burnin.records.view import F64, RunView

_NAME: Final = "order_targets"
_LOADED: Final = frozenset({"soak", "combined"})
_FEWEST: Final = 30
"""Sweeps under load below which a 5 % quantile means nothing."""


class OrderTargets:
    """A promised clock is held in 95 % of the loaded sweeps; a promised power limit is kept in 95 % of them.

    Only stages with all cores loaded count, with a steady or pulsed shape left to the plan. Clocks are averaged over the
    cores first: "all-core clock" is the trade's word for that mean.
    """

    spec: Final = CriterionSpec(
        title="Promises of the order kept",
        params=(
            Param(
                name="slack_pct",
                default=1.0,
                about="How far below (clock, speed) or above (power) a promise still counts as kept, percent",
                low=0.0,
                high=20.0,
            ),
        ),
    )

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:
        """Return one finding for each promise; not applicable without an order or promises."""
        order = view.opened.order
        slack = float(params["slack_pct"]) / 100
        targets = order.targets if order else None
        found: list[Finding] = []
        if targets and targets.memory_speed_mts is not None:
            found.append(_memory(view, targets.memory_speed_mts, slack))
        if targets and targets.cpu_clock_mhz is not None:
            found.append(_clock(view, targets.cpu_clock_mhz, slack))
        for goal, role in (
            (targets.cpu_power_w if targets else None, "cpu_power"),
            (targets.graphics_power_w if targets else None, "graphics_power"),
        ):
            if goal is not None:
                found.append(
                    _power(view, goal, slack, role="cpu_power" if role == "cpu_power" else "graphics_power")
                )
        return tuple(found) or (
            Finding(criterion=_NAME, slug="no_promise", outcome="not_applicable", required=False),
        )


def _memory(view: RunView, goal: float, slack: float) -> Finding:
    memory = view.inventory.memory
    speeds = [module.configured_mts for module in memory.modules if module.size_bytes != 0]
    evidence = tuple(entry.seq for entry, _ in view.of(InventoryTaken))[:1]
    known = [float(speed) for speed in speeds if speed is not None]
    if not known or len(known) < len(speeds):
        reason = memory.unknown.get("modules", "the firmware does not state every module's speed")
        return _open("memory speed", goal, "MT/s", {"reason": reason})
    return _held(
        "memory speed",
        min(known),
        goal,
        unit="MT/s",
        kept=min(known) >= goal * (1 - slack),
        evidence=evidence,
    )


def _loaded(view: RunView, role: Role) -> F64:
    """Return the mean over all channels of a role at each loaded sweep that has one."""
    channels = [channel.id for channel in view.channels if channel.role == role]
    stages = view.opened.plan.stages
    keep = np.zeros(len(view.t_ns), dtype=np.bool_)
    for span in view.stage_spans():
        if span.index < len(stages) and stages[span.index].kind in _LOADED:
            keep |= (view.t_ns > span.start_ns) & (view.t_ns <= span.end_ns)
    if not channels or not keep.any():
        return np.zeros(0)
    table = np.stack([view.good(channel)[keep] for channel in channels])
    whole = np.isfinite(table).any(axis=0)
    return np.asarray(np.nanmean(table[:, whole], axis=0), dtype=np.float64) if whole.any() else np.zeros(0)


def _clock(view: RunView, goal: float, slack: float) -> Finding:
    values = _loaded(view, "cpu_clock")
    if len(values) < _FEWEST:
        return _open("processor clock", goal, "MHz", {"readings": len(values), "needed": _FEWEST})
    held = float(np.quantile(values, 0.05))
    return _held("processor clock", held, goal, unit="MHz", kept=held >= goal * (1 - slack))


def _power(view: RunView, goal: float, slack: float, *, role: Role) -> Finding:
    what = "processor power" if role == "cpu_power" else "graphics power"
    values = _loaded(view, role)
    if len(values) < _FEWEST:
        return _open(what, goal, "W", {"readings": len(values), "needed": _FEWEST})
    drawn = float(np.quantile(values, 0.95))
    return _held(what, drawn, goal, unit="W", kept=drawn <= goal * (1 + slack))


def _held(
    what: str, observed: float, goal: float, *, unit: str, kept: bool, evidence: tuple[int, ...] = ()
) -> Finding:
    outcome: Outcome = "pass" if kept else "fail"
    return Finding(
        criterion=_NAME,
        slug="kept" if kept else "missed",
        outcome=outcome,
        subject=what,
        observed=round(observed, 3),
        limit=goal,
        unit=unit,
        margin=round(goal - observed if unit == "W" else observed - goal, 3),
        evidence=evidence,
    )


def _open(what: str, goal: float, unit: str, values: dict[str, Scalar]) -> Finding:
    return Finding(
        criterion=_NAME,
        slug="too_few_readings" if "readings" in values else "not_measured",
        outcome="inconclusive",
        subject=what,
        values=values,
        limit=goal,
        unit=unit,
    )


PLUGIN: Final = OrderTargets()
