"""What the shipped plans promise: a baseline before the heat, cooling after it, cycles over days."""

from __future__ import annotations

import pytest

from burnin.calc.cycles import planned_cycles
from burnin.plan.loader import SHIPPED_PLANS, load_plan, shipped
from burnin.plan.rules import KnownPlugins
from burnin.plugin.discovery import discover
from burnin.records.plan import Plan

HOUR_S = 3600.0


def loaded(name: str) -> Plan:
    known = KnownPlugins(
        loads={each.name: each.plugin.spec for each in discover("loads")},
        criteria={each.name: each.plugin.spec for each in discover("criteria")},
    )
    return load_plan(name, known)[0]


@pytest.mark.parametrize("name", shipped(SHIPPED_PLANS))
def test_both_step_responses_are_there(name: str) -> None:
    stages = loaded(name).stages
    assert (stages[0].kind, stages[-1].kind) == ("idle", "cool_down")


def test_the_cycles_last_one_to_three_days_and_are_ten_or_more() -> None:
    plan = loaded("cycles-three-days")
    assert planned_cycles(plan) >= 10
    shortest_s = sum(stage.duration_s or stage.at_least_s for stage in plan.stages)
    assert 24 * HOUR_S <= shortest_s < plan.longest_s <= 72 * HOUR_S
    hot = [stage for stage in plan.stages if stage.loads]
    assert all(stage.until == "steady" for stage in hot)
    # the shortest run can still be accepted: its time under load reaches the plan's own minimum
    assert sum(stage.at_least_s for stage in hot) / 60 >= plan.minimum_minutes
