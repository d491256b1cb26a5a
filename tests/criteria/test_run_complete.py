from __future__ import annotations

import pytest

from burnin.criteria.run_complete import PLUGIN
from burnin.records.events import RunRecovered, SafetyTripped


def _judge(builder):
    (finding,) = PLUGIN.judge(builder.view(), {})
    assert finding.safety
    return finding


def test_a_run_that_did_every_stage_passes(tell):
    finding = _judge(tell().all().builder.close())
    assert (finding.outcome, finding.slug) == ("pass", "complete")
    assert finding.values["stages"] == finding.values["planned"] == 3


@pytest.mark.parametrize("reason", ["fault", "safety", "cut_off"])
def test_a_stage_that_ended_early_is_missing(tell, reason):
    run = tell().stage(0).stage(1).stage(2, reason=reason).builder
    assert _judge(run.close()).slug == "stages_missing"
    assert _judge(tell().builder.close()).slug == "stages_missing"
    assert _judge(tell(stages=()).builder.close()).slug == "stages_missing"


@pytest.mark.parametrize(
    ("reason", "slug"),
    [
        ("operator", "by_operator"),
        ("fault", "after_fault"),
        ("trouble", "trouble"),
        ("else", "ended_otherwise"),
    ],
)
def test_other_ends_leave_it_open(tell, reason, slug):
    finding = _judge(tell().all().builder.close(reason))
    assert (finding.outcome, finding.slug) == ("inconclusive", slug)


@pytest.mark.parametrize(
    ("whys", "outcome"),
    [(["value"], "fail"), (["quiet"], "inconclusive"), (["quiet", "rise"], "fail"), ([], "fail")],
)
def test_a_safety_stop_fails_unless_only_a_sensor_went_quiet(tell, whys, outcome):
    run = tell().builder.add(*(SafetyTripped(why=why) for why in whys)).close("safety")
    assert (_judge(run).outcome, _judge(run).slug) == (outcome, "for_safety")


def test_a_run_that_breaks_off_fails_and_says_where(tell):
    finding = _judge(tell().stage(0).stage(1, end=False).builder)
    assert (finding.outcome, finding.slug) == ("fail", "cut_off")
    assert finding.values == {
        "last_s": pytest.approx(1500.0),
        "in_stage": "hot",
        "loads": 1,
        "running": "matrix",
        "restarted": "not known",
        "cause": "none found",
        "causes": 0,
    }


def test_an_empty_run_fails_as_cut_off(tell):
    finding = _judge(tell().builder)
    assert (finding.slug, finding.values["in_stage"], finding.values["running"]) == (
        "cut_off",
        "no stage",
        "no load",
    )


@pytest.mark.parametrize(
    ("same_boot", "orderly", "slug", "outcome", "restarted"),
    [
        (False, False, "cut_off", "fail", "yes"),
        (False, True, "shut_down", "inconclusive", "yes"),
        (True, None, "harness_ended", "inconclusive", "no"),
    ],
)
def test_recovery_says_whether_the_machine_restarted(tell, same_boot, orderly, slug, outcome, restarted):
    run = tell().stage(1, end=False).builder
    anchor = run.view().opened.anchor
    run.add(RunRecovered(anchor=anchor, same_boot=same_boot, orderly=orderly, causes=("mce: bank 5",)))
    finding = _judge(run.close("cut_off"))
    assert (finding.slug, finding.outcome, finding.values["restarted"]) == (slug, outcome, restarted)
    assert finding.values["cause"] == "mce: bank 5"
