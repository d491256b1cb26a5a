"""Over many heat and cool cycles the cooler stays as good as it was: resistance and core spread do not grow."""

from __future__ import annotations

from typing import Final, Literal

from burnin.calc.cycles import (
    FEWEST_CYCLES,
    CycleTrend,
    planned_cycles,
    resistance_k_w,
    spread_k,
    trend_of,
)
from burnin.calc.refusal import Refusal
from burnin.plugin.contracts import CriterionSpec, Param
from burnin.records.findings import Finding, Outcome
from burnin.records.plan import Scalar
from burnin.records.view import RunView

_NAME: Final = "cycle_trend"
_MOST_PCT: Final = 10.0
_MOST_K: Final = 3.0
_What = Literal["resistance", "spread"]


class CycleTrendRule:
    """A line through one figure per cycle: its change over the run, with a 95 % interval, against what is allowed.

    Fails where the whole interval lies beyond, passes where it lies within, is open otherwise. Resistance is counted
    from the coolant, else from the ambient air, at the power measured. Thermal paste that is pumped out, a pump that wears
    and a screw that works loose show here. The limits are our choice.
    """

    spec: Final = CriterionSpec(
        title="Cooling unchanged over heat cycles",
        params=(
            Param(
                name="most_pct",
                default=_MOST_PCT,
                about="largest growth of the thermal resistance over the run, % of its mean",
                low=1.0,
                high=100.0,
            ),
            Param(
                name="most_k",
                default=_MOST_K,
                about="largest growth of the core-to-core spread over the run, K",
                low=0.5,
                high=30.0,
            ),
        ),
    )

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:
        """Return one finding for resistance and one for spread; not applicable where the plan has no three cycles."""
        planned = planned_cycles(view.opened.plan)
        if planned < FEWEST_CYCLES:
            return (
                Finding(
                    criterion=_NAME,
                    slug="no_cycles",
                    outcome="not_applicable",
                    required=False,
                    values={"cycles": planned},
                ),
            )
        figures = {"resistance": resistance_k_w(view), "spread": spread_k(view)}
        limits = {
            "resistance": float(params.get("most_pct", _MOST_PCT)),
            "spread": float(params.get("most_k", _MOST_K)),
        }
        found = []
        for what in ("resistance", "spread"):
            figure = figures[what]
            trend = figure if isinstance(figure, Refusal) else trend_of(view, figure)
            found.append(
                _refused(what, trend, planned)
                if isinstance(trend, Refusal)
                else _judged(what, trend, limits[what])
            )
        return tuple(found)


def _refused(what: _What, refusal: Refusal, planned: int) -> Finding:
    return Finding(
        criterion=_NAME,
        slug=f"{what}_{refusal.slug.replace('-', '_')}",
        outcome="inconclusive",
        required=False,
        values={"planned": planned, "cycles": refusal.observed or 0.0},
    )


def _judged(what: _What, found: CycleTrend, most: float) -> Finding:
    scale = 100 / abs(found.trend.centre) if what == "resistance" and found.trend.centre else 1.0
    low, high = (edge * scale for edge in found.change_u)
    outcome: Outcome = "pass" if high <= most else "fail" if low > most else "inconclusive"
    words = {"pass": "kept", "fail": "grew", "inconclusive": "open"}
    change = found.change * scale
    return Finding(
        criterion=_NAME,
        slug=f"{what}_{words[outcome]}",
        outcome=outcome,
        required=outcome == "fail",
        values={
            "cycles": len(found.values),
            "span_h": found.span_h,
            "first": found.values[0],
            "last": found.values[-1],
            "low": low,
            "high": high,
        },
        observed=change,
        limit=most,
        unit="%" if what == "resistance" else "K",
        uncertainty=(high - low) / 2,
        margin=most - change,
        evidence=tuple(seq for run in found.runs for seq in run.span.seqs)[:50],
    )


PLUGIN: Final = CycleTrendRule()
