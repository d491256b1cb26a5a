from __future__ import annotations

import numpy as np
import pytest

from burnin.calc.run_facts import (
    cut_off,
    hot_runs,
    hot_sweeps,
    load_subject,
    resource_of,
    stage_runs,
    time_at_work_s,
    unended_loads,
    work_between,
    worked,
)
from burnin.records.events import LoadStarted, Resumed, RunRecovered
from burnin.records.plan import LoadUse, Plan, Stage
from burnin.testing.run_builder import RunBuilder

PLAN = Plan(
    format=1,
    name="t",
    title="T",
    stages=(
        Stage(name="rest", kind="idle", duration_s=10.0),
        Stage(name="hot", kind="soak", duration_s=10.0, loads=(LoadUse(load="matrix"),)),
    ),
)


def _load(load="matrix", **fields):
    return LoadStarted(load_id="1.x.0", load=load, stage=1, **fields)


@pytest.mark.parametrize(
    ("load", "resource"),
    [
        (_load("matrix"), "cpu"),
        (_load("memory_patterns"), "memory"),
        (_load("storage_blocks"), "storage"),
        (_load("graphics_heat"), "graphics"),
        (_load("anything", notes={"resource": "memory"}), "memory"),
        (_load("matrix", notes={"resource": ""}), "cpu"),
        (_load("matrix", notes={"resource": 3}), "cpu"),
    ],
)
def test_what_a_load_loads_is_noted_or_named(load, resource):
    assert resource_of(load) == resource


def test_a_load_without_a_core_is_called_by_its_name():
    assert load_subject(_load()) == "matrix"
    assert load_subject(_load(core=3)) == "matrix on core 3"


def test_stages_the_plan_does_not_know_are_left_out_and_one_told_twice_counts_once():
    run = (
        RunBuilder(PLAN).stage(7, "ghost").stage(1, "hot").wait(5).stage(1, "hot").wait(5).end_stage(1, "hot")
    )
    (only,) = stage_runs(run.view())
    assert (only.span.name, only.span.span_s) == ("hot", 10.0)
    assert hot_runs(run.view()) == (only,)


def test_sweeps_belong_to_the_stage_after_its_start_up_to_its_end():
    run = RunBuilder(PLAN).machine().stage(0, "rest").sweeps_at([()] * 3).end_stage(0, "rest")
    run.stage(1, "hot").sweeps_at([()] * 2).end_stage(1, "hot").sweeps_at([()])
    assert hot_sweeps(run.view()).tolist() == [False, False, False, True, True, False]


def _worked(rates):
    run = RunBuilder(PLAN).machine().stage(1, "hot").load("a", "matrix", stage=1)
    for rate in rates:
        run.sweeps_at([()], work={"a": rate})
    view = run.end_stage(1, "hot").view()
    return view, worked(view, ("a", "unknown"))


def test_a_sweep_shows_work_when_the_steps_went_up():
    view, flags = _worked([5.0, 0.0, 5.0, 5.0])
    assert flags.tolist() == [True, False, True, True]
    assert time_at_work_s(view, stage_runs(view)[0], flags=flags) == pytest.approx(4.0)


def test_a_pause_longer_than_three_sweeps_does_not_count():
    view, flags = _worked([5.0, 5.0, 0.0, 0.0, 0.0, 5.0, 5.0])
    assert time_at_work_s(view, stage_runs(view)[0], flags=flags) == pytest.approx(3.0)


def test_no_work_is_no_time_however_short_the_stage():
    view, flags = _worked([0.0, 0.0])
    assert time_at_work_s(view, stage_runs(view)[0], flags=flags) == 0.0


def test_work_between_sweeps_is_interpolated():
    view, _ = _worked([5.0, 7.0])
    assert work_between(view.work["a"], np.array([1.0, 1.5, 2.0])).tolist() == [5.0, 8.5, 12.0]


def test_how_a_run_was_cut_off():
    run = RunBuilder(PLAN)
    anchor = run.view().opened.anchor
    assert cut_off(run.view()) == "reset"
    assert cut_off(RunBuilder(PLAN).close().view()) == ""
    assert cut_off(RunBuilder(PLAN).close("cut_off").view()) == "reset"
    assert cut_off(RunBuilder(PLAN).add(RunRecovered(anchor=anchor, same_boot=True)).view()) == "harness"
    assert cut_off(RunBuilder(PLAN).add(RunRecovered(anchor=anchor, orderly=True)).view()) == "orderly"
    assert cut_off(RunBuilder(PLAN).add(RunRecovered(anchor=anchor, orderly=False)).view()) == "reset"


def test_loads_without_an_end_are_told_with_the_restart_that_followed():
    run = RunBuilder(PLAN).load("a", "matrix", stage=1).end_load("a").load("b", "matrix", stage=1)
    anchor = run.view().opened.anchor
    run.add(Resumed(anchor=anchor), RunRecovered(anchor=anchor)).load("c", "matrix", stage=1)
    (first, load, restart), (_, later, none) = unended_loads(run.view())
    assert (load.load_id, restart.seq - first.seq) == ("b", 1)
    assert (later.load_id, none) == ("c", None)
