"""The search for the frame budget on machines whose cost curve is known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from burnin.calc.budget_search import (
    Answer,
    Goal,
    search_budget,
    share_at_least,
    share_at_most,
)

REFRESH_MS = 1000 / 90


class Machine:
    """Frames cost a fixed part plus a part in proportion, with normal noise: the budget is known in closed form."""

    def __init__(self, seed: int, *, fixed_ms: float, per_cost_ms: float, noise_ms: float) -> None:
        self.random = np.random.default_rng(seed)
        self.fixed_ms, self.per_cost_ms, self.noise_ms = fixed_ms, per_cost_ms, noise_ms

    def run(self, cost: float) -> tuple[int, int]:
        mean_ms = self.fixed_ms + self.per_cost_ms * cost
        return 5000, int((self.random.normal(mean_ms, self.noise_ms, 5000) > REFRESH_MS).sum())

    def budget(self, late_share: float) -> float:
        reach_ms = REFRESH_MS - self.noise_ms * stats.norm.isf(late_share)
        return (reach_ms - self.fixed_ms) / self.per_cost_ms


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize(("fixed_ms", "per_cost_ms", "noise_ms"), [(2.0, 0.01, 0.1), (0.5, 1.3, 0.05)])
def test_a_known_cost_curve_is_recovered_within_two_per_cent(
    seed: int, fixed_ms: float, per_cost_ms: float, noise_ms: float
) -> None:
    machine = Machine(seed, fixed_ms=fixed_ms, per_cost_ms=per_cost_ms, noise_ms=noise_ms)
    truth = machine.budget(0.001)
    found = search_budget(machine.run, low=truth / 50, high=truth * 20)
    assert found.fits is not None
    assert found.fits == pytest.approx(truth, rel=0.02)
    assert found.too_much == pytest.approx(truth, rel=0.02)
    # The stated confidence: the truth is not below a cost shown to fit.
    assert found.fits <= truth


def test_no_decision_is_wrong_more_often_than_stated() -> None:
    wrong = 0
    for seed in range(20):
        machine = Machine(seed, fixed_ms=2.0, per_cost_ms=1.0, noise_ms=0.1)
        truth = machine.budget(0.001)
        goal = Goal(confidence=0.5, width=0.02, rounds=2)
        for trial in search_budget(machine.run, low=1.0, high=20.0, goal=goal).trials:
            wrong += (trial.answer is Answer.FITS) and trial.cost > truth
            wrong += (trial.answer is Answer.TOO_MUCH) and trial.cost < truth
    # At half confidence ten runs may have a wrong step; a search that trusts the bare share is wrong far more often.
    assert wrong <= 10


def test_a_sharp_edge_closes_the_bracket() -> None:
    found = search_budget(lambda cost: (20000, 0 if cost <= 7.0 else 20000), low=1.0, high=100.0)
    assert found.closed
    assert found.fits is not None
    assert found.too_much is not None
    assert found.fits <= 7.0 < found.too_much <= found.fits * 1.01


def test_everything_fits_and_nothing_fits() -> None:
    easy = search_budget(lambda _: (20000, 0), low=1.0, high=2.0)
    assert (easy.fits, easy.too_much, easy.closed, len(easy.trials)) == (2.0, None, False, 2)
    hard = search_budget(lambda _: (20000, 20000), low=1.0, high=2.0)
    assert (hard.fits, hard.too_much, hard.closed, len(hard.trials)) == (None, 1.0, False, 1)


def test_too_few_frames_decide_nothing_and_count_as_not_shown_to_fit() -> None:
    found = search_budget(lambda _: (100, 0), low=1.0, high=2.0)
    assert found.fits is None
    assert not found.closed
    assert found.trials[0].answer is Answer.UNDECIDED
    assert found.trials[0].frames == 800


def test_an_undecided_edge_leaves_the_bracket_open() -> None:
    found = search_budget(lambda cost: (20000, 0 if cost <= 7.0 else 20), low=1.0, high=100.0)
    assert found.fits == pytest.approx(7.0, rel=0.01)
    assert not found.closed


def test_the_search_ends_on_a_machine_that_never_narrows() -> None:
    found = search_budget(
        lambda cost: (20000, 0 if cost <= 7.0 else 20000), low=1e-300, high=1e300, goal=Goal(width=1e-4)
    )
    assert len(found.trials) <= 64


@given(st.integers(1, 30000), st.data(), st.sampled_from([0.001, 0.01, 0.5, 0.9]))
def test_tails_are_the_exact_binomial_ones(frames: int, data: st.DataObject, share: float) -> None:
    late = data.draw(st.integers(0, min(frames, 200)))
    assert share_at_most(late, frames, share=share) == pytest.approx(
        stats.binom.cdf(late, frames, share), rel=1e-6, abs=1e-12
    )
    assert share_at_least(late, frames, share=share) == pytest.approx(
        stats.binom.sf(late - 1, frames, share), rel=1e-6, abs=1e-12
    )


def test_frames_needed_without_a_late_one() -> None:
    # Success-run theorem: 2995 trials without a failure show 99.9 % at 95 % confidence (ln 0.05 / ln 0.999 = 2994.2).
    assert share_at_most(0, 2995, share=0.001) <= 0.05 < share_at_most(0, 2994, share=0.001)


@pytest.mark.parametrize(("low", "high"), [(0.0, 1.0), (2.0, 1.0), (1.0, float("inf")), (float("nan"), 1.0)])
def test_impossible_ranges_are_refused(low: float, high: float) -> None:
    with pytest.raises(ValueError, match="costs"):
        search_budget(lambda _: (1, 0), low=low, high=high)


@pytest.mark.parametrize(
    "goal", [Goal(late_share=0.0), Goal(confidence=1.0), Goal(width=0.0), Goal(rounds=0)]
)
def test_impossible_goals_are_refused(goal: Goal) -> None:
    with pytest.raises(ValueError, match=r"late at|width"):
        search_budget(lambda _: (1, 0), low=1.0, high=2.0, goal=goal)


@pytest.mark.parametrize("counts", [(0, 0), (5, 6), (5, -1)])
def test_impossible_counts_are_refused(counts: tuple[int, int]) -> None:
    with pytest.raises(ValueError, match="impossible counts"):
        search_budget(lambda _: counts, low=1.0, high=2.0)
