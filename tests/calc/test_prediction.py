"""The room model against a simulated machine whose power grows with its temperature."""

import math

import numpy as np
import pytest

from burnin.calc import prediction as own
from burnin.calc.prediction import Conditions, Measured, OperatingPoint
from burnin.calc.refusal import Refusal

GOOD = Conditions(
    steady=True, inlet_measured=True, power_change=0.01, clock_change=0.002, fans="fixed", throttled_share=0.0
)
POINT = OperatingPoint(temp_c=Measured(value=64.0, u=0.5), inlet_c=Measured(value=24.0, u=0.3))


def settled(inlet_c, *, growth):
    """Temperature at which 40 K of rise at 64 degrees, growing by ``growth`` per kelvin, balances."""
    temp = 64.0
    for _ in range(200):
        temp = inlet_c + 40 * (1 + growth * (temp - 64.0))
    return temp


def test_resistance_is_rise_over_power():
    # JESD51-1: theta = (T_J - T_A) / P (from memory).
    found = own.thermal_resistance(
        Measured(value=64, u=0.5), Measured(value=24, u=0.3), power_w=Measured(value=160, u=4)
    )
    assert found.value == pytest.approx(0.25)
    draws = np.random.default_rng(1).normal((64, 24, 160), (0.5, 0.3, 4), (200_000, 3))
    assert found.u == pytest.approx(np.std((draws[:, 0] - draws[:, 1]) / draws[:, 2]), rel=0.02)


@pytest.mark.parametrize(("power", "u"), [(0.0, 0.0), (-5.0, 1.0), (2.0, 1.0), (math.nan, 1.0)])
def test_no_power_no_resistance(power, u):
    found = own.thermal_resistance(POINT.temp_c, POINT.inlet_c, power_w=Measured(value=power, u=u))
    assert isinstance(found, Refusal)
    assert found.slug == "no-power"


@pytest.mark.parametrize("growth", [0.0, 0.001, 0.0015, 0.003])
def test_the_customers_room_lies_within_the_interval(growth):
    found = own.predict_at_room(POINT, GOOD, room_c=32.0)
    assert found.low_c <= settled(32.0, growth=growth) <= found.high_c
    assert found.shift_k == 8.0
    assert found.value_c > 72.0  # never better than one kelvin per kelvin


def test_without_growth_the_prediction_is_one_kelvin_per_kelvin():
    point = OperatingPoint(
        temp_c=POINT.temp_c,
        inlet_c=POINT.inlet_c,
        growth_per_k=Measured(value=0, u=0),
        rest_k=Measured(value=0.4, u=0.2),
    )
    found = own.predict_at_room(point, GOOD, room_c=32.0)
    assert found.value_c == pytest.approx(72.4)
    assert found.u_k == pytest.approx(math.sqrt(0.25 + 0.09 + 0.04))
    assert (found.low_c, found.high_c) == pytest.approx((72.4 - 2 * found.u_k, 72.4 + 2 * found.u_k))


def test_uncertainty_grows_with_the_distance():
    near, far = (own.predict_at_room(POINT, GOOD, room_c=room).u_k for room in (25.0, 40.0))
    assert far > 1.5 * near


def test_room_at_the_limit_is_the_inverse_of_the_prediction():
    found = own.room_at_limit(POINT, GOOD, limit_c=80.0)
    back = own.predict_at_room(POINT, GOOD, room_c=found.value_c)
    assert back.value_c == pytest.approx(80.0)
    safe = own.predict_at_room(POINT, GOOD, room_c=found.low_c)
    assert safe.high_c == pytest.approx(80.0, abs=0.3)


@pytest.mark.parametrize(
    ("change", "slug"),
    [
        ({"steady": False}, "not-steady"),
        ({"inlet_measured": False}, "inlet-air-not-measured"),
        ({"fans": "free"}, "fans-not-fixed"),
        ({"power_change": 0.06}, "power-not-steady"),
        ({"power_change": math.nan}, "power-not-steady"),
        ({"clock_change": -0.03}, "clock-not-steady"),
        ({"clock_change": math.nan}, "clock-not-steady"),
        ({"throttled_share": 0.001}, "throttled"),
        ({"throttled_share": math.nan}, "throttled"),
    ],
)
def test_what_did_not_stand_still_forbids_the_prediction(change, slug):
    values = {name: getattr(GOOD, name) for name in Conditions.__dataclass_fields__}
    poor = Conditions(**{**values, **change})
    for found in (
        own.predict_at_room(POINT, poor, room_c=30.0),
        own.room_at_limit(POINT, poor, limit_c=70.0),
    ):
        assert isinstance(found, Refusal)
        assert found.slug == slug


def test_modelled_fans_are_no_obstacle():
    values = {name: getattr(GOOD, name) for name in Conditions.__dataclass_fields__}
    assert own.obstacle(Conditions(**{**values, "fans": "modelled"})) is None


def test_far_rooms_are_refused():
    for found in (
        own.predict_at_room(POINT, GOOD, room_c=45.0),
        own.room_at_limit(POINT, GOOD, limit_c=100.0),
    ):
        assert isinstance(found, Refusal)
        assert (found.slug, found.needed) == ("room-too-far", 20.0)


def test_a_growth_that_runs_away_is_an_error():
    wild = OperatingPoint(temp_c=POINT.temp_c, inlet_c=POINT.inlet_c, growth_per_k=Measured(value=0.02, u=0))
    with pytest.raises(ValueError, match="no steady state"):
        own.predict_at_room(wild, GOOD, room_c=30.0)
