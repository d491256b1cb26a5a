"""The machine was under load for the workshop's minimum time."""

from __future__ import annotations

from typing import Final

from burnin.calc.run_facts import hot_runs, loads_in, time_at_work_s, worked
from burnin.plugin.contracts import CriterionSpec, Param
from burnin.records.findings import Finding
from burnin.records.plan import Scalar
from burnin.records.view import RunView

_SHARE: Final = 0.99


class MinimumTime:
    """Counts only time in which the record shows work done: time out of condition is no test time (MIL-STD-750F, 4.5)."""

    spec: Final = CriterionSpec(
        title="Minimum time under load",
        params=(
            Param(
                name="share",
                default=_SHARE,
                about="share of the minimum that must be reached; the rest is starting and stopping of loads",
                low=0.9,
                high=1.0,
            ),
        ),
    )

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:
        """Return one finding: a pass, or inconclusive with the minutes there are."""
        runs = hot_runs(view)
        total_s = 0.0
        for run in runs:
            ids = tuple(load.load_id for load in loads_in(view, run))
            total_s += time_at_work_s(view, run, flags=worked(view, ids))
        needed = view.opened.plan.minimum_minutes
        enough = total_s > 0 and total_s / 60 >= float(params.get("share", _SHARE)) * needed
        return (
            Finding(
                criterion="minimum_time",
                slug="reached" if enough else "too_short",
                outcome="pass" if enough else "inconclusive",
                values={
                    "hot_stages": len(runs),
                    "planned_min": sum(run.span.span_s for run in runs) / 60,
                },
                observed=total_s / 60,
                limit=needed,
                unit="min",
                margin=total_s / 60 - needed,
                evidence=tuple(seq for run in runs for seq in run.span.seqs)[:50],
            ),
        )


PLUGIN: Final = MinimumTime()
