from __future__ import annotations

import pytest
from conftest_engine import swept, temperature

from burnin.engine.safety import COOLANT_RISE_C, QUIET_S, SafetyRules, trip_limits, watched
from burnin.records.channels import IMPLAUSIBLE, Channel
from burnin.records.events import TripLimit
from burnin.records.plan import Limits

S = 1_000_000_000
PUMP = Channel(id="fake/pump", source="fake", quantity="fan_speed", label="Pump", role="pump")


def rules(*channels, trip: float = 90.0) -> SafetyRules:
    limits = {channel.id: TripLimit(channel=channel.id, trip=trip, because="test") for channel in channels}
    return SafetyRules(channels, limits, now_ns=0)


def test_single_cores_are_watched_only_where_nothing_stands_for_the_cpu() -> None:
    core = temperature("core", "cpu_core")
    fan = Channel(id="f", source="fake", quantity="fan_speed", label="Fan", role="fan")
    assert watched([temperature(), core, fan, PUMP]) == (0, 3)
    assert watched([core, fan]) == (0,)


def test_limits_come_from_plan_then_hardware_then_default() -> None:
    channels = [
        temperature("a", "cpu_hottest", limit_critical=100.0),
        temperature("b", "coolant"),
        temperature("c", "graphics", limit_critical=3.0),
        temperature("d", "board"),
        temperature("e", "storage", limit_critical=84.0),
    ]
    limits = {
        limit.channel: limit
        for limit in trip_limits(channels, Limits(coolant_trip_c=50.0, trip_margin_c=4.0))
    }
    assert limits["fake/a"].trip == 96.0
    assert "critical limit 100" in limits["fake/a"].because
    assert limits["fake/b"].trip == 50.0
    assert limits["fake/b"].because == "set in the plan"
    assert limits["fake/c"].trip == 90.0
    assert "default" in limits["fake/c"].because
    assert "fake/d" not in limits
    assert limits["fake/e"].trip == 80.0


@pytest.mark.parametrize(("value", "trips"), [(89.9, False), (90.0, True), (200.0, True)])
def test_the_first_reading_at_the_limit_trips(value: float, trips: bool) -> None:
    trip = rules(temperature()).check(swept(S, value))
    assert (trip is not None) == trips
    if trip:
        assert (trip.why, trip.value, trip.limit, trip.unit, trip.read_ns) == (
            "value",
            value,
            90.0,
            "degC",
            S,
        )


def test_an_implausible_value_never_trips_by_value_but_counts_as_silence() -> None:
    watch = rules(temperature())
    assert watch.check(swept(S, 250.0, quality=[IMPLAUSIBLE])) is None
    trip = watch.check(swept(round((QUIET_S + 1) * S), 250.0, quality=[IMPLAUSIBLE]))
    assert trip is not None
    assert trip.why == "quiet"


def test_a_sensor_gone_quiet_trips_after_the_span_and_not_before() -> None:
    watch = rules(temperature())
    assert watch.check(swept(S, 40.0)) is None
    assert watch.check(swept(S + round(QUIET_S * S), None)) is None
    trip = watch.check(swept(2 * S + round(QUIET_S * S), None))
    assert trip is not None
    assert (trip.why, trip.channel) == ("quiet", "fake/cpu")
    assert "no usable value for 6.0 s" in trip.detail


def test_a_silent_watch_trips_but_no_watch_is_not_silent() -> None:
    watch = rules(temperature())
    assert watch.silent(round(QUIET_S * S)) is None
    assert watch.silent(round(QUIET_S * S) + S).why == "watch_lost"
    assert rules().silent(100 * S) is None


def test_a_pump_that_ran_and_stands_trips_one_that_never_ran_does_not() -> None:
    watch = rules(PUMP)
    assert all(watch.check(swept(n * S, 0.0)) is None for n in range(10))
    watch.check(swept(10 * S, 2400.0))
    assert watch.check(swept(11 * S, 0.0)) is None
    assert watch.check(swept(12 * S, 0.0)) is None
    trip = watch.check(swept(13 * S, 0.0))
    assert trip is not None
    assert trip.why == "pump"


def test_coolant_that_warms_too_fast_trips_and_slow_warming_does_not() -> None:
    coolant = temperature("coolant", "coolant")
    slow = rules(coolant)
    assert all(slow.check(swept(n * S, 25.0 + n * 0.1)) is None for n in range(200))
    fast = rules(coolant)
    trips = [fast.check(swept(n * S, 25.0 + n * 0.5)) for n in range(20)]
    first = next(trip for trip in trips if trip)
    assert first.why == "rise"
    assert first.value > COOLANT_RISE_C
