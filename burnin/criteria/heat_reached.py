"""How near the loads came to the processor's sustained power limit. For information: it rejects nothing."""

from __future__ import annotations

from typing import Final

from burnin.calc.power_ranking import Drawn, power_ranking, sustained_limit_w
from burnin.plugin.contracts import CriterionSpec, Param
from burnin.records.findings import Finding
from burnin.records.plan import Scalar
from burnin.records.view import RunView

_NAME: Final = "heat_reached"
_SHARE: Final = 0.9


class HeatReached:
    """Ranks the loads by the package power they drew; below 90 % of the sustained limit the worst case was not tested.

    The limit is the plan's ``sustained_w``, else the order's processor power, else what the hardware reports.
    """

    spec: Final = CriterionSpec(
        title="Sustained power reached",
        params=(
            Param(name="share", default=_SHARE, about="least share of the limit", low=0.1, high=1.0),
            Param(
                name="sustained_w", default=0.0, about="sustained limit, W; 0 takes the known one", low=0.0
            ),
        ),
    )

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:
        """Return one finding on the load that drew most."""
        ranked = power_ranking(view)
        if not ranked:
            return (_open("no_power", {}),)
        values: dict[str, Scalar] = {"loads": _name(ranked[0]), "power_w": ranked[0].power_w}
        values["ranking"] = ", ".join(f"{_name(each)} {each.power_w:.0f} W" for each in ranked)
        limit_w = _limit_w(view, float(params.get("sustained_w", 0.0)))
        if limit_w is None:
            return (_open("no_limit", values),)
        least, share = 100 * float(params.get("share", _SHARE)), 100 * ranked[0].power_w / limit_w
        return (
            Finding(
                criterion=_NAME,
                slug="reached" if share >= least else "below",
                outcome="pass" if share >= least else "inconclusive",
                required=False,
                values={**values, "limit_w": limit_w},
                observed=share,
                limit=least,
                unit="%",
                margin=share - least,
                evidence=ranked[0].seqs,
                stage=ranked[0].stage,
            ),
        )


def _limit_w(view: RunView, planned_w: float) -> float | None:
    order = view.opened.order
    promised_w = None if order is None else order.targets.cpu_power_w
    return planned_w or promised_w or sustained_limit_w(view)


def _name(drawn: Drawn) -> str:
    return " with ".join(drawn.loads)


def _open(slug: str, values: dict[str, Scalar]) -> Finding:
    return Finding(criterion=_NAME, slug=slug, outcome="inconclusive", required=False, values=values)


PLUGIN: Final = HeatReached()
