"""The plant against the closed form of Newton's law of cooling; its numbers are invented, its physics is not."""

from __future__ import annotations

import math

import pytest

from burnin.host.simulated_plant import COOLANT, CORES, PACKAGE, THROTTLE_C, Load, Plant


def full(**kwargs):
    plant = Plant(**kwargs)
    plant.load = Load(cpu=1.0, memory=1.0)
    return plant


def test_it_starts_settled_and_stays_so():
    plant = Plant()
    before = (plant.package_c, plant.coolant_c, plant.graphics_c, plant.power_stage_c, plant.storage_c)
    plant.advance(3600.0)
    after = (plant.package_c, plant.coolant_c, plant.graphics_c, plant.power_stage_c, plant.storage_c)
    assert after == pytest.approx(before, abs=1e-9)


def test_the_end_temperature_is_power_times_resistance_above_the_cold_side():
    plant = full(room_c=25.0)
    plant.advance(3600.0)
    heat_w = plant.cpu_power_w + plant.graphics_power_w
    assert plant.coolant_c == pytest.approx(25.0 + heat_w * COOLANT.resistance_k_w, abs=1e-3)
    assert plant.package_c == pytest.approx(
        plant.coolant_c + plant.cpu_power_w * PACKAGE.resistance_k_w, abs=1e-6
    )


@pytest.mark.parametrize("steps", [(260.0,), (0.1,) * 100 + (250.0,), (0.7,) * 371 + (0.3,)])
def test_after_one_time_constant_632_thousandths_of_the_way_are_done_however_time_is_cut(steps):
    plant = full()
    start_c = plant.coolant_c
    goal_c = plant.room_c + (plant.cpu_power_w + plant.graphics_power_w) * COOLANT.resistance_k_w
    assert COOLANT.resistance_k_w * COOLANT.capacity_j_k == pytest.approx(260.0)
    for step in steps:
        plant.advance(step)
    assert (plant.coolant_c - start_c) / (goal_c - start_c) == pytest.approx(1.0 - math.exp(-1.0), rel=1e-6)


def test_a_failed_pump_heats_the_package_by_its_power_over_its_capacity():
    plant = full(pump_fails_at_s=1000.0)
    plant.advance(1000.0 - 0.25)
    assert plant.pump_rpm == 2400.0
    plant.advance(0.25)
    assert plant.pump_rpm == 0.0
    before_c, above_k = plant.package_c, plant.package_c - plant.coolant_c
    plant.advance(0.1)
    rate = (plant.cpu_power_w - above_k / 2.0) / PACKAGE.capacity_j_k
    assert (plant.package_c - before_c) / 0.1 == pytest.approx(rate, rel=0.02)
    assert rate < 10.0  # a watch that looks five times a second sees the limit passed by less than 2 degC


def test_the_change_over_happens_at_the_failure_even_inside_one_long_step():
    coarse, fine = full(pump_fails_at_s=300.3), full(pump_fails_at_s=300.3)
    coarse.advance(305.0)
    for _ in range(3050):
        fine.advance(0.1)
    assert coarse.package_c == pytest.approx(fine.package_c, abs=0.15)


def test_heat_throttles_counts_and_lets_go():
    plant = full(pump_fails_at_s=10.0)
    plant.advance(60.0)
    assert plant.throttled
    assert plant.throttle_count >= 1
    assert plant.throttle_time_s > 0.0
    assert plant.clock_mhz == 2200.0
    assert plant.cpu_power_w == pytest.approx(18.0 + 135.0 * 0.35 + 12.0)
    plant.load = Load()
    plant.advance(120.0)
    assert not plant.throttled
    assert plant.hottest_core_c < THROTTLE_C


def test_a_sound_machine_never_throttles_under_full_load():
    plant = full(room_c=30.0)
    plant.load = Load(cpu=1.0, memory=1.0, graphics=1.0)
    plant.advance(3600.0)
    assert plant.throttle_count == 0
    assert plant.hottest_core_c < 90.0
    assert 600.0 < plant.fan_rpm <= 1600.0


def test_energy_is_power_times_time():
    plant = full()
    plant.advance(100.0)
    assert plant.cpu_energy_j == pytest.approx(100.0 * plant.cpu_power_w)


def test_cores_spread_with_the_load_and_idle_cores_do_not():
    plant = Plant()
    assert len({plant.core_c(core) for core in range(CORES)}) == 1
    assert plant.clock_mhz == 1200.0
    plant.load = Load(cpu=1.0)
    temps = [plant.core_c(core) for core in range(CORES)]
    assert max(temps) - min(temps) == pytest.approx(3.4)
    assert plant.clock_mhz == 4700.0
