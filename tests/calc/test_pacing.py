"""Pacing figures on series whose misses are known by construction, and published quantile definitions."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from burnin.calc.pacing import (
    QuantileMethod,
    budget_share,
    has_pacing_problem,
    measure_pacing,
    minimum_fps,
    missed_refreshes,
    percentile_ms,
)

RATES_HZ = (60.0, 72.0, 80.0, 90.0, 120.0, 144.0)


def series(misses: list[int], rate_hz: float) -> np.ndarray:
    """Frames that each missed exactly the given number of refreshes."""
    return (np.array(misses) + 1) * 1000.0 / rate_hz


@pytest.mark.parametrize(
    ("rate_hz", "interval_ms"),
    list(zip(RATES_HZ, (16.6667, 13.8889, 12.5, 11.1111, 8.3333, 6.9444), strict=True)),
)
def test_refresh_intervals(rate_hz: float, interval_ms: float) -> None:
    # A frame of the printed interval misses nothing, one of twice that misses one.
    assert missed_refreshes(np.array([interval_ms, 2 * interval_ms]), rate_hz).tolist() == [0, 1]


@given(st.lists(st.integers(0, 9), min_size=1, max_size=400), st.sampled_from(RATES_HZ))
def test_known_misses_are_counted_exactly(misses: list[int], rate_hz: float) -> None:
    found = measure_pacing(series(misses, rate_hz), rate_hz)
    runs = "".join("L" if missed else "." for missed in misses).split(".")
    assert found.frames == len(misses)
    assert found.late_frames == sum(missed > 0 for missed in misses)
    assert found.missed_refreshes == sum(misses)
    assert found.missed_in_a_row == max(misses)
    assert found.late_in_a_row == max(map(len, runs))
    assert found.span_s == pytest.approx((len(misses) + sum(misses)) / rate_hz)
    assert found.average_fps == pytest.approx(rate_hz * len(misses) / (len(misses) + sum(misses)))


@given(st.lists(st.integers(0, 9), min_size=1, max_size=200), st.integers(0, 2**32 - 1))
def test_jitter_below_half_a_refresh_changes_no_count(misses: list[int], seed: int) -> None:
    jitter_ms = np.random.default_rng(seed).uniform(-0.49, 0.49, len(misses)) * 1000 / 90
    found = missed_refreshes(series(misses, 90.0) + jitter_ms, 90.0)
    assert found.tolist() == misses


def test_halves_round_up_at_every_multiple() -> None:
    frames = np.array([0.5, 1.5, 2.5, 3.5]) * 1000 / 90
    assert missed_refreshes(frames, 90.0).tolist() == [0, 1, 2, 3]
    assert missed_refreshes(frames * 0.999, 90.0).tolist() == [0, 0, 1, 2]


def test_long_series_are_counted_across_the_batches_they_are_worked_in() -> None:
    misses = np.zeros(600_000, dtype=int)
    misses[[0, 262_143, 262_144, 524_288, 599_999]] = (1, 2, 3, 4, 5)
    found = measure_pacing((misses + 1) * 1000.0 / 90, 90.0)
    assert (found.late_frames, found.missed_refreshes, found.missed_in_a_row) == (5, 15, 5)
    assert found.late_in_a_row == 2


@pytest.mark.parametrize(
    ("average", "minimum", "problem"),
    # Trade knowledge: 90 on average with a minimum of 89 is healthy; 88 with 48 is a pacing problem.
    [(90, 89, False), (88, 48, True)],
)
def test_the_trade_fact(average: int, minimum: int, problem: bool) -> None:
    seconds = 100
    # One second at the minimum, the rest so that frames over seconds give the average.
    rest = (average * seconds - minimum) / (seconds - 1)
    frames = np.concatenate(
        (
            np.full(round(rest * 50), 1000 / rest),
            np.full(minimum, 1000 / minimum),
            np.full(round(rest * 49), 1000 / rest),
        )
    )
    found = measure_pacing(frames, 90.0)
    assert found.average_fps == pytest.approx(average, abs=0.02)
    assert found.minimum_fps == pytest.approx(minimum, abs=0.01)
    assert has_pacing_problem(found) is problem


def plain_minimum(frames: list[float], window_s: float) -> float:
    """The definition, word for word."""
    best = len(frames) / sum(frames)
    for end in range(len(frames)):
        for start in range(end, -1, -1):
            span = sum(frames[start : end + 1])
            if span >= window_s * 1000:
                best = min(best, (end + 1 - start) / span)
                break
    return best * 1000


@given(st.lists(st.integers(1, 1500).map(float), min_size=1, max_size=60))
def test_minimum_follows_its_definition(frames: list[float]) -> None:
    assert minimum_fps(np.array(frames)) == pytest.approx(plain_minimum(frames, 1.0))


def test_minimum_does_not_depend_on_where_the_dip_falls() -> None:
    for before in range(1, 180, 7):
        frames = np.concatenate((np.full(before, 1000 / 90), np.full(45, 1000 / 45), np.full(200, 1000 / 90)))
        assert minimum_fps(frames) == pytest.approx(45.0)


def test_a_steady_series_has_its_rate_as_minimum() -> None:
    for rate_hz in RATES_HZ:
        found = measure_pacing(np.full(5000, 1000 / rate_hz), rate_hz)
        assert (found.minimum_fps, found.average_fps) == pytest.approx((rate_hz, rate_hz))
        assert (found.late_frames, found.worst) == (0, ())


@pytest.mark.parametrize(
    ("method", "expected"),
    # Hyndman and Fan's types 1 to 9 of 1..10 at 25, 50, 90, 95 and 99 %, by NumPy's documented formulas.
    [
        ("inverted_cdf", (3, 5, 9, 10, 10)),
        ("averaged_inverted_cdf", (3, 5.5, 9.5, 10, 10)),
        ("closest_observation", (2, 5, 9, 10, 10)),
        ("interpolated_inverted_cdf", (2.5, 5, 9, 9.5, 9.9)),
        ("hazen", (3, 5.5, 9.5, 10, 10)),
        ("weibull", (2.75, 5.5, 9.9, 10, 10)),
        ("linear", (3.25, 5.5, 9.1, 9.55, 9.91)),
        ("median_unbiased", (2.9167, 5.5, 9.6333, 10, 10)),
        ("normal_unbiased", (2.9375, 5.5, 9.6, 10, 10)),
    ],
)
def test_percentile_definitions(method: QuantileMethod, expected: tuple[float, ...]) -> None:
    frames = np.arange(1.0, 11.0)
    found = [percentile_ms(frames, percent, method=method) for percent in (25, 50, 90, 95, 99)]
    assert found == pytest.approx(expected, abs=5e-5)
    figures = measure_pacing(frames, 90.0, method=method)
    assert figures.method == method
    assert figures.p99_ms == pytest.approx(expected[4], abs=5e-5)
    assert dict(figures.percentiles_ms)[90.0] == pytest.approx(expected[2], abs=5e-5)


def test_share_of_the_frame_budget() -> None:
    assert budget_share(np.full(100, 1000 / 180), 90.0) == pytest.approx(0.5)
    assert budget_share(np.arange(1.0, 11.0), 90.0, percent=50) == pytest.approx(5.5 * 0.09)
    assert measure_pacing(np.full(100, 10.0), 90.0).budget_share == pytest.approx(0.9)


def test_worst_stretches_are_found_with_their_times() -> None:
    misses = [0] * 90 + [1, 0, 3] + [0] * 300 + [2] + [0] * 300 + [2] + [0] * 20 + [1]
    found = measure_pacing(series(misses, 90.0), 90.0)
    assert [(s.late_frames, s.missed_refreshes) for s in found.worst] == [(2, 4), (2, 3), (1, 2)]
    first = found.worst[0]
    assert (first.start_s, first.end_s) == pytest.approx((90 / 90, 97 / 90))
    assert first.longest_ms == pytest.approx(4000 / 90)


def test_only_the_worst_few_stretches_are_kept_the_earlier_first() -> None:
    misses = ([0] * 120 + [1]) * 8
    found = measure_pacing(series(misses, 90.0), 90.0)
    assert len(found.worst) == 5
    assert [s.start_s for s in found.worst] == sorted(s.start_s for s in found.worst)
    assert found.worst[0].start_s == pytest.approx(120 / 90)


def test_times_of_a_series_with_gaps_are_taken_as_given() -> None:
    frames = series([0, 1, 0, 2], 90.0)
    found = measure_pacing(frames, 90.0, at_s=np.array([0.5, 10.0, 20.0, 30.0]))
    assert [s.end_s for s in found.worst] == [30.0, 10.0]
    assert found.worst[1].start_s == pytest.approx(10.0 - 2 / 90)


@pytest.mark.parametrize("bad", [[], [0.0], [-1.0], [float("nan")], [float("inf")]])
def test_impossible_frames_are_refused(bad: list[float]) -> None:
    with pytest.raises(ValueError, match="frame"):
        measure_pacing(np.array(bad), 90.0)


@pytest.mark.parametrize(("rate_hz", "window_s"), [(0.0, 1.0), (90.0, 0.0), (float("nan"), 1.0)])
def test_impossible_rate_or_window_is_refused(rate_hz: float, window_s: float) -> None:
    with pytest.raises(ValueError, match="above zero"):
        measure_pacing(np.array([10.0]), rate_hz, window_s=window_s)
