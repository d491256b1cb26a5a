"""When a temperature counts as steady: published reading rules, a rule on the slope, and what is still to come.

Reading rules are those of the standards named beside them, quoted from secondary sources. The standards let a person
read an instrument; here a reading is the mean of the samples of the ten seconds before it (our definition), at least half
of which must be there. A gap is never bridged.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from burnin.calc.arrays import Flags, Floats, checked_series, usual_step_s
from burnin.calc.refusal import Refusal
from burnin.calc.trend import Trend, trace_slope

READING_S: Final = 10.0
_ROUNDING_K: Final = 1e-9
"""Differences this close to the limit equal it; sums of floats cannot tell."""


@dataclass(frozen=True, kw_only=True)
class SteadyRule:
    """Successive readings that differ by no more than a stated amount.

    Attributes:
        name: Key in plans.
        source: The standard it is taken from.
        span_s: Time between two readings.
        count: Number of readings that must agree.
        change_k: Largest difference between any two of them.
        strict: The difference must stay below ``change_k``, not just reach it.
    """

    name: str
    source: str
    span_s: float
    count: int
    change_k: float
    strict: bool = False

    @property
    def length_s(self) -> float:
        """Time from the first to the last reading of the rule."""
        return self.span_s * (self.count - 1)


DEFAULT_RULE: Final = SteadyRule(
    name="iec-61810-7", source="IEC 61810-7", span_s=300.0, count=3, change_k=1.0, strict=True
)

RULES: Final[tuple[SteadyRule, ...]] = (
    DEFAULT_RULE,
    SteadyRule(name="iec-62368-1", source="IEC 62368-1, B.1.6", span_s=1800.0, count=2, change_k=3.0),
    SteadyRule(name="iec-60034-1", source="IEC 60034-1", span_s=3600.0, count=2, change_k=2.0),
    SteadyRule(
        name="iec-61010-1", source="IEC 61010-1, committee decision 23", span_s=3600.0, count=2, change_k=2.0
    ),
    SteadyRule(name="iec-62282-2", source="IEC 62282-2", span_s=900.0, count=2, change_k=3.0),
    SteadyRule(
        name="iec-60598-1", source="IEC 60598-1, 12.4.1", span_s=3600.0, count=2, change_k=1.0, strict=True
    ),
)


@dataclass(frozen=True, kw_only=True)
class SlopeRule:
    """A slope that is shown to be small: its confidence bound, not its estimate, lies within the limit.

    Attributes:
        window_s: Stretch over which the slope is taken.
        limit_k_per_h: Largest slope, either way (the default is the rate of IEC 60034-1).
        confidence: One-sided, on either side.
        resolution_c: Step of the sensor.
    """

    window_s: float = 900.0
    limit_k_per_h: float = 2.0
    confidence: float = 0.95
    resolution_c: float = 1.0


@dataclass(frozen=True, kw_only=True)
class Steadiness:
    """Whether and when a trace became steady.

    Attributes:
        reached: The rule held at some moment.
        time_s: First moment at which it held, on the caller's time axis.
        since_s: First moment of the unbroken stretch in which it holds up to the end; None if it does not hold there.
        slope_k_per_h: Slope over the rule's length before the end, None where it cannot be taken.
        slope_u_k_per_h: Its standard uncertainty.
        slug: ``steady``, ``steady-not-kept``, ``still-changing``, ``too-short`` or ``gaps``.
    """

    reached: bool
    time_s: float | None
    since_s: float | None
    slope_k_per_h: float | None
    slope_u_k_per_h: float | None
    slug: str


_TOO_SHORT: Final = Steadiness(
    reached=False, time_s=None, since_s=None, slope_k_per_h=None, slope_u_k_per_h=None, slug="too-short"
)


def find_steady(t_s: ArrayLike, temp_c: ArrayLike, rule: SteadyRule = DEFAULT_RULE) -> Steadiness:
    """Apply a reading rule at every sample.

    Args:
        t_s: Seconds, strictly rising.
        temp_c: Temperatures, NaN in gaps.
        rule: The rule.
    """
    times, temps = checked_series(t_s, temp_c)
    if times.size < 2 or times[-1] - times[0] < rule.length_s:
        return _TOO_SHORT
    moments = times[times >= times[0] + rule.length_s]
    lookback = np.arange(rule.count) * rule.span_s
    readings = np.stack([_readings(times, temps, moments - back) for back in lookback])
    spread = np.ptp(readings, axis=0)
    holds = spread < rule.change_k + (-_ROUNDING_K if rule.strict else _ROUNDING_K)
    late = times >= times[-1] - rule.length_s
    slope = trace_slope(times[late], temps[late], step=0.0)
    return _describe(moments, holds, known=np.isfinite(spread), slope=slope)


def find_steady_slope(t_s: ArrayLike, temp_c: ArrayLike, *, rule: SlopeRule | None = None) -> Steadiness:
    """Apply the slope rule at moments a tenth of its window apart.

    Args:
        t_s: Seconds, strictly rising.
        temp_c: Temperatures, NaN in gaps; a window less than half filled says nothing.
        rule: The rule.
    """
    rule = rule or SlopeRule()
    times, temps = checked_series(t_s, temp_c)
    if times.size < 2 or times[-1] - times[0] < rule.window_s:
        return _TOO_SHORT
    steps = math.floor((times[-1] - times[0] - rule.window_s) / (rule.window_s / 10) + 1e-9)
    moments = times[-1] - np.arange(steps, -1, -1) * rule.window_s / 10
    slopes = [_window_slope(times, temps, end_s=float(end), rule=rule) for end in moments]
    limit = rule.limit_k_per_h / 3600
    holds = [isinstance(slope, Trend) and slope.bound(rule.confidence) <= limit for slope in slopes]
    known = [isinstance(slope, Trend) for slope in slopes]
    last = slopes[-1] if slopes else Refusal(slug="too-few-readings")
    return _describe(
        moments, np.array(holds, dtype=np.bool_), known=np.array(known, dtype=np.bool_), slope=last
    )


def still_to_come_k(rule: SteadyRule, tau_s: float) -> float:
    """Return how far, at most, the end of the climb can still be when the rule holds.

    An exponential approach that moved by ``change_k`` during the rule's length L is still
    change / (exp(L / tau) - 1) away from its end.

    Args:
        rule: The rule that held.
        tau_s: Fitted time constant, greater than 0.
    """
    return rule.change_k / math.expm1(rule.length_s / tau_s)


def still_to_come(rule: SteadyRule, tau_s: float) -> tuple[float, float]:
    """Return the expected rest of the climb and its standard uncertainty, in kelvin.

    Anything between 0 and :func:`still_to_come_k` is as likely: half of it, with half of it over the root of 3 (GUM,
    JCGM 100:2008, 4.3.7).
    """
    half = 0.5 * still_to_come_k(rule, tau_s)
    return half, half / math.sqrt(3)


def time_in_condition_s(t_s: ArrayLike, within: ArrayLike, *, longest_gap_s: float) -> float:
    """Return the time during which a condition held; time out of it, or unseen, does not count.

    After MIL-STD-750F 4.5: time before the condition is reached, or while it is lost, is not test time.

    Args:
        t_s: Seconds, strictly rising.
        within: For each time, whether the condition held.
        longest_gap_s: Longer distances between samples count as unseen.
    """
    times, flags = checked_series(t_s, np.asarray(within, dtype=np.float64))
    steps = np.diff(times)
    counted = (flags[1:] == 1) & (flags[:-1] == 1) & (steps <= longest_gap_s)
    return float(np.sum(steps[counted]))


def _readings(times: Floats, temps: Floats, moments: Floats) -> Floats:
    """Return the mean of the samples of the ten seconds up to each moment, NaN where fewer than half are there."""
    usual = usual_step_s(times)
    good = np.isfinite(temps)
    offset = float(np.mean(temps[good])) if good.any() else 0.0
    sums = np.concatenate([[0.0], np.cumsum(np.where(good, temps - offset, 0.0))])
    counts = np.concatenate([[0], np.cumsum(good)])
    upper = np.searchsorted(times, moments, side="right")
    lower = np.searchsorted(times, moments - READING_S, side="right")
    number = counts[upper] - counts[lower]
    full = np.minimum(READING_S, moments - times[0] + usual) / usual
    enough = number >= np.maximum(0.5 * np.floor(full + 1e-9), 1)
    return np.where(enough, offset + (sums[upper] - sums[lower]) / np.maximum(number, 1), np.nan)


def _window_slope(times: Floats, temps: Floats, *, end_s: float, rule: SlopeRule) -> Trend | Refusal:
    inside = (times >= end_s - rule.window_s) & (times <= end_s)
    filled = int(np.count_nonzero(np.isfinite(temps[inside])))
    needed = 0.5 * rule.window_s / usual_step_s(times)
    if filled < needed:
        return Refusal(slug="gaps", observed=filled, needed=needed)
    return trace_slope(times[inside], temps[inside], step=rule.resolution_c)


def _describe(moments: Floats, holds: Flags, *, known: Flags, slope: Trend | Refusal) -> Steadiness:
    reached = bool(holds.any())
    kept = reached and bool(holds[-1])
    since = None
    if kept:
        broken = np.flatnonzero(~holds)
        since = float(moments[broken[-1] + 1 if broken.size else 0])
    if reached:
        slug = "steady" if kept else "steady-not-kept"
    else:
        slug = "still-changing" if known.any() else "gaps"
    fitted = slope if isinstance(slope, Trend) else None
    return Steadiness(
        reached=reached,
        time_s=float(moments[int(np.argmax(holds))]) if reached else None,
        since_s=since,
        slope_k_per_h=fitted.slope * 3600 if fitted else None,
        slope_u_k_per_h=fitted.u * 3600 if fitted else None,
        slug=slug,
    )
