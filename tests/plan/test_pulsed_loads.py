from __future__ import annotations

import pytest

from burnin.plan.rules import KnownPlugins, plan_problems
from burnin.plugin.contracts import LoadSpec
from burnin.records.plan import LoadUse, Plan, Shape, Stage


def spec(finest_step_s: float) -> LoadSpec:
    return LoadSpec(
        title="t", proves="p", does_not_prove="d", resource="cpu", unit="u", finest_step_s=finest_step_s
    )


KNOWN = KnownPlugins(loads={"fine": spec(0.002), "coarse": spec(0.02)})


@pytest.mark.parametrize(
    ("load", "kind", "refused"),
    [("fine", "pulsed", False), ("coarse", "pulsed", True), ("coarse", "steady", False)],
)
def test_a_load_that_cannot_switch_finely_is_not_pulsed(load, kind, refused) -> None:
    stage = Stage(name="a", duration_s=5.0, shape=Shape(kind=kind), loads=(LoadUse(load=load),))
    problems = plan_problems(Plan(format=1, name="p", title="P", stages=(stage,)), KNOWN)
    assert bool(problems) == refused
    if refused:
        assert "its shortest step is 20 ms" in str(problems[0])
        assert problems[0].expected.endswith("or less: fine")
