from __future__ import annotations

import pytest

from burnin.criteria.combined_soak import PLUGIN


def _judge(told):
    return PLUGIN.judge(told.builder.close().view(), {})


def test_both_at_work_to_the_planned_end_passes(tell):
    (finding,) = _judge(tell().all())
    assert (finding.outcome, finding.slug, finding.subject) == ("pass", "ran", "both")
    assert finding.observed == pytest.approx(20.0)
    assert finding.values["cpu_loads"] == finding.values["memory_loads"] == 1


@pytest.mark.parametrize("reason", ["operator", "safety", "fault", "cut_off"])
def test_an_early_end_is_open(tell, reason):
    (finding,) = _judge(tell().stage(2, reason=reason))
    assert (finding.outcome, finding.slug) == ("inconclusive", "not_to_its_end")


def test_loads_that_took_turns_were_not_together(tell):
    told = tell()
    run = told.builder.stage(2, "both")
    run.load("a", "matrix", stage=2, core=0).load("b", "memory_patterns", stage=2, core=1)
    for turn in ({"a": 10.0, "b": 0.0}, {"a": 0.0, "b": 10.0}):
        run.sweeps_at([told.row(told.plan.stages[2])] * 120, every_s=5.0, work=turn)
    run.end_stage(2, "both")
    (finding,) = _judge(told)
    assert (finding.outcome, finding.slug) == ("inconclusive", "not_together")
    assert finding.observed < 1


def test_a_stage_without_work_did_not_run(tell):
    (finding,) = _judge(tell().stage(2, rate=0.0))
    assert (finding.slug, finding.observed) == ("not_together", 0.0)


def test_no_combined_stage_is_open(tell):
    (finding,) = _judge(tell().stage(1))
    assert (finding.outcome, finding.slug, finding.required) == ("inconclusive", "no_stage", True)
