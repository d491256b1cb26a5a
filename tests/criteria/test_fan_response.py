from __future__ import annotations

import pytest

from burnin.criteria.fan_response import PLUGIN
from burnin.records.channels import Channel
from burnin.records.plan import LoadUse, Stage

REST = Stage(name="rest", kind="idle", duration_s=120.0)
HOT = Stage(name="hot", duration_s=240.0, loads=(LoadUse(load="matrix"),))
CARD = Channel(id="g/gpu/temp1", source="h", quantity="temperature", label="GPU", role="graphics")


def fan(name: str = "b/fan1", role: str = "fan") -> Channel:
    return Channel(id=name, source="h", quantity="fan_speed", label=name, role=role)


def judge(tell, rest, hot, *, channels=None, stages=(REST, HOT), load="matrix", **params):
    channels = channels or (fan(),)
    told = tell(*stages, channels=channels)
    for index, stage in enumerate(stages):
        told.builder.stage(index, stage.name)
        if stage.loads:
            told.builder.load("1.x.0", load, stage=index)
        values = hot if stage.loads else rest
        rows = values if isinstance(values, list) else [(values,) * len(channels)] * 24
        told.builder.sweeps_at(rows, every_s=5.0).end_stage(index, stage.name)
    return PLUGIN.judge(told.builder.view(), params)


@pytest.mark.parametrize(
    ("rest", "hot", "outcome", "slug"),
    [
        (600.0, 1200.0, "pass", "faster"),
        (0.0, 900.0, "pass", "faster"),
        (1000.0, 1020.0, "pass", "constant"),
        (1200.0, 700.0, "pass", "slower"),
        (900.0, 0.0, "fail", "stopped"),
        (None, 900.0, "pass", "turned"),
        (900.0, None, "inconclusive", "not_read"),
        (0.0, 0.0, "inconclusive", "never_turned"),
    ],
)
def test_each_answer_of_a_fan(tell, rest, hot, outcome, slug):
    (finding,) = judge(tell, rest, hot)
    assert (finding.outcome, finding.slug) == (outcome, slug)
    assert finding.required == (slug == "stopped")


def test_a_pump_that_stops_in_the_middle_of_the_soak_is_found(tell):
    rows = [(2400.0,)] * 14 + [(0.0,)] * 10
    (finding,) = judge(tell, None, rows, channels=(fan("l/fan1", "pump"),))
    assert (finding.outcome, finding.slug, finding.values["part"]) == ("fail", "stopped", "pump")


def test_how_large_a_change_counts_can_be_set(tell):
    assert judge(tell, 1000.0, 1040.0, change_pct=2.0)[0].slug == "faster"


def test_fans_of_a_card_that_is_not_loaded_may_stand_still(tell):
    channels = (CARD, fan("g/gpu/fan1"))
    assert judge(tell, 900.0, 0.0, channels=channels)[0].slug == "no_tachometer"
    assert judge(tell, 900.0, 0.0, channels=channels, load="graphics_float")[0].slug == "stopped"


def test_without_tachometer_or_soak_nothing_is_decided(tell):
    (finding,) = judge(tell, 1.0, 1.0, channels=(CARD,))
    assert (finding.slug, finding.required) == ("no_tachometer", False)
    assert judge(tell, 900.0, 900.0, stages=(REST,))[0].slug == "no_soak"
    assert judge(tell, 900.0, 900.0, stages=(HOT,))[0].slug == "turned"
