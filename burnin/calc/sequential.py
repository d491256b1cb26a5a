"""How long a rung of a tuning ladder must run: Wald's sequential test for a Poisson rate.

A. Wald, *Sequential Analysis* (1947): with r faults in t hours the logarithm of the likelihood ratio of the
bad rate against the good one is r ln(bad / good) - (bad - good) t. The rung is accepted once it falls to ln(b / (1 - a)),
rejected once it rises to ln((1 - b) / a), where a is the risk of rejecting a good rung and b of accepting a bad one.
The two risks are nominal: Wald shows only that they are at most a / (1 - b) and b / (1 - a), and together at most a + b.
Since faults come whole and hours do not, the first is smaller and the second a little larger than nominal; what the plan
really does is computed exactly in :func:`true_risks` and belongs on paper beside the nominal risks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from burnin.calc.distributions import gamma_shares

Verdict = Literal["accept", "reject", "go-on"]


@dataclass(frozen=True, kw_only=True)
class RatePlan:
    """A sequential plan.

    Attributes:
        good_per_h: Fault rate that should be accepted.
        bad_per_h: Fault rate that should be rejected, above ``good_per_h``.
        reject_good: Nominal risk of rejecting at the good rate.
        accept_bad: Nominal risk of accepting at the bad rate.
    """

    good_per_h: float
    bad_per_h: float
    reject_good: float = 0.05
    accept_bad: float = 0.05

    def __post_init__(self) -> None:
        if not 0 < self.good_per_h < self.bad_per_h or math.isinf(self.bad_per_h):
            raise ValueError(f"rates need 0 < good < bad: {self.good_per_h}, {self.bad_per_h}")
        if not (self.reject_good > 0 and self.accept_bad > 0 and self.reject_good + self.accept_bad < 1):
            raise ValueError(f"risks lie above 0 and below 1 together: {self.reject_good}, {self.accept_bad}")

    @property
    def slope_per_h(self) -> float:
        """Faults per hour along both border lines."""
        return (self.bad_per_h - self.good_per_h) / math.log(self.bad_per_h / self.good_per_h)

    @property
    def accept_offset(self) -> float:
        """Faults by which the count must stay below the slope to be accepted."""
        return math.log((1 - self.reject_good) / self.accept_bad) / math.log(self.bad_per_h / self.good_per_h)

    @property
    def reject_offset(self) -> float:
        """Faults by which the count must exceed the slope to be rejected."""
        return math.log((1 - self.accept_bad) / self.reject_good) / math.log(self.bad_per_h / self.good_per_h)


@dataclass(frozen=True, kw_only=True)
class TrueRisks:
    """What a plan does at a rate.

    Attributes:
        accept: Probability of accepting.
        hours: Expected length of the test.
    """

    accept: float
    hours: float


def verdict(plan: RatePlan, *, faults: int, time_h: float) -> Verdict:
    """Return what the plan says after ``faults`` faults in ``time_h`` hours.

    Rejection is looked at first: it can only come with a fault, acceptance only between faults.
    """
    if faults < 0 or not time_h >= 0:
        raise ValueError(f"faults and hours must not be negative: {faults}, {time_h}")
    above = faults - plan.slope_per_h * time_h
    if above >= plan.reject_offset:
        return "reject"
    return "accept" if -above >= plan.accept_offset * (1 - 1e-12) else "go-on"


def hours_to_accept(plan: RatePlan, faults: int = 0) -> float:
    """Return the hours at which the plan accepts if no further fault comes."""
    return (faults + plan.accept_offset) / plan.slope_per_h


def faults_to_reject(plan: RatePlan, time_h: float) -> int:
    """Return the number of faults with which the plan rejects at this time."""
    return max(math.ceil(plan.reject_offset + plan.slope_per_h * time_h - 1e-12), 1)


def true_risks(plan: RatePlan, rate_per_h: float) -> TrueRisks:
    """Return the exact probability of acceptance and the expected length at a true rate.

    The probabilities of the counts that are still open are carried from one crossing of a border line to the next (the
    direct method, Aroian 1968); between crossings they are Poisson.

    Args:
        plan: The plan.
        rate_per_h: True fault rate, 0 or more.
    """
    if not rate_per_h >= 0:
        raise ValueError(f"a rate must not be negative: {rate_per_h}")
    states = {0: 1.0}
    now = accept = hours = 0.0
    ceiling = math.floor(plan.reject_offset) + 1
    while sum(states.values()) > 1e-12:
        lowest = min(states)
        accepts_at = hours_to_accept(plan, lowest)
        rises_at = (ceiling - plan.reject_offset) / plan.slope_per_h
        span = min(accepts_at, rises_at) - now
        hours += _open_hours(states, rate_per_h, span_h=span, ceiling=ceiling)
        states = _advanced(states, rate_per_h * span, ceiling=ceiling)
        if accepts_at <= rises_at:
            accept += states.pop(lowest)
        else:
            ceiling += 1
        now += span
    return TrueRisks(accept=accept, hours=hours)


def _advanced(states: dict[int, float], expected: float, *, ceiling: int) -> dict[int, float]:
    """Return the probabilities of the counts below the ceiling after ``expected`` further faults on average."""
    chances = [math.exp(-expected)]
    for more in range(1, ceiling):
        chances.append(chances[-1] * expected / more)
    return {
        count: sum(p * chances[count - before] for before, p in states.items() if before <= count)
        for count in range(min(states), ceiling)
    }


def _open_hours(states: dict[int, float], rate_per_h: float, *, span_h: float, ceiling: int) -> float:
    """Return the expected time within ``span_h`` during which the test is still open."""
    if rate_per_h == 0:
        return span_h * sum(states.values())
    expected = rate_per_h * span_h
    until = [gamma_shares(more + 1.0, expected)[0] / rate_per_h for more in range(ceiling)]
    return sum(p * sum(until[: ceiling - count]) for count, p in states.items())
