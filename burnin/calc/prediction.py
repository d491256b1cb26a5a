"""From the workshop's room to the customer's: thermal resistance and the steady temperature at another room temperature.

Model: steady temperature = inlet air + resistance x power (JESD51-1 for the resistance, from memory). At another inlet the rise
stays what it is, but for the growth of power with temperature (leakage) and the thinner air, summed up as a share
of the rise per kelvin: an assumption of ours, 0.15 % +- 0.15 %, to be set to nothing where a power limit holds
the power. The model says nothing about other fan speeds, so it is refused unless inlet air was measured and
power, clock and fans stood still.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from burnin.calc.refusal import Refusal

COVERAGE_FACTOR: Final = 2.0
MOST_POWER_CHANGE: Final = 0.05
MOST_CLOCK_CHANGE: Final = 0.02
FARTHEST_SHIFT_K: Final = 20.0
"""Farther from the measured room than this the model is not trusted (our choice)."""


@dataclass(frozen=True, kw_only=True)
class Measured:
    """A value with its standard uncertainty, in the unit its place says."""

    value: float
    u: float


@dataclass(frozen=True, kw_only=True)
class Conditions:
    """What stood still while the temperature was taken.

    Attributes:
        steady: The steady-state rule held, or the steady state was extrapolated by a fit.
        inlet_measured: The room figure is measured inlet air, not a board sensor and not a guess.
        power_change: Change of power along the stretch, share of its mean; NaN if unknown.
        clock_change: Change of clock along the stretch, share of its mean; NaN if unknown.
        fans: ``fixed``, ``modelled`` (the temperature at another duty is accounted for), or ``free``.
        throttled_share: Share of the stretch with throttling; NaN if unknown.
    """

    steady: bool
    inlet_measured: bool
    power_change: float
    clock_change: float
    fans: Literal["fixed", "modelled", "free"]
    throttled_share: float


@dataclass(frozen=True, kw_only=True)
class OperatingPoint:
    """A steady state as measured.

    Attributes:
        temp_c: Steady temperature.
        inlet_c: Inlet air at that time.
        rest_k: What the climb still had to come (value and uncertainty), zero after a fit.
        growth_per_k: Growth of the rise per kelvin of temperature, as a share.
    """

    temp_c: Measured
    inlet_c: Measured
    rest_k: Measured = Measured(value=0.0, u=0.0)
    growth_per_k: Measured = Measured(value=0.0015, u=0.0015)


@dataclass(frozen=True, kw_only=True)
class Prediction:
    """A predicted temperature.

    Attributes:
        value_c: Best estimate.
        u_k: Standard uncertainty.
        low_c: Lower end, two standard uncertainties down.
        high_c: Upper end, two standard uncertainties up.
        shift_k: Distance of the room from the measured one.
    """

    value_c: float
    u_k: float
    low_c: float
    high_c: float
    shift_k: float


def thermal_resistance(temp_c: Measured, inlet_c: Measured, *, power_w: Measured) -> Measured | Refusal:
    """Return (temperature - inlet) / power in kelvin per watt, uncertainty by GUM (JCGM 100:2008, 5.1.2).

    Refused as ``no-power`` where the power is not clearly above 0 (three standard uncertainties).
    """
    if not power_w.value > max(3 * power_w.u, 0.0):
        return Refusal(slug="no-power", observed=power_w.value, needed=3 * power_w.u)
    resistance = (temp_c.value - inlet_c.value) / power_w.value
    u = math.hypot(temp_c.u, inlet_c.u, resistance * power_w.u) / power_w.value
    return Measured(value=resistance, u=u)


def obstacle(conditions: Conditions) -> Refusal | None:
    """Return the first reason against a prediction from these conditions, None if there is none."""
    if not conditions.steady:
        return Refusal(slug="not-steady")
    if not conditions.inlet_measured:
        return Refusal(slug="inlet-air-not-measured")
    if conditions.fans == "free":
        return Refusal(slug="fans-not-fixed")
    for slug, observed, most in (
        ("power-not-steady", conditions.power_change, MOST_POWER_CHANGE),
        ("clock-not-steady", conditions.clock_change, MOST_CLOCK_CHANGE),
        ("throttled", conditions.throttled_share, 0.0),
    ):
        if not abs(observed) <= most:
            return Refusal(slug=slug, observed=observed, needed=most)
    return None


def predict_at_room(point: OperatingPoint, conditions: Conditions, *, room_c: float) -> Prediction | Refusal:
    """Predict the steady temperature at another inlet air temperature.

    Args:
        point: Steady state as measured.
        conditions: What stood still meanwhile.
        room_c: Inlet air to predict for.

    Returns:
        The prediction, or the refusal of :func:`obstacle`, or ``room-too-far`` (kelvin).
    """
    shift = room_c - point.inlet_c.value
    refusal = obstacle(conditions) or _too_far(shift)
    if refusal:
        return refusal
    gain = _gain(point)
    value = point.temp_c.value + point.rest_k.value + gain.value * shift
    u = math.hypot(point.temp_c.u, point.rest_k.u, gain.value * point.inlet_c.u, gain.u * shift)
    return _prediction(value, u, shift=shift)


def room_at_limit(point: OperatingPoint, conditions: Conditions, *, limit_c: float) -> Prediction | Refusal:
    """Predict the inlet air temperature at which the steady temperature reaches a limit.

    The lower end is the room up to which the limit is kept with confidence. Refusals as in :func:`predict_at_room`.
    """
    gain = _gain(point)
    shift = (limit_c - point.temp_c.value - point.rest_k.value) / gain.value
    refusal = obstacle(conditions) or _too_far(shift)
    if refusal:
        return refusal
    spread = math.hypot(point.temp_c.u, point.rest_k.u, gain.u * shift) / gain.value
    return _prediction(point.inlet_c.value + shift, math.hypot(spread, point.inlet_c.u), shift=shift)


def _gain(point: OperatingPoint) -> Measured:
    """Return by how much the steady temperature rises per kelvin of room: 1 / (1 - growth x rise)."""
    rise = point.temp_c.value + point.rest_k.value - point.inlet_c.value
    left = 1 - point.growth_per_k.value * rise
    if left <= 0.5:
        raise ValueError(
            f"growth of {point.growth_per_k.value} per kelvin at a rise of {rise} K has no steady state"
        )
    return Measured(value=1 / left, u=abs(rise) * point.growth_per_k.u / left**2)


def _too_far(shift_k: float) -> Refusal | None:
    if abs(shift_k) <= FARTHEST_SHIFT_K:
        return None
    return Refusal(slug="room-too-far", observed=shift_k, needed=FARTHEST_SHIFT_K)


def _prediction(value: float, u: float, *, shift: float) -> Prediction:
    half = COVERAGE_FACTOR * u
    return Prediction(value_c=value, u_k=u, low_c=value - half, high_c=value + half, shift_k=shift)
