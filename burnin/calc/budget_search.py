"""How much work fits in a frame: a bracketing search whose every step is an exact test.

At a cost, frames are run and the late ones counted. The cost *fits* if so few late frames would be too unlikely with
the allowed late share or more; it is *too much* if so many would be too unlikely with the allowed share or fewer.
Both are exact one-sided binomial tests (C. J. Clopper and E. S. Pearson, Biometrika 26, 1934). The error allowed to
the whole search is divided over all decisions it may take (Bonferroni), so that with the stated confidence none of
them is wrong, as long as the late share does not fall when the cost rises and frames are independent.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

MAX_DECISIONS: Final = 64
"""Costs tried at most: enough to widen a thousandfold and halve to a hundredth of a per cent."""


class Answer(StrEnum):
    """What the frames at one cost say."""

    FITS = "fits"
    TOO_MUCH = "too much"
    UNDECIDED = "undecided"


@dataclass(frozen=True, kw_only=True)
class Goal:
    """What the search is after.

    Attributes:
        late_share: Share of late frames that is still allowed, 0.001 for "99.9 % on time".
        confidence: Probability that no decision of the search is wrong.
        width: Relative width of the bracket at which the search ends.
        rounds: Batches of frames at one cost before it is given up as undecided.
    """

    late_share: float = 0.001
    confidence: float = 0.95
    width: float = 0.01
    rounds: int = 8


@dataclass(frozen=True, kw_only=True)
class Trial:
    """Frames run at one cost."""

    cost: float
    frames: int
    late: int
    answer: Answer


@dataclass(frozen=True, kw_only=True)
class Budget:
    """Result of the search.

    Attributes:
        fits: Largest cost shown to fit; None if none was.
        too_much: Smallest cost not shown to fit; None if every cost up to the end of the range fitted.
        closed: Whether the bracket is as narrow as asked for and its upper end was shown to be too much.
        goal: What was asked for.
        trials: Every cost tried, in order.
    """

    fits: float | None
    too_much: float | None
    closed: bool
    goal: Goal
    trials: tuple[Trial, ...]


DEFAULT_GOAL: Final = Goal()


def search_budget(
    run: Callable[[float], tuple[int, int]], *, low: float, high: float, goal: Goal = DEFAULT_GOAL
) -> Budget:
    """Find the largest cost with no more than the allowed share of late frames.

    Args:
        run: Runs a batch at a cost and returns frames and late frames; called up to `goal.rounds` times for a cost.
        low: Smallest cost of interest, above zero.
        high: Largest cost of interest, above `low`.
        goal: What is asked for.

    Raises:
        ValueError: The range or the goal is impossible, or `run` returns impossible counts.
    """
    _check(low, high, goal)
    trials: list[Trial] = []
    fits: Trial | None = None
    over: Trial | None = None
    for cost in (low, high):
        trials.append(_try_cost(run, cost, goal))
        if trials[-1].answer is not Answer.FITS:
            over = trials[-1]
            break
        fits = trials[-1]
    while fits and over and over.cost > fits.cost * (1 + goal.width) and len(trials) < MAX_DECISIONS:
        trials.append(_try_cost(run, math.sqrt(fits.cost * over.cost), goal))
        if trials[-1].answer is Answer.FITS:
            fits = trials[-1]
        else:
            over = trials[-1]
    narrow = fits is not None and over is not None and over.cost <= fits.cost * (1 + goal.width)
    return Budget(
        fits=fits.cost if fits else None,
        too_much=over.cost if over else None,
        closed=narrow and over is not None and over.answer is Answer.TOO_MUCH,
        goal=goal,
        trials=tuple(trials),
    )


def _check(low: float, high: float, goal: Goal) -> None:
    """Refuse an impossible range or goal."""
    if not 0 < low < high < math.inf:
        raise ValueError(f"costs from {low} to {high}: must be finite, above zero and rising")
    if not (0 < goal.late_share < 1 and 0 < goal.confidence < 1):
        raise ValueError(
            f"{goal.late_share} late at confidence {goal.confidence}: both must lie between 0 and 1"
        )
    if goal.width < 1e-4 or goal.rounds < 1:
        raise ValueError(f"width {goal.width}, {goal.rounds} rounds: must be at least 0.0001 and 1")


def _try_cost(run: Callable[[float], tuple[int, int]], cost: float, goal: Goal) -> Trial:
    """Run batches at one cost until the frames decide, or the rounds are used up."""
    error = (1 - goal.confidence) / (MAX_DECISIONS * goal.rounds)
    frames = late = 0
    answer = Answer.UNDECIDED
    for _ in range(goal.rounds):
        more, more_late = run(cost)
        if not 0 <= more_late <= more or more < 1:
            raise ValueError(f"a batch of {more} frames with {more_late} late: impossible counts")
        frames, late = frames + more, late + more_late
        answer = _answer(late, frames, share=goal.late_share, error=error)
        if answer is not Answer.UNDECIDED:
            break
    return Trial(cost=cost, frames=frames, late=late, answer=answer)


def _answer(late: int, frames: int, *, share: float, error: float) -> Answer:
    """Decide one cost; only the tail on the observed side can be small enough."""
    if late <= share * frames:
        return Answer.FITS if share_at_most(late, frames, share=share) <= error else Answer.UNDECIDED
    return Answer.TOO_MUCH if share_at_least(late, frames, share=share) <= error else Answer.UNDECIDED


def share_at_most(late: int, frames: int, *, share: float) -> float:
    """Return the probability of `late` or fewer late frames when each is late with probability `share`."""
    return min(1.0, math.fsum(_probability(count, frames, share) for count in range(late + 1)))


def share_at_least(late: int, frames: int, *, share: float) -> float:
    """Return the probability of `late` or more late frames when each is late with probability `share`."""
    if late <= share * frames:
        return max(0.0, 1.0 - math.fsum(_probability(count, frames, share) for count in range(late)))
    total = 0.0
    for count in range(late, frames + 1):
        term = _probability(count, frames, share)
        total += term
        if term <= total * 1e-17:
            break
    return min(1.0, total)


def _probability(count: int, frames: int, share: float) -> float:
    """Return the binomial probability of exactly `count`, by logarithms so that large counts do not overflow."""
    ways = math.lgamma(frames + 1) - math.lgamma(count + 1) - math.lgamma(frames - count + 1)
    return math.exp(ways + count * math.log(share) + (frames - count) * math.log1p(-share))
