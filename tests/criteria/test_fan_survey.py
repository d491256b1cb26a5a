from __future__ import annotations

import pytest

from burnin.calc.fan_follow import follower
from burnin.criteria.fan_survey import PLUGIN
from burnin.records.events import FanHeader, FanPoint, FanSurvey


def header(*speeds: tuple[float, float | None], other: float = 900.0, trouble: str = "") -> FanHeader:
    points = tuple(
        FanPoint(duty_pct=duty, rpm={"other": other, **({} if rpm is None else {"fan1": rpm})})
        for duty, rpm in speeds
    )
    return FanHeader(header="b/pwm1", points=points, trouble=trouble)


def judge(tell, *surveys):
    told = tell()
    told.builder.add(*surveys)
    return PLUGIN.judge(told.builder.view(), {})


@pytest.mark.parametrize(
    ("speeds", "outcome", "slug"),
    [
        (((100, 1800), (60, 1200), (30, 700)), "pass", "follows"),
        (((100, 1800), (60, 1200), (30, 0), (40, 0), (50, 900)), "pass", "stalls"),
        (((100, 1800), (60, 1200), (30, 0), (40, 0)), "inconclusive", "stays_still"),
        (((100, 900), (60, 890), (30, 880)), "inconclusive", "nothing_follows"),
        (((100, 90), (30, 20)), "inconclusive", "nothing_follows"),
        ((), "inconclusive", "nothing_follows"),
    ],
)
def test_what_a_header_drives(tell, speeds, outcome, slug):
    (finding,) = judge(tell, FanSurvey(headers=(header(*speeds),)))
    assert (finding.outcome, finding.slug, finding.subject, finding.required) == (
        outcome,
        slug,
        "b/pwm1",
        False,
    )


def test_stall_and_restart_are_told(tell):
    (finding,) = judge(
        tell, FanSurvey(headers=(header((100, 1800), (60, 1200), (30, 0), (40, 0), (50, 900)),))
    )
    assert (finding.values["stall_pct"], finding.values["restart_pct"]) == (40, 50)
    assert (finding.values["low_pct"], finding.values["high_rpm"]) == (30, 1800)


def test_a_speed_that_could_not_be_read_is_left_out():
    found = follower(header((100, 1800), (60, None), (30, 700)))
    assert found.speeds == {100: 1800, 30: 700}


def test_control_that_was_not_given_back_fails(tell):
    survey = FanSurvey(headers=(header((100, 1800), (30, 700)),), restored=False)
    follows, lost = judge(tell, survey)
    assert follows.slug == "follows"
    assert (lost.outcome, lost.slug, lost.required) == ("fail", "not_restored", True)


def test_a_survey_that_was_not_made_or_not_ended(tell):
    assert judge(tell)[0].outcome == "not_applicable"
    (finding,) = judge(tell, FanSurvey(reason="no rights"))
    assert (finding.slug, finding.required, finding.values["reason"]) == ("not_made", False, "no rights")
    (finding,) = judge(tell, FanSurvey(headers=(header(trouble="device gone"),)))
    assert (finding.slug, finding.values["reason"]) == ("not_stepped", "device gone")
