"""Error rates by simulation, the t test of SciPy, and Holm's worked numbers."""

import importlib.util
import math
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from burnin.calc import compare as own
from burnin.calc.refusal import Refusal
from burnin.calc.series import Level

_SPEC = importlib.util.spec_from_file_location(
    "trials_compare", Path(__file__).with_name("trials_compare.py")
)
trials = importlib.util.module_from_spec(_SPEC)
sys.modules[_SPEC.name] = trials  # dataclasses look their module up
_SPEC.loader.exec_module(trials)


def level(mean, u=0.1, df=9.0):
    return Level(mean=mean, u=u, df=df, count=1200, span_s=1199.0, batch_correlation=0.0)


REPEAT = own.Repeatability(sd=0.3, df=10.0)


@pytest.mark.parametrize(
    "pair",
    [
        trials.Pair(phi=0.9, between=0.2, baseline=3, averaged=True),
        trials.Pair(phi=0.0, between=0.3, baseline=4, averaged=False),
        trials.Pair(phi=0.9, between=0.4, baseline=6, averaged=True),
    ],
)
def test_unchanged_machines_differ_no_more_often_than_nominal(pair):
    # Nominal 5 %; 1,000 pairs each are in the table. Three standard errors of 250 pairs are 4 points.
    assert trials.rate(pair, pairs=250, seed=1) <= 0.09


def test_two_degrees_are_found_on_twenty_minute_soaks():
    pair = trials.Pair(phi=0.9, between=0.2, baseline=3, averaged=True, change=2.0)
    assert trials.rate(pair, pairs=250, seed=2) > 0.9


def test_without_run_to_run_spread_in_the_figure_the_traces_alone_would_cry_wolf():
    # What the repeatability figure is for: traces that each know their mean to 0.03 K, from runs 0.4 K apart.
    rng = np.random.default_rng(3)
    pair = trials.Pair(phi=0.0, between=0.4)
    blind = own.Repeatability(sd=1e-9, df=50.0)
    claims = 0
    for _ in range(100):
        first, second = trials.levels(rng, pair, runs=2, changed=False)
        claims += own.compare_levels([first], [second], repeatability=blind).slug != "no-difference-shown"
    assert claims > 70


def test_many_unchanged_figures_stay_quiet_after_correction():
    pair = trials.Pair(phi=0.0, between=0.3, baseline=4, averaged=False)
    assert trials.family_rate(pair, families=25, size=10, seed=4) <= 0.16


def test_averaged_runs_against_one_agree_with_the_t_test():
    before, after = [61.9, 62.4, 62.0, 62.6], 63.4
    repeat = own.pooled_repeatability([before])
    assert isinstance(repeat, own.Repeatability)
    found = own.compare_levels([level(m, u=0.0) for m in before], [level(after, u=0.0)], repeatability=repeat)
    t = (after - np.mean(before)) / (np.std(before, ddof=1) * math.sqrt(1 / 4 + 1))
    assert found.p_value == pytest.approx(2 * stats.t.sf(t, 3), rel=1e-9)
    half = stats.t.ppf(0.975, 3) * found.u
    assert (found.low, found.high) == pytest.approx((found.difference - half, found.difference + half))


def test_directions_and_noisy_traces():
    assert own.compare_levels([level(60)], [level(63)], repeatability=REPEAT).slug == "higher"
    assert own.compare_levels([level(63)], [level(60)], repeatability=REPEAT).slug == "lower"
    calm = own.compare_levels([level(60)], [level(60.4)], repeatability=REPEAT)
    assert (calm.slug, calm.df, calm.u) == ("no-difference-shown", 10.0, pytest.approx(0.3 * math.sqrt(2)))
    noisy = own.compare_levels([level(60, u=0.5, df=7)], [level(60)], repeatability=REPEAT)
    assert (noisy.df, noisy.u) == (7.0, pytest.approx(math.hypot(0.5, 0.3)))


def test_what_cannot_be_compared():
    for before, after in (([], [level(60)]), ([level(60)], [])):
        assert own.compare_levels(before, after, repeatability=REPEAT).slug == "no-runs"
    assert own.compare_levels([level(60)], [level(61)], repeatability=None) == Refusal(
        slug="no-repeatability"
    )
    frozen = own.Repeatability(sd=0.0, df=5.0)
    assert own.compare_levels([level(60, u=0)], [level(61, u=0)], repeatability=frozen).slug == "no-spread"


def test_repeatability_is_pooled_within_machines():
    # ISO 5725-2: pooled variance, degrees of freedom summed; the machines' own levels do not enter.
    found = own.pooled_repeatability([[60.0, 61.0, math.nan], [80.0, 80.0, 83.0], [70.0]])
    assert isinstance(found, own.Repeatability)
    assert (found.sd, found.df) == (pytest.approx(math.sqrt((0.5 + 6.0) / 3)), 3.0)
    assert own.pooled_repeatability([[60.0, 61.0]]) == Refusal(
        slug="too-few-baseline-runs", observed=2, needed=3
    )
    assert own.pooled_repeatability([]).slug == "too-few-baseline-runs"


def test_the_room_is_taken_off_with_its_uncertainty():
    found = own.above_room(level(64.0, u=0.3, df=9), level(24.0, u=0.4, df=5))
    assert (found.mean, found.u) == (40.0, pytest.approx(0.5))
    assert found.df == pytest.approx(0.25**2 / (0.09**2 / 9 + 0.16**2 / 5))
    assert own.above_room(level(64.0, u=0.0, df=9), level(24.0, u=0.0)).df == 9


def test_holm_on_worked_numbers():
    # 0.01, 0.04, 0.03, 0.005: the smallest is taken four times, then three, two, one times, never falling.
    assert own.holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx((0.03, 0.06, 0.06, 0.02))
    assert own.holm([0.9, 0.8]) == (1.0, 1.0)
    assert own.holm([]) == ()
    for wrong in ([1.1], [-0.1], [math.nan]):
        with pytest.raises(ValueError, match="between 0 and 1"):
            own.holm(wrong)
