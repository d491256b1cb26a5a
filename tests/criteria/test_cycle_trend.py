from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from burnin.calc.cycles import cycles, planned_cycles, resistance_k_w, trend_of
from burnin.criteria.cycle_trend import PLUGIN
from burnin.records.channels import Channel
from burnin.records.plan import LoadUse, Stage

DIE = Channel(id="d", source="h", quantity="temperature", label="Processor", role="cpu_hottest")
WATER = Channel(id="w", source="h", quantity="temperature", label="Coolant", role="coolant")
AIR = Channel(id="a", source="h", quantity="temperature", label="Air", role="ambient")
POWER = Channel(id="p", source="e", quantity="power", label="Power", role="cpu_power")
CORES = tuple(
    Channel(id=f"c{n}", source="h", quantity="temperature", label=f"Core {n}", role="cpu_core")
    for n in (0, 1)
)
CHANNELS = (DIE, WATER, POWER, *CORES)
LOADS = (LoadUse(load="matrix"),)


def plan_stages(count: int) -> list[Stage]:
    stages = [Stage(name="rest", kind="idle", duration_s=3600.0)]
    for number in range(count):
        stages.append(Stage(name=f"hot {number}", duration_s=7200.0, loads=LOADS))
        stages.append(Stage(name=f"cool {number}", kind="dwell", duration_s=3600.0))
    return stages


def run(tell, resistances, *, spreads=None, channels=CHANNELS, cut=None):
    stages = plan_stages(len(resistances))
    told = tell(*stages, channels=channels, sample_hz=1 / 120)
    rng = np.random.default_rng(11)
    spreads = spreads or [4.0] * len(resistances)
    hot = iter(zip(resistances, spreads, strict=True))
    for index, stage in enumerate(stages):
        if cut is not None and index >= cut:
            break
        told.builder.stage(index, stage.name)
        resistance, spread = next(hot) if stage.loads else (0.2, 1.0)
        watts = 150.0 if stage.loads else 15.0
        rows = []
        for _ in range(round(stage.longest_s / 20)):
            noise = rng.normal(0, 0.2, 4)
            die = 35.0 + resistance * watts + noise[0]
            full = (die, 35.0 + noise[1], watts, die - spread + noise[2], die + noise[3])
            rows.append(full[: len(channels)])
        told.builder.sweeps_at(rows, every_s=20.0).end_stage(index, stage.name)
    return told.builder.view()


def judge(view, **params):
    return {finding.slug.partition("_")[0]: finding for finding in PLUGIN.judge(view, params)}


def test_a_cooler_that_stays_as_it_was_passes(tell):
    rng = np.random.default_rng(2)
    found = judge(run(tell, list(0.20 + rng.normal(0, 0.0005, 10))))
    assert (found["resistance"].outcome, found["resistance"].slug) == ("pass", "resistance_kept")
    assert found["resistance"].values["first"] == pytest.approx(0.20, abs=0.003)
    assert (found["spread"].outcome, found["spread"].slug) == ("pass", "spread_kept")


def test_paste_that_is_pumped_out_cycle_by_cycle_is_found(tell):
    view = run(tell, list(np.linspace(0.20, 0.24, 10)), spreads=list(np.linspace(4.0, 12.0, 10)))
    found = judge(view)
    resistance, spread = found["resistance"], found["spread"]
    assert (resistance.outcome, resistance.slug, resistance.required) == ("fail", "resistance_grew", True)
    # from 0.20 to 0.24 K/W is 0.04 of a mean of 0.22: 18.2 %
    assert resistance.observed == pytest.approx(18.2, abs=0.7)
    assert resistance.values["span_h"] == pytest.approx(27.0)
    assert (spread.outcome, spread.slug) == ("fail", "spread_grew")
    assert spread.observed == pytest.approx(8.0, abs=0.3)


def test_scatter_wider_than_the_limit_stays_open(tell):
    found = judge(run(tell, [0.20, 0.24, 0.19, 0.23]))
    assert (found["resistance"].outcome, found["resistance"].slug) == ("inconclusive", "resistance_open")
    assert not found["resistance"].required


def test_the_limits_can_be_set(tell):
    view = run(tell, list(np.linspace(0.20, 0.24, 10)))
    assert judge(view, most_pct=30.0)["resistance"].outcome == "pass"


@pytest.mark.parametrize(
    ("channels", "slug"),
    [
        ((WATER,), "resistance_no_temperature"),
        ((DIE,), "resistance_no_reference"),
        ((DIE, WATER), "resistance_no_power"),
    ],
)
def test_what_is_not_there_to_form_a_resistance(tell, channels, slug):
    findings = PLUGIN.judge(run(tell, [0.2] * 3, channels=channels), {})
    assert [(each.slug, each.required) for each in findings] == [
        (slug, False),
        ("spread_no_temperature", False),
    ]


def test_ambient_air_serves_where_there_is_no_coolant(tell):
    view = run(tell, [0.2] * 3, channels=(DIE, AIR, POWER))
    assert trend_of(view, resistance_k_w(view)).values[0] == pytest.approx(0.2, abs=0.002)


def test_a_run_that_ended_after_two_cycles_has_no_trend(tell):
    found = judge(run(tell, [0.2] * 4, cut=5))
    assert (found["resistance"].slug, found["resistance"].values["cycles"]) == (
        "resistance_too_few_cycles",
        2,
    )
    assert found["spread"].slug == "spread_too_few_cycles"


def test_a_plan_without_cycles_is_out_of_scope(tell):
    (finding,) = PLUGIN.judge(run(tell, [0.2] * 2), {})
    assert (finding.outcome, finding.slug, finding.values["cycles"]) == ("not_applicable", "no_cycles", 2)
    empty = tell(Stage(name="rest", kind="idle", duration_s=60.0))
    assert planned_cycles(empty.plan) == 0
    assert cycles(empty.builder.view()) == ()


def test_a_cycle_without_power_or_temperature_gives_no_figure(tell):
    view = run(tell, [0.2] * 3)
    figure = resistance_k_w(view)
    first = cycles(view)[0]
    assert figure(first) == pytest.approx(0.2, abs=0.002)
    idle = view.values.copy()
    idle[:, 2] = 0.0
    assert resistance_k_w(replace(view, values=idle))(first) is None
    blind = view.values.copy()
    blind[:, 1] = np.nan
    assert resistance_k_w(replace(view, values=blind))(first) is None
