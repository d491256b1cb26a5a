"""The cores run alike under the same load: a cooler that sits badly leaves some of them much hotter."""

from __future__ import annotations

from typing import Final

from burnin.calc.core_heat import KindSpread, cores_by_kind, spreads, worst
from burnin.calc.guard import Tolerance, decide
from burnin.plugin.contracts import CriterionSpec, Param
from burnin.records.findings import Finding, Outcome
from burnin.records.plan import Scalar
from burnin.records.view import RunView

_NAME: Final = "core_spread"
_MOST_K: Final = 20.0


class CoreSpreadRule:
    """The widest difference between two cores of one kind, over the end of the stages that load all cores evenly.

    The limit is one on readings (common practice: well seated, cores of one kind read within some 5 to 15 K of each
    other, the sensors' own differences included), so only scatter and sensor steps are its uncertainty.
    """

    spec: Final = CriterionSpec(
        title="Cores alike under load",
        params=(
            Param(
                name="most_k",
                default=_MOST_K,
                about="widest difference between two cores of one kind, K (common practice)",
                low=1.0,
                high=60.0,
            ),
            Param(
                name="on_mistake",
                default="fail",
                about="What a wider difference means: fail, or advise (a pass that says so)",
                choices=("fail", "advise"),
            ),
        ),
    )

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:
        """Return one finding on the widest spread, or why there is none; then it decides nothing."""
        found = worst(spreads(view))
        if found is None:
            cores = sum(len(channels) for channels in cores_by_kind(view).values())
            slug = "no_sensors" if cores < 2 else "no_soak"
            return (
                Finding(
                    criterion=_NAME,
                    slug=slug,
                    outcome="inconclusive",
                    required=False,
                    values={"sensors": cores},
                ),
            )
        mistake: Outcome = "pass" if params.get("on_mistake") == "advise" else "fail"
        return (_finding(found, most_k=float(params.get("most_k", _MOST_K)), mistake=mistake),)


def _finding(found: KindSpread, *, most_k: float, mistake: Outcome) -> Finding:
    spread = found.spread
    half = 2 * spread.u_k + found.step_k
    zone = decide(spread.spread_k, half / 2, Tolerance(upper=most_k), rule="non-binary").outcome
    slugs = {"pass": "alike", "fail": "apart"}
    return Finding(
        criterion=_NAME,
        slug=slugs.get(zone, "open"),
        outcome=mistake if zone == "fail" else zone,
        required=zone == "fail",
        subject=found.channels[spread.hottest].label,
        values={
            "coldest": found.channels[spread.coldest].label,
            "cores": sum(mean == mean for mean in spread.means_c),  # noqa: PLR0124 - not a number equals nothing
            "hottest_c": spread.means_c[spread.hottest],
            "coldest_c": spread.means_c[spread.coldest],
            "excess_k": spread.excess_k,
            "in_stage": found.run.span.name,
            "advice": zone == "fail",
        },
        observed=spread.spread_k,
        limit=most_k,
        unit="K",
        uncertainty=half,
        margin=most_k - spread.spread_k,
        evidence=found.run.span.seqs,
    )


PLUGIN: Final = CoreSpreadRule()
