from __future__ import annotations

import pytest
from scipy import stats

from burnin.criteria.fault_rate_bound import PLUGIN
from burnin.records.events import FaultFound


def _judge(tell, **params):
    return PLUGIN.judge(tell.builder.close().view(), params)


def test_fault_free_hours_bound_the_rate_of_each_load(tell):
    matrix, memory = _judge(tell().all())
    assert (matrix.subject, memory.subject) == ("matrix", "memory_patterns")
    assert matrix.values["hours"] == pytest.approx(2 / 3)
    # zero faults: -ln(0.05) = 2.996 over the time, the "rule of three" (test-length factor 2.996 at 95 %)
    assert matrix.observed == pytest.approx(2.996 / (2 / 3), rel=1e-3)
    assert memory.observed == pytest.approx(2.996 / (1 / 3), rel=1e-3)
    assert (matrix.outcome, matrix.slug, matrix.required) == ("pass", "fault_free", False)
    assert matrix.values["one_in_h"] == pytest.approx(1 / matrix.observed)


def test_faults_raise_the_bound_and_are_no_pass(tell):
    told = tell().all()
    told.builder.add(*[FaultFound(load_id="1.matrix.0", load="matrix", stage=1, fault="wrong_result")] * 2)
    matrix, _ = _judge(told, confidence=0.9)
    assert (matrix.outcome, matrix.slug, matrix.values["faults"]) == ("inconclusive", "with_faults", 2)
    assert matrix.observed == pytest.approx(stats.chi2.ppf(0.9, 6) / 2 / (2 / 3), rel=1e-6)


def test_without_time_or_load_there_is_no_bound(tell):
    (none,) = _judge(tell())
    assert (none.slug, none.required) == ("no_load", False)
    told = tell()
    told.builder.load("1.matrix.0", "matrix", stage=1)
    (no_time,) = _judge(told)
    assert (no_time.slug, no_time.outcome, no_time.observed) == ("no_time", "inconclusive", None)
