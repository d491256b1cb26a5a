"""Decisions against a limit when the measured value is uncertain.

Probabilities after JCGM 106:2012 (normal distribution about the measured value, no prior knowledge of the product);
decision rules after ILAC-G8:09/2019. ``u`` is always the standard uncertainty and U = 2 u the expanded one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from burnin.calc.distributions import normal_cdf
from burnin.records.findings import Outcome

COVERAGE_FACTOR: Final = 2.0


Rule = Literal["simple", "guarded", "non-binary"]
"""How the guard band enters the decision.

``simple``: none, a workshop's target; pass up to the limit, fail beyond it. ``guarded``: pass up to U before the limit,
fail beyond the limit, inconclusive between. ``non-binary`` (ILAC-G8, 4.2.3): fail only from U beyond the limit.
"""


@dataclass(frozen=True, kw_only=True)
class Tolerance:
    """Lower and upper limit, infinite where there is none."""

    lower: float = -math.inf
    upper: float = math.inf

    def __post_init__(self) -> None:
        if not self.lower < self.upper or (math.isinf(self.upper - self.lower) and self.lower == -self.upper):
            raise ValueError(
                f"limits need lower < upper and at least one of them: {self.lower}, {self.upper}"
            )


@dataclass(frozen=True, kw_only=True)
class Decision:
    """A decision and the figures behind it.

    Attributes:
        outcome: Pass, fail or inconclusive.
        slug: ``within``, ``beyond``, ``conditional-pass`` (inside the limit, within the guard band),
            ``conditional-fail`` (outside, within it), ``guard-wider-than-tolerance``, ``no-value``, ``no-uncertainty``.
        margin: Distance to the nearer limit, positive inside; NaN without a value.
        guard: Width of the guard band, same unit.
        conformance: Probability that the true value lies within the limits; NaN where it cannot be given.
        risk_at_limit: Probability of passing a true value that lies exactly at the limit.
    """

    outcome: Outcome
    slug: str
    margin: float
    guard: float
    conformance: float
    risk_at_limit: float


def conformance_probability(value: float, u: float, *, tolerance: Tolerance) -> float:
    """Return the probability that the true value lies within the limits (JCGM 106:2012, 7.2 to 7.4).

    Args:
        value: Measured value.
        u: Standard uncertainty, 0 or more.
        tolerance: Limits.
    """
    if u == 0:
        return 1.0 if tolerance.lower <= value <= tolerance.upper else 0.0
    return normal_cdf((tolerance.upper - value) / u) - normal_cdf((tolerance.lower - value) / u)


def decide(value: float, u: float, tolerance: Tolerance, *, rule: Rule) -> Decision:
    """Decide whether a measured value keeps its limits.

    Missing evidence never passes: a value or (where the rule needs it) an uncertainty that is NaN, negative or infinite
    is inconclusive.

    Args:
        value: Measured value.
        u: Standard uncertainty, same unit.
        tolerance: Limits.
        rule: Decision rule.
    """
    known = math.isfinite(u) and u >= 0
    guard = 0.0 if rule == "simple" else COVERAGE_FACTOR * u
    margin = min(tolerance.upper - value, value - tolerance.lower)
    outcome: Outcome = "inconclusive"
    if not math.isfinite(value):
        slug, margin = "no-value", math.nan
    elif not known and rule != "simple":
        slug = "no-uncertainty"
    elif 2 * guard > tolerance.upper - tolerance.lower and margin >= 0:
        slug = "guard-wider-than-tolerance"
    else:
        outcome, slug = _zone(margin, guard=guard, rule=rule)
    return Decision(
        outcome=outcome,
        slug=slug,
        margin=margin,
        guard=guard if known else (0.0 if rule == "simple" else math.nan),
        conformance=conformance_probability(value, u, tolerance=tolerance)
        if known and math.isfinite(value)
        else math.nan,
        risk_at_limit=risk_at_limit(guard, u) if known else math.nan,
    )


def risk_at_limit(guard: float, u: float) -> float:
    """Return the probability of passing a true value exactly at the limit: Phi(-guard / u), ILAC-G8 table 1."""
    if u == 0:
        return 0.5 if guard == 0 else 0.0
    return normal_cdf(-guard / u)


def _zone(margin: float, *, guard: float, rule: Rule) -> tuple[Outcome, str]:
    if margin >= guard:
        return "pass", "within"
    if margin >= 0:
        return "inconclusive", "conditional-pass"
    if rule == "non-binary" and margin >= -guard:
        return "inconclusive", "conditional-fail"
    return "fail", "beyond"
