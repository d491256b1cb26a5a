from __future__ import annotations

import numpy as np
import pytest

from burnin.calc.control import Chart, Standing
from burnin.calc.refusal import Refusal
from burnin.records.channels import Channel
from burnin.records.events import InstrumentReading
from burnin.records.plan import Plan, Stage
from burnin.review.family import (
    PER_PACKAGE_WATT,
    PER_WALL_WATT,
    Build,
    family_chart,
    family_figures,
    place_build,
)
from burnin.testing.run_builder import RunBuilder

CPU = Channel(id="t", source="s", quantity="temperature", label="Processor", role="cpu_hottest")
POWER = Channel(id="p", source="s", quantity="power", label="Package", role="cpu_power")
HOT = Stage(name="hot", kind="soak", duration_s=200.0)
PLAN = Plan(format=1, name="p", title="P", stages=(HOT,))
ROOM = InstrumentReading(name="room", value=22.0, unit="degC", uncertainty=0.3)
WALL = InstrumentReading(name="wall_power", value=250.0, unit="W", moment="hot", uncertainty=2.0)


def _run(channels=(CPU, POWER), row=(62.0, 200.0), readings=(ROOM,), plan=PLAN):
    run = RunBuilder(plan).machine(channels).add(*readings)
    for index, stage in enumerate(plan.stages):
        run.stage(index, stage.name).sweeps_at([row] * 200).end_stage(index, stage.name)
    return run.view()


def _named(view):
    return {(one.stage, one.name): one.level for one in family_figures(view)}


class TestKelvinPerWatt:
    def test_rise_above_the_room_over_package_and_wall_power(self):
        found = _named(_run(readings=(ROOM, WALL)))
        assert found["hot", PER_PACKAGE_WATT].mean == pytest.approx(40 / 200)
        assert found["hot", PER_WALL_WATT].mean == pytest.approx(40 / 250)
        room_u = 0.3 / 3**0.5
        assert found["hot", PER_PACKAGE_WATT].u == pytest.approx(room_u / 200)

    def test_not_without_room_power_or_temperature(self):
        assert _named(_run(readings=())) == {}
        assert _named(_run(channels=(CPU,), row=(62.0,))) == {}
        assert _named(_run(channels=(POWER,), row=(200.0,))) == {}
        assert _named(_run(row=(62.0, 0.0))) == {}

    def test_power_at_the_wall_counts_only_when_it_is_clear_which_stage_it_is_from(self):
        cold = InstrumentReading(name="wall_power", value=60.0, unit="W", moment="idle")
        assert list(_named(_run(readings=(ROOM, cold)))) == [("hot", PER_PACKAGE_WATT)]
        two = Plan(
            format=1,
            name="p",
            title="P",
            stages=(HOT, Stage(name="hotter", kind="combined", duration_s=200.0)),
        )
        assert list(_named(_run(readings=(ROOM, WALL), plan=two))) == [
            ("hot", PER_PACKAGE_WATT),
            ("hotter", PER_PACKAGE_WATT),
        ]


def _builds(values):
    return [Build(run_id=f"r{number}", value=value) for number, value in enumerate(values)]


class TestCharts:
    def test_under_eight_builds_there_are_none(self):
        chart = family_chart(_builds([0.2] * 7))
        assert isinstance(chart.singles, Refusal)
        assert (chart.singles.observed, chart.singles.needed) == (7, 8)
        assert isinstance(chart.slow, Refusal)

    def test_with_eight_the_single_builds_have_limits_and_the_weighted_mean_not_yet(self):
        chart = family_chart(_builds(np.random.default_rng(1).normal(0.2, 0.01, 8)))
        assert isinstance(chart.singles, Chart)
        assert isinstance(chart.slow, Refusal)

    def test_a_part_batch_that_runs_hotter_is_flagged_soon_after_it_begins(self):
        """Two standard deviations more from the 21st build on: an EWMA of weight 0.2 shows it within a few builds."""
        found = []
        for seed in range(200):
            values = np.random.default_rng(seed).normal(0.2, 0.01, 40)
            values[20:] += 0.02
            drifting = family_chart(_builds(values)).drifting
            late = [int(name[1:]) for name in drifting if int(name[1:]) >= 20]
            found.append(min(late, default=99))
        assert np.mean(np.array(found) <= 30) > 0.9

    def test_a_family_without_drift_is_seldom_flagged(self):
        """The limits rest on eight builds only, so a false flag within 16 further ones is not rare, but not usual."""
        flagged = 0
        for seed in range(500):
            values = np.random.default_rng(seed).normal(0.2, 0.01, 24)
            flagged += bool(family_chart(_builds(values)).drifting)
        assert flagged / 500 < 0.3


class TestPlacing:
    SISTERS = tuple(np.random.default_rng(3).normal(0.2, 0.01, 24))

    @pytest.mark.parametrize(
        ("value", "answer"),
        [(0.2, "among"), (0.245, "far_above"), (0.155, "far_below"), (float("nan"), "unknown")],
    )
    def test_among_or_far_off(self, value, answer):
        placed = place_build(value, self.SISTERS)
        assert placed.answer == answer
        assert isinstance(placed.standing, Refusal if answer == "unknown" else Standing)

    def test_few_sisters_say_nothing(self):
        placed = place_build(0.9, self.SISTERS[:7])
        assert (placed.answer, placed.standing.slug) == ("unknown", "too-few-builds")

    def test_a_sister_is_called_far_off_in_one_of_a_hundred(self):
        rng = np.random.default_rng(11)
        draws = rng.normal(0, 1, (4000, 13))
        far = sum(place_build(row[0], row[1:]).answer != "among" for row in draws)
        assert 0.005 < far / 4000 < 0.016
