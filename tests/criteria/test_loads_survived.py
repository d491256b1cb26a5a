from __future__ import annotations

import msgspec
import pytest

from burnin.criteria.loads_survived import PLUGIN
from burnin.records.events import Resumed, RunRecovered


def _judge(builder):
    return PLUGIN.judge(builder.view(), {})


def test_all_loads_that_ended_as_planned_pass(tell):
    (finding,) = _judge(tell().all().builder.close())
    assert (finding.outcome, finding.slug, finding.values["loads"]) == ("pass", "survived", 3)


def test_a_run_without_a_load_is_open(tell):
    (finding,) = _judge(tell().builder.close())
    assert (finding.outcome, finding.slug) == ("inconclusive", "no_load")


@pytest.mark.parametrize(
    ("how", "detail", "slug", "outcome"),
    [
        ("signal", "", "signal", "fail"),
        ("hung", "no heartbeat for 10 s", "hung", "fail"),
        ("exit_code", "", "exit_code", "fail"),
        ("out_of_memory", "", "out_of_memory", "inconclusive"),
        ("lost_supervisor", "", "lost_supervisor", "inconclusive"),
        ("not_started", "no memory left", "not_started", "inconclusive"),
        ("exception", "replayed: same: ValueError", "exception_repeats", "inconclusive"),
        ("exception", "replayed: not repeated: ValueError", "exception_once", "fail"),
        ("exception", "not replayed: the run was over", "exception_not_replayed", "inconclusive"),
        ("exception", "", "exception_not_replayed", "inconclusive"),
    ],
)
def test_each_way_to_end_has_its_own_answer(tell, how, detail, slug, outcome):
    run = tell().builder.load("1.matrix.0", "matrix", stage=1, core=3)
    (finding,) = _judge(run.end_load("1.matrix.0", how, detail=detail, code=9).close())
    assert (finding.slug, finding.outcome, finding.subject) == (slug, outcome, "matrix on core 3")
    assert finding.values["detail"] == (detail or "no further detail")
    assert finding.required
    assert finding.safety


def test_killed_by_the_harness_at_a_stop_is_an_end_as_planned(tell):
    run = tell().builder.load("1.matrix.0", "matrix", stage=1).end_load("1.matrix.0", "killed")
    assert _judge(run.close())[0].outcome == "pass"


def test_a_second_kill_for_memory_on_the_same_core_fails(tell):
    run = tell().builder
    for number in range(2):
        load_id = f"1.memory_patterns.{number}"
        run.load(load_id, "memory_patterns", stage=1, core=0).end_load(load_id, "out_of_memory")
    first, second = _judge(run.close())
    assert (first.slug, first.outcome) == ("out_of_memory", "inconclusive")
    assert (second.slug, second.outcome) == ("out_of_memory_again", "fail")


def test_an_end_without_a_start_is_named_by_its_id(tell):
    (finding,) = _judge(tell().builder.end_load("9.matrix.4", "out_of_memory").close())
    assert finding.subject == "9.matrix.4"
    assert finding.values["code"] == "unknown"


def _cut(tell):
    return tell().stage(2, end=False).builder


def test_a_run_that_breaks_off_under_load_is_a_reset(tell):
    (finding,) = _judge(_cut(tell))
    assert (finding.slug, finding.outcome) == ("reset_under_load", "fail")
    assert finding.values["loads"] == 2
    assert finding.values["kinds"] == "matrix, memory_patterns"
    assert finding.subject == ""
    assert finding.values["last_s"] == pytest.approx(1200.0)


@pytest.mark.parametrize(
    ("same_boot", "orderly", "slug", "outcome"),
    [
        (None, None, "reset_under_load", "fail"),
        (False, False, "reset_under_load", "fail"),
        (False, True, "shut_down_under_load", "inconclusive"),
        (True, None, "harness_ended", "inconclusive"),
    ],
)
def test_recovery_tells_a_reset_from_a_killed_harness(tell, same_boot, orderly, slug, outcome):
    run = _cut(tell)
    anchor = tell().builder.view().opened.anchor
    run.add(RunRecovered(anchor=anchor, same_boot=same_boot, orderly=orderly)).close("cut_off")
    (finding,) = _judge(run)
    assert (finding.slug, finding.outcome) == (slug, outcome)


def test_a_load_without_an_end_in_a_closed_run_is_open(tell):
    run = tell().builder.load("1.matrix.0", "matrix", stage=1, core=0)
    (finding,) = _judge(run.close())
    assert (finding.slug, finding.outcome, finding.subject) == ("no_end", "inconclusive", "matrix on core 0")


def test_a_restart_under_load_in_a_run_that_went_on_is_a_reset(tell):
    run = tell().builder.load("1.matrix.0", "matrix", stage=1, core=0)
    anchor = msgspec.structs.replace(run.view().opened.anchor, boot_id="b")
    (finding,) = _judge(run.add(Resumed(anchor=anchor, reason="unplanned")).close())
    assert (finding.slug, finding.outcome) == ("reset_under_load", "fail")
