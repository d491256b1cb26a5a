import math

import numpy as np
import pytest

from burnin.calc import held as own
from burnin.calc.refusal import Refusal


def test_shares_are_of_time_and_gaps_are_not_seen():
    times = [0.0, 1, 2, 3, 13, 14, 15]
    active = [0, 1, math.nan, 1, 1, 0, 0]
    found = own.time_share(times, active, longest_gap_s=3.0)
    # Seen: 0-1, 1-2, 13-14, 14-15 (2-3 unknown, 3-13 a gap); up: 1-2 and 13-14.
    assert found == own.TimeShare(share=0.5, held_s=2.0, seen_s=4.0)


@pytest.mark.parametrize("active", [[], [1], [math.nan, math.nan, 1]])
def test_nothing_seen_is_no_share_of_nothing(active):
    found = own.time_share(range(len(active)), active, longest_gap_s=3.0)
    assert found == Refusal(slug="nothing-seen", observed=0.0)


def test_a_clock_that_sags_is_seen():
    times = np.arange(0.0, 101.0)
    clock = np.where(times < 80, 5000.0, 4500.0)
    clock[10] = math.nan
    found = own.clock_held(times, clock, promised_mhz=5000.0)
    assert found.held.share == pytest.approx(79 / 99)
    assert found.mean_mhz == pytest.approx((79 * 5000 + 20 * 4500) / 99)
    assert found.shortfall == pytest.approx(1 - found.mean_mhz / 5000)
    assert found.low_mhz == 4500.0


def test_a_clock_within_the_tolerance_is_held():
    found = own.clock_held([0, 1, 2], [4960.0, 4960.0, 4960.0], promised_mhz=5000.0)
    assert found.held.share == 1.0
    assert own.clock_held([0, 1], [math.nan, 5000.0], promised_mhz=5000.0).slug == "nothing-seen"
    with pytest.raises(ValueError, match="greater than 0"):
        own.clock_held([0, 1], [1.0, 1.0], promised_mhz=0.0)


def cores(rng, offsets, *, count=600):
    noise = rng.normal(0, 1, (count, len(offsets)))
    return np.arange(float(count)), np.round(70 + np.asarray(offsets) + noise)


def test_a_badly_seated_corner_stands_out():
    rng = np.random.default_rng(1)
    times, temps = cores(rng, [0, 0.5, -0.5, 9.0, math.nan, 0])
    found = own.core_spread(times, temps)
    assert (found.hottest, found.coldest) == (3, 2)
    assert found.spread_k == pytest.approx(9.5, abs=0.3)
    assert found.excess_k == pytest.approx(9.0, abs=0.3)
    assert 0.02 < found.u_k < 0.15
    assert math.isnan(found.means_c[4])


def test_one_core_or_few_readings_say_nothing_about_a_spread():
    rng = np.random.default_rng(2)
    assert own.core_spread(*cores(rng, [0, math.nan])) == Refusal(slug="too-few-cores", observed=1, needed=2)
    assert own.core_spread(*cores(rng, [0, 1], count=20)).slug == "too-few-readings"


def test_drift_of_power_along_a_stretch():
    times = np.arange(0.0, 601.0)
    assert own.change_share(times, 150 + times / 600 * 15) == pytest.approx(15 / 157.5, rel=1e-3)
    assert own.change_share(times, np.full(601, 150.0)) == pytest.approx(0.0, abs=1e-12)
    assert own.change_share(times, np.zeros(601)).slug == "no-level"
    assert own.change_share([0, 1], [1.0, 2.0]).slug == "too-few-readings"
