"""A soak with processor and memory loaded at the same time ran to its planned end."""

from __future__ import annotations

from typing import Final

from burnin.calc.run_facts import (
    PLANNED_ENDS,
    StageRun,
    loads_in,
    resource_of,
    stage_runs,
    time_at_work_s,
    worked,
)
from burnin.plugin.contracts import CriterionSpec, Param
from burnin.records.findings import Finding
from burnin.records.plan import Scalar
from burnin.records.view import RunView

_NAME: Final = "combined_soak"
_SHARE: Final = 0.9
_START_S: Final = 10.0


class CombinedSoak:
    """Parts that hold alone can fail together: only the record of both working at once counts."""

    spec: Final = CriterionSpec(
        title="Combined soak of processor and memory",
        params=(
            Param(
                name="share",
                default=_SHARE,
                about="share of the stage in which both must be seen at work",
                low=0.5,
                high=1.0,
            ),
        ),
    )

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:
        """Return one finding per combined stage; inconclusive when there is none."""
        share = float(params.get("share", _SHARE))
        found = tuple(
            _stage(view, run, share=share) for run in stage_runs(view) if run.plan.kind == "combined"
        )
        return found or (Finding(criterion=_NAME, slug="no_stage", outcome="inconclusive"),)


def _stage(view: RunView, run: StageRun, *, share: float) -> Finding:
    ids: dict[str, tuple[str, ...]] = {"cpu": (), "memory": ()}
    for load in loads_in(view, run):
        resource = resource_of(load)
        ids[resource] = (*ids.get(resource, ()), load.load_id)
    both = worked(view, ids["cpu"]) & worked(view, ids["memory"])
    both_s = time_at_work_s(view, run, flags=both)
    needed_s = share * max(run.span.span_s - _START_S, 0.0)
    if run.span.reason not in PLANNED_ENDS:
        slug = "not_to_its_end"
    elif both_s > 0 and both_s >= needed_s:
        slug = "ran"
    else:
        slug = "not_together"
    return Finding(
        criterion=_NAME,
        slug=slug,
        outcome="pass" if slug == "ran" else "inconclusive",
        subject=run.span.name,
        values={
            "length_min": run.span.span_s / 60,
            "reason": run.span.reason,
            "cpu_loads": len(ids["cpu"]),
            "memory_loads": len(ids["memory"]),
        },
        observed=both_s / 60,
        limit=needed_s / 60,
        unit="min",
        margin=(both_s - needed_s) / 60,
        evidence=run.span.seqs,
        stage=run.span.name,
    )


PLUGIN: Final = CombinedSoak()
