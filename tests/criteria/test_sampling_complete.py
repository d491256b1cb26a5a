from __future__ import annotations

import pytest

from burnin.criteria.sampling_complete import PLUGIN
from burnin.records.channels import Channel
from burnin.records.events import SamplingTrouble
from burnin.records.plan import Stage


def _judge(told, **params):
    return PLUGIN.judge(told.builder.close().view(), params)


def test_sweeps_in_time_pass(tell):
    (finding,) = _judge(tell().all())
    assert (finding.outcome, finding.slug) == ("pass", "complete")
    assert finding.values["sweeps"] == 540
    assert finding.limit == pytest.approx(15.0)


@pytest.mark.parametrize(("gap_s", "outcome"), [(10.0, "pass"), (11.0, "inconclusive")])
def test_a_gap_longer_than_three_periods_is_missing_evidence(tell, gap_s, outcome):
    told = tell()
    run = told.builder.stage(0, "rest").sweeps_at([(35.0, 4500.0, 3.0)] * 20, every_s=5.0)
    run.wait(gap_s).sweeps_at([(35.0, 4500.0, 3.0)] * 20, every_s=5.0).end_stage(0, "rest")
    (finding,) = _judge(told)
    assert finding.outcome == outcome
    if outcome != "pass":
        assert (finding.slug, finding.observed, finding.values["gaps"]) == ("gaps", pytest.approx(16.0), 1)


def test_the_longest_gap_is_a_parameter(tell):
    told = tell()
    told.builder.stage(0, "rest").sweeps_at([(35.0, 4500.0, 3.0)] * 4, every_s=5.0).wait(20).end_stage(
        0, "rest"
    )
    assert _judge(told, gap_periods=5.0)[0].outcome == "pass"


def test_a_stage_without_a_sweep_is_a_gap_and_a_run_without_one_is_none(tell):
    told = tell().stage(0)
    told.builder.stage(1, "hot").wait(600).end_stage(1, "hot")
    assert _judge(told)[0].slug == "gaps"
    assert _judge(tell())[0].slug == "no_sweeps"


@pytest.mark.parametrize(
    ("whats", "outcome"),
    [
        (("overrun", "overrun"), "pass"),
        (("ended", "restarted"), "pass"),
        (("ended",), "inconclusive"),
        (("gap",), "inconclusive"),
    ],
)
def test_reported_troubles_are_counted(tell, whats, outcome):
    told = tell().all()
    told.builder.add(*(SamplingTrouble(what=what, detail="slow driver") for what in whats))
    (finding,) = _judge(told)
    assert finding.outcome == outcome
    assert finding.values["late"] == whats.count("overrun")
    assert finding.values["detail"] == "slow driver"
    assert len(finding.evidence) == len(whats)


FROZEN = {"rest": (35.0, 4500.0, 3.0), "hot": (35.0, 4500.0, 3.0), "both": (35.0, 4500.0, 3.0)}


def test_a_sensor_that_stands_still_while_the_load_changes_is_named(tell):
    _, still = _judge(tell(rows=FROZEN).all())
    assert (still.outcome, still.slug, still.subject, still.observed) == (
        "inconclusive",
        "stood_still",
        "Processor",
        35.0,
    )


def test_a_constant_sensor_without_a_change_of_load_says_nothing(tell):
    assert len(_judge(tell(rows=FROZEN).stage(1))) == 1


def test_only_sensors_that_must_move_are_held_to_it(tell):
    board = Channel(id="b", source="s", quantity="temperature", label="Board", role="board")
    rows = dict.fromkeys(("rest", "hot"), (30.0,))
    stages = (
        Stage(name="rest", kind="idle", duration_s=300.0),
        Stage(name="hot", kind="soak", duration_s=300.0),
    )
    assert len(_judge(tell(*stages, channels=(board,), rows=rows).all())) == 1
