from __future__ import annotations

import argparse

from burnin.cli import fan_headers
from burnin.cli.fan_headers import Heat, fan_survey_of
from burnin.host.recorded import RecordedHost
from burnin.host.simulated import SimulatedHost
from burnin.records.events import FanSurvey


def test_no_survey_is_made_unless_asked_for() -> None:
    assert fan_survey_of(argparse.Namespace(fan_survey=False)) is None


def test_a_survey_says_what_it_does_and_why_it_was_not_made(monkeypatch, capsys) -> None:
    def survey(doors):
        doors.say("b/pwm1: 60 %")
        return FanSurvey(reason="no rights")

    monkeypatch.setattr(fan_headers, "survey_fans", survey)
    assert fan_survey_of(argparse.Namespace(fan_survey=True)).reason == "no rights"
    out = capsys.readouterr().out
    assert "  b/pwm1: 60 %" in out
    assert "Not surveyed: no rights." in out
    monkeypatch.setattr(fan_headers, "survey_fans", lambda doors: FanSurvey())
    assert fan_survey_of(argparse.Namespace(fan_survey=True)) == FanSurvey()


def test_the_hottest_sensor_that_matters_is_watched(tmp_path) -> None:
    host = SimulatedHost()
    heat = Heat(host)
    hottest = max(host.plant.hottest_core_c, host.plant.graphics_c, host.plant.coolant_c)
    assert abs(heat.hottest_c() - hottest) < 4
    heat.close()
    (tmp_path / "proc").mkdir()
    (tmp_path / "sys").mkdir()
    bare = Heat(RecordedHost(str(tmp_path)))
    assert bare.hottest_c() is None
    bare.close()
