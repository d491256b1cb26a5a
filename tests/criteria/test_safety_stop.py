from __future__ import annotations

import pytest

from burnin.criteria.safety_stop import PLUGIN
from burnin.records.events import SafetyArmed, SafetyTripped


def test_a_watched_run_without_a_trip_passes(tell):
    (finding,) = PLUGIN.judge(tell().arm().builder.close().view(), {})
    assert (finding.outcome, finding.slug) == ("pass", "watched")
    assert finding.values == {"channels": 1, "period_s": 0.2}


@pytest.mark.parametrize("note", ["", "no sensor found"])
def test_nothing_watched_is_shown_and_decides_nothing(tell, note):
    run = tell().builder.add(SafetyArmed(period_s=0.2, quiet_s=5.0, note=note))
    (finding,) = PLUGIN.judge(run.view(), {})
    assert (finding.outcome, finding.slug, finding.required) == ("inconclusive", "nothing_watched", False)
    assert finding.values["reason"] == (note or "no sensor has a limit to watch")


def test_never_armed_is_nothing_watched(tell):
    (finding,) = PLUGIN.judge(tell().builder.view(), {})
    assert finding.slug == "nothing_watched"


@pytest.mark.parametrize("why", ["value", "rise", "pump"])
def test_a_crossed_limit_fails(tell, why):
    trip = SafetyTripped(why=why, channel="hwmon/die/temp1", value=96.0, limit=95.0, unit="degC")
    (finding,) = PLUGIN.judge(tell().arm().builder.add(trip).view(), {})
    assert (finding.outcome, finding.slug, finding.subject) == ("fail", why, "Processor")
    assert (finding.observed, finding.limit, finding.margin) == (96.0, 95.0, -1.0)


def test_a_pump_below_its_limit_is_outside_too(tell):
    trip = SafetyTripped(why="pump", channel="x", value=100.0, limit=600.0, unit="rpm")
    assert PLUGIN.judge(tell().builder.add(trip).view(), {})[0].margin == -500.0


@pytest.mark.parametrize(
    ("why", "slug"), [("quiet", "quiet"), ("watch_lost", "watch_lost"), ("later", "tripped")]
)
def test_a_quiet_sensor_or_a_lost_watch_leaves_it_open(tell, why, slug):
    trip = SafetyTripped(why=why, channel="gone", detail="no reading for 5 s")
    (finding,) = PLUGIN.judge(tell().builder.add(trip).view(), {})
    assert (finding.outcome, finding.slug, finding.subject, finding.margin) == (
        "inconclusive",
        slug,
        "gone",
        None,
    )
    assert finding.required
