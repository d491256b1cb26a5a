"""The run went to its planned end; a machine that reset under it does not pass."""

from __future__ import annotations

from typing import Final

from burnin.calc.run_facts import PLANNED_ENDS, cut_off, stage_runs, unended_loads
from burnin.plugin.contracts import CriterionSpec
from burnin.records.events import OperatorStopped, RunClosed, RunRecovered, SafetyTripped
from burnin.records.findings import Finding, Outcome
from burnin.records.plan import Scalar
from burnin.records.view import RunView

_NAME: Final = "run_complete"
_CUTS: Final[dict[str, tuple[str, Outcome]]] = {
    "reset": ("cut_off", "fail"),
    "orderly": ("shut_down", "inconclusive"),
    "harness": ("harness_ended", "inconclusive"),
}
_REASONS: Final = {"operator": "by_operator", "fault": "after_fault", "trouble": "trouble"}
_QUIET: Final = frozenset({"quiet", "watch_lost"})


class RunComplete:
    """How the run ended, and whether every stage of the plan ran to its end.

    A run that breaks off without a closing line was cut off by a reset, a hang or a loss of power, unless the recovery
    shows that the machine never restarted or was shut down by somebody.
    """

    spec: Final = CriterionSpec(title="The run went to its planned end", safety=True)

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:  # noqa: ARG002 - the contract
        """Return one finding."""
        how = cut_off(view)
        if how:
            return (_cut_off(view, *_CUTS[how]),)
        closed = view.closed
        reason = closed.reason if closed else ""
        if reason == "complete":
            return (_complete(view),)
        if reason == "safety":
            trips = [event.why for _, event in view.of(SafetyTripped)]
            outcome: Outcome = "inconclusive" if trips and set(trips) <= _QUIET else "fail"
            return (_ended(view, "for_safety", outcome),)
        return (_ended(view, _REASONS.get(reason, "ended_otherwise"), "inconclusive"),)


def _ended(view: RunView, slug: str, outcome: Outcome) -> Finding:
    kinds = (OperatorStopped, SafetyTripped, RunClosed)
    return Finding(
        criterion=_NAME,
        slug=slug,
        outcome=outcome,
        values={**_where(view), "stages": len(stage_runs(view)), "planned": len(view.opened.plan.stages)},
        evidence=tuple(entry.seq for entry in view.entries if isinstance(entry.event, kinds))[-50:],
        safety=True,
    )


def _complete(view: RunView) -> Finding:
    done = {run.span.index for run in stage_runs(view) if run.span.reason in PLANNED_ENDS}
    whole = bool(done) and len(done) == len(view.opened.plan.stages)
    return _ended(view, "complete" if whole else "stages_missing", "pass" if whole else "inconclusive")


def _where(view: RunView) -> dict[str, Scalar]:
    spans = view.stage_spans()
    return {"last_s": view.end_ns / 1e9, "in_stage": spans[-1].name if spans else "no stage"}


def _cut_off(view: RunView, slug: str, outcome: Outcome) -> Finding:
    recovered = view.first(RunRecovered)
    same_boot = recovered.same_boot if recovered else None
    causes = recovered.causes if recovered else ()
    running = [load for _, load, _ in unended_loads(view)]
    return Finding(
        criterion=_NAME,
        slug=slug,
        outcome=outcome,
        values={
            **_where(view),
            "loads": len(running),
            "running": ", ".join(sorted({load.load for load in running})) or "no load",
            "restarted": {None: "not known", True: "no", False: "yes"}[same_boot],
            "cause": causes[0] if causes else "none found",
            "causes": len(causes),
        },
        evidence=tuple(entry.seq for entry in view.entries[-50:]),
        safety=True,
    )


PLUGIN: Final = RunComplete()
