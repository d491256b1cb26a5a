"""A liquid-cooled machine held its filled loop, dry at every fitting, before the first soak."""

from __future__ import annotations

from typing import Final

from burnin.calc.liquid_cooling import liquid_cooled
from burnin.plugin.contracts import CriterionSpec, Param
from burnin.records.events import LeakHold
from burnin.records.findings import Finding
from burnin.records.plan import Scalar
from burnin.records.view import RunView

_NAME: Final = "leak_hold"
_LEAST_MIN: Final = 30.0


class LeakHoldRule:
    """The operator's word, with times, fittings and name: a program sees no drop.

    A machine is liquid-cooled when the plan says so, or when the order's cooler does by its words. The shortest hold is
    our choice; workshops hold from half an hour to a night (common practice).
    """

    spec: Final = CriterionSpec(
        title="Leak hold before the first soak",
        params=(
            Param(name="least_min", default=_LEAST_MIN, about="shortest hold, min", low=0.0, high=10080.0),
        ),
    )

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:
        """Return one finding; not applicable where neither plan nor order speaks of liquid and no hold was given."""
        least_min = float(params.get("least_min", _LEAST_MIN))
        holds = list(view.of(LeakHold))
        if holds:
            entry, hold = holds[-1]
            return (_held(hold, entry.seq, least_min),)
        liquid = liquid_cooled(view.opened.plan, view.opened.order)
        return (
            Finding(
                criterion=_NAME,
                slug="not_answered" if liquid else "not_liquid",
                outcome="inconclusive" if liquid else "not_applicable",
                required=liquid,
            ),
        )


def _held(hold: LeakHold, seq: int, least_min: float) -> Finding:
    enough = hold.hold_min >= least_min
    return Finding(
        criterion=_NAME,
        slug="held" if enough else "too_short",
        outcome="pass" if enough else "inconclusive",
        values={
            "start": hold.start,
            "end": hold.end,
            "hours": hold.hold_min / 60,
            "dry_at": hold.dry_at,
            "who": hold.who,
        },
        observed=hold.hold_min,
        limit=least_min,
        unit="min",
        margin=hold.hold_min - least_min,
        evidence=(seq,),
    )


PLUGIN: Final = LeakHoldRule()
