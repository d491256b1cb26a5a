"""Against dense matrices, and against noise whose parameters are known."""

import numpy as np
import pytest
from scipy.signal import lfilter

from burnin.calc.grid import Layout
from burnin.calc.noise import Noise, _expected_moments, correlate, estimate_noise

HOLED = Layout(slots=np.array([0, 1, 2, 5, 6, 9]), size=10)


def test_correlation_is_applied_as_the_full_matrix_would():
    columns = np.random.default_rng(1).normal(size=(6, 3))
    lags = np.abs(HOLED.slots[:, None] - HOLED.slots[None, :])
    assert correlate(columns, 0.7, layout=HOLED) == pytest.approx(0.7**lags @ columns, rel=1e-9)


def test_expected_moments_are_those_of_the_projected_covariance():
    rng = np.random.default_rng(2)
    basis = np.linalg.qr(rng.normal(size=(6, 2)))[0]
    lags = np.abs(HOLED.slots[:, None] - HOLED.slots[None, :])
    left = np.eye(6) - basis @ basis.T
    covariance = left @ 0.7**lags @ left
    pairs = HOLED.neighbours
    power, product = _expected_moments(basis, 0.7, layout=HOLED)
    assert power == pytest.approx(np.trace(covariance) / 6)
    assert product == pytest.approx(np.sum(np.diag(covariance, 1)[pairs]) / 6)


def residuals(rng, phi, *, count=600, step=0.0):
    noise = lfilter([1], [1, -phi], rng.normal(0, np.sqrt(1 - phi**2), count + 300))[300:]
    ramp = np.linspace(0, 20, count)
    values = ramp + noise
    values = np.round(values / step) * step if step else values
    columns = np.column_stack([np.ones(count), ramp, ramp**2])
    return columns, values - columns @ np.linalg.lstsq(columns, values, rcond=None)[0]


@pytest.mark.parametrize("phi", [0.3, 0.9])
@pytest.mark.parametrize("step", [0.0, 1.0])
def test_correlation_is_recovered_without_the_bias_of_residuals(phi, step):
    rng = np.random.default_rng(3)
    layout = Layout(slots=np.arange(600), size=600)
    found = [estimate_noise(*residuals(rng, phi, step=step), layout=layout, step=step) for _ in range(25)]
    assert np.mean([noise.phi for noise in found]) == pytest.approx(phi, abs=0.03)
    assert np.mean([noise.sd for noise in found]) == pytest.approx(1.0, abs=0.12)
    assert found[0].white_sd == pytest.approx(step / np.sqrt(12))


def test_correlations_outside_the_range_end_at_its_edges():
    layout = Layout(slots=np.arange(200), size=200)
    ones = np.ones((200, 1))
    saw = np.where(np.arange(200) % 2, 1.0, -1.0)
    assert estimate_noise(ones, saw, layout=layout, step=0.0).phi == 0.0
    wave = np.sin(np.arange(200) * 2 * np.pi / 200)
    assert estimate_noise(ones, wave, layout=layout, step=0.0).phi == 0.99


def test_noise_that_sits_on_the_steps_is_not_taken_for_rounding():
    layout = Layout(slots=np.arange(200), size=200)
    sawtooth = np.arange(200) % 50 / 50 - 0.49
    noise = estimate_noise(np.ones((200, 1)), sawtooth, layout=layout, step=1.0)
    assert noise.white_sd == 0.0
    assert noise.phi > 0.5


def test_long_run_variance_and_independent_share():
    noise = Noise(phi=0.5, sd=2.0, white_sd=1.0)
    assert noise.long_run_variance == pytest.approx(13.0)
    assert noise.effective_share == pytest.approx(5 / 13)
    assert Noise(phi=0.0, sd=0.0, white_sd=0.0).effective_share == 1.0
