from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from burnin.calc.work_rates import WorkRates, compare_rates, together


def _rates(cold, hot, grain=0.0):
    return WorkRates(cold=np.asarray(cold, dtype=float), hot=np.asarray(hot, dtype=float), grain=grain)


def _independent(seed, *, count=40, mean=100.0, sd=2.0):
    """Pieces without a trace of correlation, so that nothing but Welch's test is left."""
    rng = np.random.default_rng(seed)
    while True:
        part = rng.normal(mean, sd, count)
        away = part - part.mean()
        if float(np.sum(away[1:] * away[:-1])) <= 0:
            return part


def test_without_correlation_and_counting_it_is_welchs_interval():
    cold, hot = _independent(1), _independent(2, mean=95.0)
    answer = compare_rates(_rates(cold, hot), share=0.97, certainty=0.99)
    expected = stats.ttest_ind(hot, 0.97 * cold, equal_var=False).confidence_interval(0.95)
    assert answer.half_width == pytest.approx((expected.high - expected.low) / 2 / cold.mean(), rel=1e-9)
    assert answer.share == pytest.approx(hot.mean() / cold.mean())


@pytest.mark.parametrize(("mean", "slug"), [(100.0, "even"), (97.0, "open"), (90.0, "slower")])
def test_the_whole_interval_decides(mean, slug):
    answer = compare_rates(_rates(_independent(1), _independent(2, mean=mean)), share=0.97, certainty=0.99)
    assert answer.slug == slug


def test_neighbours_that_resemble_each_other_widen_the_interval():
    rng = np.random.default_rng(3)
    white = rng.normal(0, 1, (2, 40))
    smooth = np.stack([np.convolve(row, np.ones(4) / 2, mode="same") for row in white])
    narrow = compare_rates(_rates(*(100 + white)), share=0.97, certainty=0.99).half_width
    wide = compare_rates(_rates(*(100 + smooth)), share=0.97, certainty=0.99).half_width
    assert wide > 1.5 * narrow


def test_counting_whole_steps_hardly_widens_it():
    """Whole steps of a steady 0.37 steps a piece and sweep: the total is known to a step, whatever the pieces show."""
    totals = np.floor(0.5 + 3.7 * np.arange(81))
    pieces = np.diff(totals)
    counted = compare_rates(_rates(pieces[:40], pieces[40:], grain=1.0), share=0.97, certainty=0.99)
    naive = compare_rates(_rates(pieces[:40], pieces[40:]), share=0.97, certainty=0.99)
    assert counted.slug == "even"
    assert counted.half_width < 0.5 * naive.half_width


def test_rates_without_any_spread_are_compared_as_they_are():
    assert compare_rates(_rates([4.0] * 20, [4.0] * 20), share=0.97, certainty=0.99).slug == "even"
    assert compare_rates(_rates([4.0] * 20, [3.0] * 20), share=0.97, certainty=0.99).slug == "slower"


def test_no_cold_work_has_no_share():
    answer = compare_rates(_rates([0.0] * 20, [3.0, 4.0] * 10), share=0.97, certainty=0.99)
    assert (answer.share, answer.half_width, answer.slug) == (None, None, "even")


def test_several_loads_are_added_piece_by_piece():
    both = together([_rates([1, 2, 3], [4, 5, 6], grain=3.0), _rates([10, 20], [50, 60], grain=4.0)])
    assert both.cold.tolist() == [11, 22]
    assert both.hot.tolist() == [55, 66]
    assert both.grain == 7.0
    assert not both.curved


def test_equal_rates_are_hardly_ever_called_slower_even_under_noise_that_lasts():
    """AR(1) noise of 0.8 and 8 %, 24 pieces: of 400 seeded pairs fewer than 1 % are called slower."""
    wrong = 0
    for seed in range(400):
        rng = np.random.default_rng(seed)
        noise = np.zeros(72)
        for k in range(1, 72):
            noise[k] = 0.8 * noise[k - 1] + rng.normal(0, 8 * 0.6)
        answer = compare_rates(_rates(100 + noise[:24], 100 + noise[48:]), share=0.97, certainty=0.99)
        wrong += answer.slug == "slower"
    assert wrong < 4
