"""The workshop's own temperature targets: this or better. A target is no limit and has no guard band."""

from __future__ import annotations

from typing import Final

from burnin.calc.guard import Tolerance, decide
from burnin.calc.hot_readings import hot_reading
from burnin.plugin.contracts import CriterionSpec
from burnin.records.channels import Channel
from burnin.records.findings import Finding
from burnin.records.plan import Scalar
from burnin.records.view import RunView

_NAME: Final = "temperature_targets"


class TemperatureTargets:
    """Simple acceptance (ILAC-G8, w = 0) of the highest good reading of the hot stages."""

    spec: Final = CriterionSpec(title="Temperature targets of the workshop")

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:  # noqa: ARG002 - the contract
        """Return one finding per target; not applicable where the plan sets none."""
        limits = view.opened.plan.limits
        goals = (
            ("Processor temperature", "cpu_hottest", limits.cpu_target_c),
            ("Graphics temperature", "graphics", limits.graphics_target_c),
        )
        found = tuple(
            _target(view, subject, goal, channels=[c for c in view.channels if c.role == role])
            for subject, role, goal in goals
            if goal is not None
        )
        none = Finding(criterion=_NAME, slug="no_target", outcome="not_applicable", required=False)
        return found or (none,)


def _target(view: RunView, subject: str, goal: float, *, channels: list[Channel]) -> Finding:
    readings = [
        reading for channel in channels if (reading := hot_reading(view, channel)).highest is not None
    ]
    hottest = max(readings, key=lambda reading: reading.highest or 0.0, default=None)
    if hottest is None or hottest.highest is None:
        slug = "no_reading" if channels else "no_sensor"
        return Finding(
            criterion=_NAME,
            slug=slug,
            outcome="inconclusive",
            required=False,
            subject=subject,
            limit=goal,
            unit="degC",
        )
    decision = decide(hottest.highest, 0.0, Tolerance(upper=goal), rule="simple")
    return Finding(
        criterion=_NAME,
        slug="met" if decision.outcome == "pass" else "missed",
        outcome=decision.outcome,
        required=False,
        advisory=True,
        subject=subject,
        observed=hottest.highest,
        limit=goal,
        unit="degC",
        margin=decision.margin,
        evidence=(hottest.seq,),
    )


PLUGIN: Final = TemperatureTargets()
