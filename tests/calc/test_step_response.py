"""The fit on textbook curves and on seeded plants; the full trial table is ``trials_step_response.py`` beside this."""

import importlib.util
import math
import sys
from pathlib import Path

import numpy as np
import pytest

from burnin.calc.refusal import Refusal
from burnin.calc.step_response import FitSettings, StepFit, fit_step

_SPEC = importlib.util.spec_from_file_location(
    "trials_step_response", Path(__file__).with_name("trials_step_response.py")
)
trials = importlib.util.module_from_spec(_SPEC)
sys.modules[_SPEC.name] = trials  # dataclasses look their module up
_SPEC.loader.exec_module(trials)


def test_the_textbook_thermocouple_bead():
    # Cengel, Heat Transfer, example 4-1: D 1 mm, k 35, rho 8500, cp 320, h 210 W/m2K gives b = h/(rho cp Lc) =
    # 0.4632 1/s (rho cp D/6 / h = 2.159 s), 99 % of the change after 9.94 s (secondary source).
    tau = 8500 * 320 * (1e-3 / 6) / 210
    assert (1 / tau, tau * math.log(100)) == pytest.approx((0.4632, 9.94), rel=1e-3)
    times = np.arange(0.0, 15.0, 0.05)
    fit = fit_step(
        times, 100 - 80 * np.exp(-times / tau), settings=FitSettings(resolution_c=0.0, drift_k_per_h=0.0)
    )
    assert isinstance(fit, StepFit)
    assert fit.tau_s.value == pytest.approx(tau, rel=1e-6)
    assert fit.steady_c.value == pytest.approx(100, abs=1e-5)
    assert fit.start_c == pytest.approx(20, abs=1e-4)
    assert fit.rises_c == pytest.approx((80,), rel=1e-5)
    assert fit.soak_taus == pytest.approx(14.95 / tau, rel=1e-6)


def test_the_textbook_bead_that_reaches_199_degrees():
    # Incropera and DeWitt, example 5.1: tau 1 s, from 25 towards 200, 199 degrees after 5.2 s (inputs from memory).
    times = np.arange(0.0, 4.0, 0.02)
    fit = fit_step(times, 200 - 175 * np.exp(-times), settings=FitSettings(resolution_c=0.0, order=1))
    assert isinstance(fit, StepFit)
    reach = fit.tau_s.value * math.log((fit.steady_c.value - fit.start_c) / (fit.steady_c.value - 199))
    assert reach == pytest.approx(5.17, abs=0.02)


def test_cooling_is_the_same_curve_downwards():
    times = np.arange(0.0, 1200.0)
    fit = fit_step(times, 30 + 35 * np.exp(-times / 250), settings=FitSettings(resolution_c=0.1))
    assert isinstance(fit, StepFit)
    assert fit.tau_s.value == pytest.approx(250, rel=1e-3)
    assert fit.steady_c.value == pytest.approx(30, abs=0.05)
    assert fit.rises_c == pytest.approx((-35,), rel=1e-2)


def two_masses(rng, *, fast=15.0, order=None):
    times = np.arange(0.0, 1200.0)
    clean = 70 - 30 * np.exp(-times / 300) - 16 * np.exp(-times / fast)
    noisy = np.round(clean + trials.ar1(rng, times.size, 0.5, 0.7))
    return fit_step(times, noisy, settings=FitSettings(order=order))


def test_a_second_time_constant_is_taken_where_the_data_demand_it():
    rng = np.random.default_rng(5)
    fits = [two_masses(rng) for _ in range(8)]
    assert all(len(fit.taus_s) == 2 for fit in fits)
    assert np.median([fit.taus_s[0] for fit in fits]) == pytest.approx(15, rel=0.2)
    assert np.median([fit.tau_s.value for fit in fits]) == pytest.approx(300, rel=0.05)
    assert np.median([fit.steady_c.value for fit in fits]) == pytest.approx(70, abs=0.5)
    assert all(fit.steady_c.low < 71 and fit.steady_c.high > 69 for fit in fits)
    assert len(two_masses(rng, order=1).taus_s) == 1


def test_a_second_time_constant_is_not_made_up():
    rng = np.random.default_rng(6)
    for _ in range(20):
        fit = fit_step(*trials.simulate(trials.Plant(phi=0.5), rng)[:2])
        assert isinstance(fit, StepFit)
        assert len(fit.taus_s) == 1


@pytest.mark.parametrize(
    ("plant", "half", "one_and_half"),
    [
        (trials.Plant(phi=0.0), 0.95, 1.0),
        (trials.Plant(phi=0.5), 0.90, 1.0),  # 0.968 on 2,000 trials
        (trials.Plant(phi=0.9, rise=-40.0), 0.5, 0.95),
    ],
)
def test_recovery_at_three_time_constants(plant, half, one_and_half):
    found = trials.run(plant, trials=40, seed=77)
    assert found.refused == 0
    assert found.tau_median_error < 0.05
    assert found.steady_within_half >= half
    assert found.steady_within_1_5 >= one_and_half
    assert found.steady_coverage >= 0.88  # 95 % nominal, 40 trials; the table has 2,000
    assert found.tau_coverage >= 0.86


def test_intervals_are_not_wide_for_safety():
    fit = fit_step(*trials.simulate(trials.Plant(phi=0.5), np.random.default_rng(1))[:2])
    assert isinstance(fit, StepFit)
    assert 0.3 < fit.steady_c.high - fit.steady_c.low < 1.6
    assert fit.noise.phi == pytest.approx(0.5, abs=0.15)
    assert 200 < fit.df < 500


@pytest.mark.parametrize(
    "plant", [trials.Plant(phi=0.5, soak=0.9), trials.Plant(phi=0.9, soak=0.6, rise=-40.0)]
)
def test_a_soak_shorter_than_one_time_constant_is_refused(plant):
    rng = np.random.default_rng(9)
    for _ in range(15):
        refusal = fit_step(*trials.simulate(plant, rng)[:2])
        assert isinstance(refusal, Refusal)
        assert refusal.slug == "soak-too-short"
        assert refusal.needed > refusal.observed


def test_a_trace_without_a_step_is_refused():
    rng = np.random.default_rng(10)
    for _ in range(10):
        flat = np.round(60 + trials.ar1(rng, 900, 0.5, 0.7))
        refusal = fit_step(np.arange(900.0), flat)
        assert isinstance(refusal, Refusal)
        assert refusal.slug in {"no-step-seen", "soak-too-short", "too-fast-for-sampling"}
    still = fit_step(np.arange(900.0), np.full(900, 60.0))
    assert isinstance(still, Refusal)
    assert (still.slug, still.needed) == ("no-step-seen", 2.0)


def test_a_die_that_jumps_between_two_samples_is_refused():
    times = np.arange(0.0, 600.0)
    temps = np.where(times < 1, 40.0, 80.0) - 5 * np.exp(-times)
    refusal = fit_step(times, temps, settings=FitSettings(resolution_c=0.0, order=1))
    assert isinstance(refusal, Refusal)
    assert refusal.slug == "too-fast-for-sampling"


def test_too_few_points_and_holes_are_refused():
    few = fit_step(np.arange(39.0), np.arange(39.0))
    assert few == Refusal(slug="too-few-points", observed=39, needed=40)
    times = np.arange(0.0, 900.0)
    temps = 64 - 40 * np.exp(-times / 300)
    temps[200:700] = math.nan
    holes = fit_step(times, temps)
    assert isinstance(holes, Refusal)
    assert (holes.slug, holes.needed) == ("mostly-gaps", 0.5)


def test_a_reading_that_sits_on_its_steps_is_as_uncertain_as_the_step():
    times = np.arange(0.0, 3000.0)
    coarse = fit_step(
        times, np.round(64.4 - 40 * np.exp(-times / 300)), settings=FitSettings(drift_k_per_h=0.0)
    )
    assert isinstance(coarse, StepFit)
    assert len(coarse.taus_s) == 1
    assert coarse.steady_c.u >= 1 / math.sqrt(12) * 0.8
    assert coarse.steady_c.low <= 64.4 <= coarse.steady_c.high
