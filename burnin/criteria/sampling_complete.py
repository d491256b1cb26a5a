"""The record has no holes: sweeps came in time during every stage, and no sensor stood still under a changing load."""

from __future__ import annotations

from collections import Counter
from typing import Final

import numpy as np

from burnin.calc.run_facts import GAP_PERIODS, StageRun, during, hot_sweeps, period_s, stage_runs
from burnin.plugin.contracts import CriterionSpec, Param
from burnin.records.channels import Channel
from burnin.records.events import SamplingTrouble
from burnin.records.findings import Finding
from burnin.records.plan import Scalar
from burnin.records.view import RunView

_NAME: Final = "sampling_complete"
_MOVING_ROLES: Final = frozenset({"cpu_hottest", "cpu_core", "cpu_power"})
_FEWEST: Final = 30


class SamplingComplete:
    """A hole in the record is missing evidence, and missing evidence never passes."""

    spec: Final = CriterionSpec(
        title="Sampling without gaps",
        params=(
            Param(
                name="gap_periods",
                default=GAP_PERIODS,
                about="longest time between two sweeps, in sampling periods",
                low=1.5,
                high=60.0,
            ),
        ),
    )

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:
        """Return one finding on the sweeps, and one for every sensor that stood still."""
        longest_s = float(params.get("gap_periods", GAP_PERIODS)) * period_s(view)
        runs = stage_runs(view)
        return (_sweeps(view, runs, longest_s=longest_s), *_standing(view, runs))


def _sweeps(view: RunView, runs: tuple[StageRun, ...], *, longest_s: float) -> Finding:
    gaps = [gap for run in runs for gap in _gaps_s(view, run) if gap > longest_s]
    troubles = [(entry.seq, event) for entry, event in view.of(SamplingTrouble)]
    by_kind = Counter(event.what for _, event in troubles)
    broken = bool(gaps) or by_kind["ended"] > by_kind["restarted"] or by_kind["gap"] > 0
    seen = len(view.t_ns) > 0 and bool(runs)
    return Finding(
        criterion=_NAME,
        slug=("gaps" if broken else "complete") if seen else "no_sweeps",
        outcome="pass" if seen and not broken else "inconclusive",
        values={
            "sweeps": len(view.t_ns),
            "gaps": len(gaps),
            "missing_s": float(sum(gaps)),
            "late": by_kind["overrun"],
            "ended": by_kind["ended"],
            "restarted": by_kind["restarted"],
            "reported_gaps": by_kind["gap"],
            "detail": next((event.detail for _, event in troubles if event.detail), "no further detail"),
        },
        observed=max(gaps, default=None),
        limit=longest_s,
        unit="s",
        evidence=tuple(seq for seq, _ in troubles[:50]),
    )


def _gaps_s(view: RunView, run: StageRun) -> list[float]:
    inside = view.t_ns[during(view, run.span)]
    edges = np.concatenate([[run.span.start_ns], inside, [run.span.end_ns]])
    return [float(gap) for gap in np.diff(edges) / 1e9]


def _standing(view: RunView, runs: tuple[StageRun, ...]) -> tuple[Finding, ...]:
    hot = hot_sweeps(view)
    quiet = np.zeros(len(view.t_ns), dtype=np.bool_)
    for run in runs:
        if not run.plan.loads:
            quiet |= during(view, run.span)
    found = []
    for channel in view.channels:
        if channel.role in _MOVING_ROLES:
            values = view.good(channel.id)
            cold_values, hot_values = (values[part & np.isfinite(values)] for part in (quiet, hot))
            if min(len(cold_values), len(hot_values)) >= _FEWEST:
                both = np.concatenate([cold_values, hot_values])
                if np.ptp(both) == 0:
                    found.append(_stood_still(channel, float(both[0]), count=len(both)))
    return tuple(found)


def _stood_still(channel: Channel, value: float, *, count: int) -> Finding:
    return Finding(
        criterion=_NAME,
        slug="stood_still",
        outcome="inconclusive",
        subject=channel.label,
        values={"channel": channel.id, "readings": count},
        observed=value,
        unit=channel.unit,
    )


PLUGIN: Final = SamplingComplete()
