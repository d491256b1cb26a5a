"""A hot stage reached its steady temperature, by the reading rule of a standard."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from burnin.calc.run_facts import StageRun, during, hot_runs
from burnin.calc.steady import DEFAULT_RULE, RULES, Steadiness, SteadyRule, find_steady
from burnin.plugin.contracts import CriterionSpec, Param
from burnin.records.channels import Channel
from burnin.records.findings import Finding
from burnin.records.plan import Scalar
from burnin.records.view import RunView

_NAME: Final = "steady_state"
_BY_NAME: Final = {rule.name: rule for rule in RULES}
_SLUGS: Final = {
    "steady": "steady",
    "steady-not-kept": "not_kept",
    "still-changing": "still_changing",
    "too-short": "too_short",
    "gaps": "gaps",
}


class SteadyState:
    """At least one hot stage must have become steady: its last readings differ by no more than the rule allows.

    The default rule is three readings five minutes apart within 1 K (IEC 61810-7).
    """

    spec: Final = CriterionSpec(
        title="Steady temperature in the hot stage",
        params=(
            Param(
                name="rule",
                default=DEFAULT_RULE.name,
                about="the standard whose reading rule decides",
                choices=tuple(_BY_NAME),
            ),
        ),
    )

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:
        """Return one finding: the hot stage that came nearest, on the processor's hottest reading, else the coolant."""
        rule = _BY_NAME.get(str(params.get("rule", DEFAULT_RULE.name)), DEFAULT_RULE)
        channel = _channel(view)
        runs = hot_runs(view)
        if channel is None or not runs:
            slug = "no_soak" if channel else "no_sensor"
            return (
                Finding(criterion=_NAME, slug=slug, outcome="inconclusive", values={"rule": rule.source}),
            )
        found = [_stage(view, run, channel=channel, rule=rule) for run in runs]
        return (min(found, key=_distance),)


def _channel(view: RunView) -> Channel | None:
    for role in ("cpu_hottest", "cpu_core", "coolant"):
        for channel in view.channels:
            if channel.role == role and channel.quantity == "temperature":
                return channel
    return None


def _stage(view: RunView, run: StageRun, *, channel: Channel, rule: SteadyRule) -> Finding:
    inside = during(view, run.span)
    t_s, keep = np.unique((view.t_ns[inside] - run.span.start_ns) / 1e9, return_index=True)
    temps = view.good(channel.id)[inside][keep]
    steadiness = find_steady(t_s, temps, rule)
    return Finding(
        criterion=_NAME,
        slug=_SLUGS.get(steadiness.slug, "gaps"),
        outcome="pass" if steadiness.slug == "steady" else "inconclusive",
        subject=channel.label,
        values={
            "rule": rule.source,
            "readings": rule.count,
            "apart_min": rule.span_s / 60,
            "within_k": rule.change_k,
            "length_min": run.span.span_s / 60,
            "needed_min": rule.length_s / 60,
            "in_stage": run.span.name,
            **_figures(steadiness),
        },
        observed=_change_k(t_s, temps, rule),
        limit=rule.change_k,
        unit="K",
        evidence=run.span.seqs,
        stage=run.span.name,
    )


def _figures(steadiness: Steadiness) -> dict[str, Scalar]:
    figures: dict[str, Scalar] = {}
    if steadiness.since_s is not None:
        figures["after_min"] = steadiness.since_s / 60
    if steadiness.slope_k_per_h is not None and math.isfinite(steadiness.slope_k_per_h):
        figures["slope_k_per_h"] = steadiness.slope_k_per_h
    return figures


def _change_k(
    t_s: np.ndarray[tuple[int], np.dtype[np.float64]],
    temps: np.ndarray[tuple[int], np.dtype[np.float64]],
    rule: SteadyRule,
) -> float | None:
    """Return how far the last readings lie apart, taken at the rule's distances; None where one is missing."""
    if not len(t_s):
        return None
    readings = []
    for back in range(rule.count):
        moment = t_s[-1] - back * rule.span_s
        near = temps[(t_s > moment - 10.0) & (t_s <= moment)]
        near = near[np.isfinite(near)]
        if not len(near):
            return None
        readings.append(float(np.mean(near)))
    return max(readings) - min(readings)


def _distance(finding: Finding) -> tuple[bool, float]:
    return finding.outcome != "pass", math.inf if finding.observed is None else finding.observed


PLUGIN: Final = SteadyState()
