from __future__ import annotations

import numpy as np
import pytest

from burnin.calc.budget_search import Goal, search_budget
from burnin.calc.frame_figures import cost_that_fits, frame_figures

T_MS = 1000 / 90


def test_known_misses_are_counted_exactly():
    cost_ms = np.full(1000, 8.0)
    cost_ms[[10, 200, 201, 202, 203, 700, 701, 999]] = 12.0
    figures = frame_figures(cost_ms, 90.0)
    assert (figures.frames, figures.late, figures.late_in_a_row) == (1000, 8, 4)
    assert figures.max_ms == 12.0
    assert figures.p50_ms == 8.0
    assert figures.mean_ms == pytest.approx(8.0 + 4.0 * 8 / 1000)
    assert figures.budget_share == pytest.approx(figures.p999_ms / T_MS)


def test_a_frame_as_long_as_the_interval_is_on_time():
    figures = frame_figures(np.full(90, T_MS), 90.0)
    assert (figures.late, figures.late_in_a_row) == (0, 0)
    assert frame_figures(np.full(5, T_MS * 1.001), 90.0).late_in_a_row == 5


@pytest.mark.parametrize(("cost_ms", "hz"), [([], 90.0), ([1.0, 0.0], 90.0), ([1.0], 0.0)])
def test_impossible_frames_are_refused(cost_ms, hz):
    with pytest.raises(ValueError, match="above zero"):
        frame_figures(np.array(cost_ms), hz)


def test_a_line_foretells_the_cost_that_fits():
    costs = np.array([512.0, 1024.0, 2048.0])
    assert cost_that_fits(costs, 0.5 + costs / 400, T_MS) == pytest.approx((T_MS - 0.5) * 400)
    assert cost_that_fits(costs, 12.0 + costs / 400, T_MS) == 0.0
    assert cost_that_fits(costs, np.full(3, 4.0), T_MS) == 0.0


@pytest.mark.parametrize("seed", range(5))
def test_the_search_recovers_a_known_cost_curve_within_two_per_cent(seed):
    """Frames of cost c take 0.4 + c / 380 ms with 0.2 % noise; the cost whose 99th percentile fits is known."""
    rng = np.random.default_rng(seed)

    def run(cost: float) -> tuple[int, int]:
        took_ms = (0.4 + round(cost) / 380) * rng.normal(1.0, 0.002, 100)
        return 100, frame_figures(took_ms, 90.0).late

    right = (T_MS / (1 + 2.326 * 0.002) - 0.4) * 380
    goal = Goal(late_share=0.01, confidence=0.9, width=0.02, rounds=9)
    budget = search_budget(run, low=right * 0.93, high=right * 1.09, goal=goal)
    assert budget.fits == pytest.approx(right, rel=0.02)
