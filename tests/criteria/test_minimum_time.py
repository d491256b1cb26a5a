from __future__ import annotations

import pytest

from burnin.criteria.minimum_time import PLUGIN
from burnin.records.plan import Shape


def _judge(told, **params):
    (finding,) = PLUGIN.judge(told.builder.close().view(), params)
    return finding


def test_time_under_load_is_counted_in_the_hot_stages_only(tell):
    finding = _judge(tell().all())
    assert (finding.outcome, finding.slug) == ("pass", "reached")
    assert finding.observed == pytest.approx(40.0)
    assert finding.margin == pytest.approx(10.0)


def test_too_little_time_is_open(tell):
    finding = _judge(tell(minimum_minutes=60.0).all())
    assert (finding.outcome, finding.slug) == ("inconclusive", "too_short")


def test_the_share_left_for_starting_is_a_parameter(tell, one_stage):
    told = tell(one_stage(), minimum_minutes=10.2).all()
    assert _judge(told, share=0.98).outcome == "pass"
    assert _judge(tell(one_stage(), minimum_minutes=10.2).all()).outcome == "inconclusive"


def test_time_without_work_does_not_count(tell):
    finding = _judge(tell().stage(1, rate=0.0).stage(2))
    assert finding.observed == pytest.approx(20.0)
    assert finding.values["planned_min"] == pytest.approx(40.0)


def test_a_load_that_stops_working_in_the_middle_counts_to_there(tell, one_stage):
    told = tell(one_stage())
    run = told.builder.stage(0, "only").load("0.matrix.0", "matrix", stage=0, core=0)
    run.sweeps_at([told.row(told.plan.stages[0])] * 60, every_s=5.0, work={"0.matrix.0": 10.0})
    run.sweeps_at([told.row(told.plan.stages[0])] * 60, every_s=5.0, work={"0.matrix.0": 0.0})
    run.end_stage(0, "only")
    assert _judge(told).observed == pytest.approx(5.0)


def test_a_pulsed_load_counts_through_its_pauses(tell, one_stage):
    told = tell(one_stage(shape=Shape(kind="pulsed", period_s=40.0)))
    run = told.builder.stage(0, "only").load("0.matrix.0", "matrix", stage=0, core=0)
    for rate in (10.0, 0.0) * 15:
        run.sweeps_at([told.row(told.plan.stages[0])] * 4, every_s=5.0, work={"0.matrix.0": rate})
    run.end_stage(0, "only")
    assert _judge(told).observed == pytest.approx(10.0)


def test_no_record_is_no_time_even_when_nothing_is_asked(tell):
    finding = _judge(tell(minimum_minutes=0.0))
    assert (finding.outcome, finding.observed) == ("inconclusive", 0.0)
