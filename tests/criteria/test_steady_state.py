from __future__ import annotations

import numpy as np
import pytest

from burnin.criteria.steady_state import PLUGIN
from burnin.records.channels import Channel
from burnin.records.plan import Stage


def _run(tell, temps, *, every_s=5.0, channels=None, kind="soak"):
    stage = Stage(name="hot", kind=kind, duration_s=every_s * len(temps))
    told = tell(stage, **({"channels": channels} if channels else {}))
    width = len(told.channels)
    rows = [(temp, 4500.0, 3.0)[:width] for temp in temps]
    told.builder.stage(0, "hot").sweeps_at(rows, every_s=every_s).end_stage(0, "hot")
    return told.builder.close().view()


def _judge(view, **params):
    (finding,) = PLUGIN.judge(view, params)
    return finding


def _climb(length_s, tau_s):
    return [float(x) for x in 30 + 40 * (1 - np.exp(-np.arange(0, length_s, 5.0) / tau_s))]


def test_a_climb_that_has_settled_passes_by_the_default_rule(tell):
    finding = _judge(_run(tell, _climb(2400, 200)))
    assert (finding.outcome, finding.slug, finding.subject) == ("pass", "steady", "Processor")
    assert finding.values["rule"] == "IEC 61810-7"
    assert finding.limit == 1.0
    assert finding.observed < 1.0
    # three readings 5 min apart within 1 K: 40 exp(-t/200)(exp(3) - 1) < 1 from t = 200 ln(40 (e^3 - 1)) = 1328 s on
    assert finding.values["after_min"] * 60 == pytest.approx(1328, abs=15)


def test_a_climb_still_under_way_says_how_far_it_was(tell):
    finding = _judge(_run(tell, _climb(1200, 600)))
    assert (finding.outcome, finding.slug) == ("inconclusive", "still_changing")
    truth = 40 * (np.exp(-590 / 600) - np.exp(-1190 / 600))
    assert finding.observed == pytest.approx(truth, abs=0.2)
    assert finding.values["slope_k_per_h"] > 10


def test_a_soak_shorter_than_the_rule_is_too_short(tell):
    finding = _judge(_run(tell, [70.0] * 60))
    assert (finding.slug, finding.observed) == ("too_short", None)
    assert finding.values["needed_min"] == 10.0


def test_steady_and_then_lost_is_not_kept(tell):
    finding = _judge(_run(tell, [70.0] * 240 + [80.0] * 10))
    assert (finding.outcome, finding.slug) == ("inconclusive", "not_kept")


def test_nothing_but_gaps_is_no_steady_state(tell):
    assert _judge(_run(tell, [None] * 240)).slug == "gaps"
    no_middle_reading = [None if 170 < k < 190 else 70.0 for k in range(240)]
    finding = _judge(_run(tell, no_middle_reading))
    assert (finding.outcome, finding.observed) == ("inconclusive", None)


def test_another_standard_can_be_asked_for(tell):
    view = _run(tell, [70.0] * 240)
    assert _judge(view, rule="iec-62282-2").values["rule"] == "IEC 62282-2"
    assert _judge(view, rule="iec-60034-1").slug == "too_short"


def test_one_hot_stage_that_became_steady_is_enough_and_the_nearest_speaks(tell):
    stages = [Stage(name=name, kind="soak", duration_s=1200.0) for name in ("first", "second")]
    told = tell(*stages)
    told.builder.stage(0, "first").sweeps_at([(t, 0.0, 0.0) for t in _climb(1200, 600)], every_s=5.0)
    told.builder.end_stage(0, "first").stage(1, "second")
    told.builder.sweeps_at([(70.0, 0.0, 0.0)] * 240, every_s=5.0).end_stage(1, "second")
    finding = _judge(told.builder.view())
    assert (finding.outcome, finding.stage) == ("pass", "second")


def test_without_a_sensor_or_a_soak_it_is_open(tell):
    clock = Channel(id="c", source="s", quantity="frequency", label="c", role="cpu_clock")
    assert _judge(_run(tell, [70.0] * 240, channels=(clock,))).slug == "no_sensor"
    assert _judge(_run(tell, [70.0] * 240, kind="idle")).slug == "no_soak"


def test_the_coolant_stands_in_for_a_processor_without_a_sensor(tell):
    coolant = Channel(id="w", source="s", quantity="temperature", label="Coolant", role="coolant")
    assert _judge(_run(tell, [35.0] * 240, channels=(coolant,))).subject == "Coolant"


def test_a_stage_without_a_sweep_is_open(tell):
    told = tell(Stage(name="hot", kind="soak", duration_s=600.0))
    told.builder.stage(0, "hot").wait(600).end_stage(0, "hot")
    assert _judge(told.builder.view()).outcome == "inconclusive"
