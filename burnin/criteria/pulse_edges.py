"""In pulsed stages all cores switched together. For information: it rejects nothing."""

from __future__ import annotations

from typing import Final

from burnin.calc.run_facts import StageRun, stage_runs
from burnin.plugin.contracts import CriterionSpec, Param
from burnin.records.events import PulsesMeasured
from burnin.records.findings import Finding
from burnin.records.plan import Scalar
from burnin.records.view import RunView

_NAME: Final = "pulse_edges"
_MOST_MS: Final = 5.0


class PulseEdges:
    """A pulse tries the supply only if the cores switch at the same moment; how far apart they were is measured."""

    spec: Final = CriterionSpec(
        title="Pulses reach all cores at once",
        params=(
            Param(
                name="most_ms",
                default=_MOST_MS,
                about="farthest apart that 99 % of the edges may be, ms",
                low=0.1,
                high=1000.0,
            ),
        ),
    )

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:
        """Return one finding for each pulsed stage that ran."""
        most_ms = float(params.get("most_ms", _MOST_MS))
        measured = {event.stage: (entry.seq, event) for entry, event in view.of(PulsesMeasured)}
        pulsed = [run for run in stage_runs(view) if run.plan.shape.kind == "pulsed"]
        if not pulsed:
            return (Finding(criterion=_NAME, slug="no_pulses", outcome="not_applicable", required=False),)
        return tuple(_judged(run, measured.get(run.span.index), most_ms=most_ms) for run in pulsed)


def _judged(run: StageRun, found: tuple[int, PulsesMeasured] | None, *, most_ms: float) -> Finding:
    if found is None:
        return Finding(
            criterion=_NAME,
            slug="not_measured",
            outcome="inconclusive",
            required=False,
            values={"in_stage": run.span.name},
            evidence=run.span.seqs,
            stage=run.span.name,
        )
    seq, event = found
    together = event.apart_p99_ms <= most_ms
    return Finding(
        criterion=_NAME,
        slug="together" if together else "apart",
        outcome="pass" if together else "inconclusive",
        required=False,
        values={
            "in_stage": run.span.name,
            "pulses": event.pulses,
            "loads": event.loads,
            "late_ms": event.late_p99_ms,
            "most_apart_ms": event.apart_most_ms,
        },
        observed=event.apart_p99_ms,
        limit=most_ms,
        unit="ms",
        margin=most_ms - event.apart_p99_ms,
        evidence=(seq,),
        stage=run.span.name,
    )


PLUGIN: Final = PulseEdges()
