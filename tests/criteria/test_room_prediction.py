from __future__ import annotations

import msgspec
import numpy as np
import pytest

from burnin.calc.prediction import Prediction
from burnin.calc.refusal import Refusal
from burnin.calc.room_prediction import INLET_HALF_WIDTH_C, best_point, inlet_air, predicted, steady_points
from burnin.criteria.room_prediction import PLUGIN
from burnin.host.simulated_plant import Load, Plant
from burnin.records.channels import Channel
from burnin.records.events import InstrumentReading
from burnin.records.plan import Limits, LoadUse, Shape, Stage

DIE = Channel(
    id="h/die/temp1", source="h", quantity="temperature", label="Processor", role="cpu_hottest",
    accuracy=1.0, resolution=0.1, limit_critical=100.0,
)  # fmt: skip
POWER = Channel(id="e/p", source="e", quantity="power", label="Package power", role="cpu_power")
CLOCK = Channel(id="c/0", source="c", quantity="frequency", label="Clock", role="cpu_clock")
COUNT = Channel(id="t/0", source="t", quantity="count", label="Throttle", role="throttle_count")
FAN = Channel(id="b/fan1", source="h", quantity="fan_speed", label="Fan", role="fan")
CHANNELS = (DIE, POWER, CLOCK, COUNT, FAN)
ROOM = InstrumentReading(name="inlet", value=22.0, unit="degC", uncertainty=0.4, moment="hot")
STAGES = (
    Stage(name="rest", kind="idle", duration_s=300.0),
    Stage(name="hot", duration_s=2400.0, loads=(LoadUse(load="matrix"),)),
)


def heated(room_c: float, *, seed: int = 1, after_s: float = 2400.0) -> np.ndarray:
    """Die temperatures of the invented plant under full processor load, every 5 s, with noise."""
    plant = Plant(room_c=room_c)
    plant.load = Load(cpu=1.0)
    rng = np.random.default_rng(seed)
    temps = []
    for _ in range(round(after_s / 5)):
        plant.advance(5.0)
        temps.append(plant.package_c + rng.normal(0, 0.3))
    return np.array(temps)


def run(tell, *, readings=(ROOM,), channels=CHANNELS, temps=None, stages=STAGES, rows=None, **plan):
    told = tell(*stages, channels=channels, **plan)
    told.builder.add(*readings)
    width = len(channels)
    temps = heated(22.0) if temps is None else temps
    for index, stage in enumerate(stages):
        told.builder.stage(index, stage.name)
        if stage.loads:
            lines = rows or [(float(each), 120.0, 4500.0, 3.0, 1200.0)[:width] for each in temps]
        else:
            lines = [(30.0, 20.0, 1200.0, 3.0, 1200.0)[:width]] * 60
        told.builder.sweeps_at(lines, every_s=5.0).end_stage(index, stage.name)
    return told.builder.close().view()


def judge(view, **params):
    return PLUGIN.judge(view, params)


def test_the_prediction_for_a_warmer_room_covers_the_same_machine_in_that_room(tell):
    there, room = judge(run(tell))
    truth = float(np.mean(heated(32.0, seed=2, after_s=6000.0)[-120:]))
    assert (there.outcome, there.slug, there.required) == ("pass", "within", False)
    assert there.values["low_c"] <= truth <= there.values["high_c"]
    assert there.observed == pytest.approx(truth, abs=1.5)
    assert there.uncertainty < 3.0
    assert (there.values["inlet_name"], there.values["in_stage"], there.limit) == ("inlet", "hot", 95.0)
    assert (room.slug, room.outcome) == ("limit_room_far", "pass")


def test_the_room_at_the_limit_is_the_one_in_which_the_machine_reaches_it(tell):
    truth = 30.0
    limit = float(np.mean(heated(truth, after_s=6000.0)[-120:]))
    there, room = judge(run(tell, limits=Limits(cpu_c=limit)))
    assert (room.slug, room.unit) == ("limit_room", "degC")
    assert room.values["low_c"] <= truth <= room.values["high_c"]
    assert room.observed == pytest.approx(truth, abs=1.5)
    assert there.slug in {"too_near", "beyond"}
    assert there.outcome == "inconclusive"


def test_a_room_beyond_the_limit_fails_only_where_the_plan_says_so(tell):
    view = run(tell, limits=Limits(cpu_c=47.0))
    there, _ = judge(view)
    assert (there.outcome, there.slug) == ("inconclusive", "beyond")
    assert judge(view, on_beyond="fail")[0].outcome == "fail"
    passed = judge(run(tell, limits=Limits(cpu_c=20.0)))[-1]
    assert (passed.outcome, passed.slug) == ("inconclusive", "limit_room_passed")


def test_without_a_limit_the_prediction_is_only_told(tell):
    bare = msgspec.structs.replace(DIE, limit_critical=None)
    (there,) = judge(run(tell, channels=(bare, *CHANNELS[1:])))
    assert (there.outcome, there.slug, there.margin) == ("inconclusive", "no_limit", None)


ROWS = [(float(t), 120.0, 4500.0, 3.0, 1200.0) for t in heated(22.0)]


def changed(column: int, start: float, end: float) -> list[tuple[float, ...]]:
    """The rows with one column running from start to end."""
    steps = np.linspace(start, end, len(ROWS))
    return [(*row[:column], float(each), *row[column + 1 :]) for row, each in zip(ROWS, steps, strict=True)]


@pytest.mark.parametrize(
    ("change", "slug"),
    [
        ({"readings": ()}, "inlet_air_not_measured"),
        ({"readings": (msgspec.structs.replace(ROOM, unit="degF"),)}, "inlet_air_not_measured"),
        ({"temps": np.linspace(40, 70, 480)}, "not_steady"),
        ({"temps": [60.0] * 10}, "no_soak"),
        ({"temps": []}, "no_soak"),
        ({"rows": changed(1, 120, 200)}, "power_not_steady"),
        ({"rows": changed(2, 4700, 4000)}, "clock_not_steady"),
        ({"rows": changed(3, 0, 500)}, "throttled"),
        ({"rows": changed(4, 1200, 1900)}, "fans_not_fixed"),
        ({"channels": CHANNELS[:1]}, "fans_not_fixed"),
        ({"channels": CHANNELS[1:], "rows": [row[1:] for row in ROWS]}, "no_soak"),
        ({"stages": STAGES[:1]}, "no_soak"),
        ({"stages": STAGES[1:]}, "fans_not_fixed"),
        ({"rows": [(*row[:4], 0.0) for row in ROWS]}, "fans_not_fixed"),
        ({"rows": [(*row[:4], None) for row in ROWS]}, "fans_not_fixed"),
        ({"rows": [(row[0], None, *row[2:]) for row in ROWS]}, "power_not_steady"),
        ({"rows": [(*row[:3], None, row[4]) for row in ROWS]}, "throttled"),
        (
            {"stages": (STAGES[0], msgspec.structs.replace(STAGES[1], shape=Shape(kind="pulsed")))},
            "no_soak",
        ),
    ],
)  # fmt: skip
def test_anything_that_did_not_stand_still_refuses_it(tell, change, slug):
    (finding,) = judge(run(tell, **change))
    assert (finding.outcome, finding.slug, finding.required) == ("inconclusive", slug, False)


def test_fans_that_the_workshop_holds_need_no_tachometer(tell):
    view = run(tell, channels=CHANNELS[:4])
    assert judge(view)[0].slug == "fans_not_fixed"
    assert judge(view, fans="fixed")[0].slug == "within"


def test_an_empty_header_is_no_fan(tell):
    empty = msgspec.structs.replace(FAN, id="b/fan2")
    stages = (STAGES[0], STAGES[1])
    told = tell(*stages, channels=(*CHANNELS, empty))
    told.builder.add(ROOM)
    for index, stage in enumerate(stages):
        rows = [(*row, 0.0) for row in ROWS] if stage.loads else [(30.0, 20.0, 1200.0, 3.0, 1200.0, 0.0)] * 60
        told.builder.stage(index, stage.name).sweeps_at(rows, every_s=5.0).end_stage(index, stage.name)
    assert judge(told.builder.view())[0].slug == "within"


def test_a_room_too_far_is_refused_and_the_limit_still_told(tell):
    far, room = judge(run(tell), room_c=50.0)
    assert (far.slug, far.outcome) == ("room_too_far", "inconclusive")
    assert room.slug == "limit_room_far"


def test_a_refusal_without_a_sentence_of_its_own_is_told_by_its_name(tell):
    # half of the sweeps before the last ten minutes are missing: steady at the end, nothing to fit before
    rows = [
        (None if index % 8 and index < 350 else 47.0 + 0.2 * (index % 2), *row[1:])
        for index, row in enumerate(ROWS)
    ]
    (finding,) = judge(run(tell, rows=rows))
    assert (finding.slug, finding.values["refusal"]) == ("not_supported", "mostly gaps")


def test_a_die_that_settles_within_seconds_has_nothing_left_to_come(tell):
    rng = np.random.default_rng(3)
    view = run(tell, temps=60.0 + rng.normal(0, 0.2, 480))
    point = best_point(view)
    assert point.trouble is None
    assert (point.point.rest_k.value, point.point.rest_k.u) == (0.0, 0.0)


def test_a_slow_climb_leaves_something_to_come(tell):
    # tau 260 s by the plant's coolant (0.040 K/W x 6500 J/K); the rule spans 600 s: about 1 / (e^2.3 - 1) = 0.11 K at most
    rest = best_point(run(tell)).point.rest_k
    assert 0.02 < rest.value < 0.12
    assert rest.u == pytest.approx(rest.value / np.sqrt(3))


def test_the_hottest_stage_that_supports_it_speaks(tell):
    second = msgspec.structs.replace(STAGES[1], name="short", duration_s=50.0)
    view = run(tell, stages=(*STAGES, second))
    assert [each.run.span.name for each in steady_points(view)] == ["hot", "short"]


def test_readings_of_the_inlet_go_before_those_of_the_room_and_hot_ones_before_all(tell):
    cold = msgspec.structs.replace(ROOM, value=20.0, moment="start")
    room = msgspec.structs.replace(ROOM, name="room", value=30.0)
    air, name = inlet_air(run(tell, readings=(room, cold, ROOM)))
    assert (air.value, name) == (22.0, "inlet")
    assert air.u == pytest.approx(0.2)
    air, name = inlet_air(run(tell, readings=(room,)))
    assert (air.value, name) == (30.0, "room")


def test_air_measured_at_another_time_or_without_uncertainty_is_less_certain(tell):
    given = msgspec.structs.replace(ROOM, moment="given")
    assert inlet_air(run(tell, readings=(given,)))[0].u == pytest.approx(np.hypot(0.2, 0.5))
    unknown = msgspec.structs.replace(ROOM, uncertainty=None)
    assert inlet_air(run(tell, readings=(unknown,)))[0].u == pytest.approx(INLET_HALF_WIDTH_C / 2)
    other = msgspec.structs.replace(ROOM, value=23.0)
    # two readings 1 K apart: half of it over the root of 3 beside the instrument's own
    assert inlet_air(run(tell, readings=(ROOM, other)))[0].u == pytest.approx(np.hypot(0.2, 0.5 / np.sqrt(3)))


def test_the_page_for_the_customer_may_ask_too(tell):
    assert isinstance(predicted(run(tell), room_c=28.0), Prediction)
    assert predicted(run(tell, readings=()), room_c=28.0) == Refusal(slug="inlet-air-not-measured")


def test_a_sensor_that_states_nothing_is_taken_as_accurate_to_five_kelvin(tell):
    bare = msgspec.structs.replace(DIE, accuracy=None, resolution=None)
    point = best_point(run(tell, channels=(bare, *CHANNELS[1:])))
    assert point.point.temp_c.u == pytest.approx(2.5, abs=0.1)
