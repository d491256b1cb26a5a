"""What the fault-free hours prove: an upper bound on the fault rate of each load, for information."""

from __future__ import annotations

from typing import Final

from burnin.calc.run_facts import hot_runs, loads_in, time_at_work_s, worked
from burnin.calc.statistics import fault_rate_upper
from burnin.plugin.contracts import CriterionSpec, Param
from burnin.records.events import FaultFound, LoadStarted
from burnin.records.findings import Finding
from burnin.records.plan import Scalar
from burnin.records.view import RunView

_NAME: Final = "fault_rate_bound"
_CONFIDENCE: Final = 0.95


class FaultRateBound:
    """One-sided upper bound from the chi-square distribution (NIST/SEMATECH e-Handbook 8.4.5.1).

    It holds per hour of this load, at this setting and temperature; it says nothing about a life-time.
    """

    spec: Final = CriterionSpec(
        title="What the fault-free time proves",
        params=(
            Param(name="confidence", default=_CONFIDENCE, about="one-sided confidence", low=0.5, high=0.999),
        ),
    )

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:
        """Return one finding per kind of load; it never decides."""
        confidence = float(params.get("confidence", _CONFIDENCE))
        names = dict.fromkeys(load.load for _, load in view.of(LoadStarted))
        found = tuple(_bound(view, name, confidence=confidence) for name in names)
        none = Finding(criterion=_NAME, slug="no_load", outcome="inconclusive", required=False)
        return found or (none,)


def _bound(view: RunView, name: str, *, confidence: float) -> Finding:
    span_s = 0.0
    for run in hot_runs(view):
        ids = tuple(load.load_id for load in loads_in(view, run) if load.load == name)
        span_s += time_at_work_s(view, run, flags=worked(view, ids))
    faults = [entry.seq for entry, fault in view.of(FaultFound) if fault.load == name]
    bound = fault_rate_upper(len(faults), span_s / 3600, confidence=confidence) if span_s > 0 else None
    slug = "with_faults" if faults else "fault_free"
    return Finding(
        criterion=_NAME,
        slug=slug if bound is not None else "no_time",
        outcome="pass" if bound is not None and not faults else "inconclusive",
        required=False,
        subject=name,
        values={
            "hours": span_s / 3600,
            "faults": len(faults),
            "confidence_pct": 100 * confidence,
            "one_in_h": 0.0 if bound is None else 1 / bound,
        },
        observed=bound,
        unit="per h",
        evidence=tuple(faults[:50]),
    )


PLUGIN: Final = FaultRateBound()
