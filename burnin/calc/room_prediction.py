"""From a run to a temperature in the customer's room: the steady state as measured, what stood still, the prediction.

Everything is taken from the view of the run; the model and its refusals are those of :mod:`burnin.calc.prediction`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from burnin.calc.arrays import Floats
from burnin.calc.held import TimeShare, change_share, time_share
from burnin.calc.prediction import Conditions, Measured, OperatingPoint, Prediction, obstacle, predict_at_room
from burnin.calc.refusal import Refusal
from burnin.calc.run_facts import GAP_PERIODS, StageRun, hot_runs, period_s, stage_runs
from burnin.calc.series import Level, batch_level
from burnin.calc.stage_levels import hottest_channel, settled_mean, stretch, with_role
from burnin.calc.steady import DEFAULT_RULE, find_steady, still_to_come
from burnin.calc.step_response import FitSettings, StepFit, fit_step
from burnin.records.channels import Channel
from burnin.records.events import InstrumentReading
from burnin.records.view import RunView

Fans = Literal["seen", "fixed"]

INLET_HALF_WIDTH_C: Final = 2.0
"""Taken for a thermometer whose uncertainty nobody stated (common practice for a household thermometer)."""

NOT_TAKEN_HOT_K: Final = 1.0
"""Half width added where the air was measured at another time than under load (our choice)."""

FAN_CHANGE: Final = 0.05
"""Fans whose speed under load is within this share of that at rest count as fixed (our choice)."""

_SKIP_S: Final = 30.0
"""The die's own jump is left out of the fit for what is still to come: it ends within seconds."""

_FAST: Final = frozenset({"no-step-seen", "too-fast-for-sampling"})
"""Refusals of the fit that say: half a minute after the step, nothing slow is left to come."""


@dataclass(frozen=True, kw_only=True)
class SteadyPoint:
    """A hot stage's steady state, and what stood still while it was taken.

    Attributes:
        run: The stage.
        channel: The sensor.
        point: Temperature, inlet air and what is still to come.
        conditions: What stood still.
        inlet_name: Which reading the inlet air is (``inlet`` or ``room``), empty for none.
        trouble: Why it carries no prediction, None when it does.
    """

    run: StageRun
    channel: Channel
    point: OperatingPoint
    conditions: Conditions
    inlet_name: str
    trouble: Refusal | None


def inlet_air(view: RunView) -> tuple[Measured | None, str]:
    """Return the air before the radiator as an instrument measured it, with its standard uncertainty, and its name.

    Readings named ``inlet`` go before those named ``room``, those taken hot before all others. Half widths are taken as
    two standard uncertainties; several readings add their scatter.
    """
    for name in ("inlet", "room"):
        every = [
            event for _, event in view.of(InstrumentReading) if event.name == name and event.unit == "degC"
        ]
        hot = [event for event in every if event.moment == "hot"]
        if every:
            return _averaged(hot or every, hot=bool(hot)), name
    return None, ""


def _averaged(readings: list[InstrumentReading], *, hot: bool) -> Measured:
    values = np.array([event.value for event in readings])
    widths = [INLET_HALF_WIDTH_C if event.uncertainty is None else event.uncertainty for event in readings]
    scatter = float(np.ptp(values)) / 2 / math.sqrt(3)
    apart = 0.0 if hot else NOT_TAKEN_HOT_K / 2
    return Measured(value=float(np.mean(values)), u=math.hypot(max(widths) / 2, scatter, apart))


def steady_points(view: RunView, *, fans: Fans = "seen") -> tuple[SteadyPoint, ...]:
    """Return every hot stage under an even load with enough readings, hottest first.

    Args:
        view: The run.
        fans: ``fixed`` where the workshop states that all fans are held; ``seen`` to find out from their speeds.
    """
    channel = hottest_channel(view)
    if channel is None:
        return ()
    found = [
        _point(view, run, channel, fans=fans) for run in hot_runs(view) if run.plan.shape.kind == "steady"
    ]
    return tuple(sorted(filter(None, found), key=lambda each: -each.point.temp_c.value))


def best_point(view: RunView, *, fans: Fans = "seen") -> SteadyPoint | Refusal:
    """Return the hottest steady state without an obstacle, else the first obstacle met.

    Returns:
        The steady state, or a refusal of :func:`burnin.calc.prediction.obstacle`, of the step fit, or ``no-soak``.
    """
    points = steady_points(view, fans=fans)
    if not points:
        return Refusal(slug="no-soak")
    good = next((each for each in points if each.trouble is None), None)
    return good or next(each.trouble for each in points if each.trouble is not None)


def predicted(view: RunView, *, room_c: float, fans: Fans = "seen") -> Prediction | Refusal:
    """Return the processor's steady temperature in a room of ``room_c``, from the hottest stage that supports one."""
    best = best_point(view, fans=fans)
    if isinstance(best, Refusal):
        return best
    return predict_at_room(best.point, best.conditions, room_c=room_c)


def _point(view: RunView, run: StageRun, channel: Channel, *, fans: Fans) -> SteadyPoint | None:
    t_s, columns = stretch(view, run, (channel,))
    temps = columns[:, 0]
    steadiness = find_steady(t_s, temps) if len(t_s) else None
    end = t_s >= run.span.span_s - DEFAULT_RULE.length_s
    level = batch_level(t_s[end], temps[end])
    if steadiness is None or not isinstance(level, Level):
        return None
    inlet, name = inlet_air(view)
    conditions = _conditions(
        view, run, steady=steadiness.slug == "steady", inlet=inlet is not None, fans=fans
    )
    rest = obstacle(conditions) or _rest(t_s, temps, channel)
    trouble = rest if isinstance(rest, Refusal) else None
    point = OperatingPoint(
        temp_c=Measured(value=level.mean, u=_sensor_u(channel, level.u)),
        inlet_c=inlet or Measured(value=math.nan, u=math.nan),
        rest_k=Measured(value=0.0, u=0.0) if isinstance(rest, Refusal) else rest,
    )
    return SteadyPoint(
        run=run, channel=channel, point=point, conditions=conditions, inlet_name=name, trouble=trouble
    )


def _sensor_u(channel: Channel, level_u: float) -> float:
    """Return the standard uncertainty of a level: scatter, stated accuracy as two of them, and the sensor's step."""
    accuracy = 5.0 if channel.accuracy is None else channel.accuracy
    return math.hypot(level_u, accuracy / 2, (channel.resolution or 0.0) / math.sqrt(12))


def _rest(t_s: Floats, temps: Floats, channel: Channel) -> Measured | Refusal:
    """Return what the steady-state rule still leaves to come at the fitted time constant."""
    later = t_s >= _SKIP_S
    settings = FitSettings(resolution_c=1.0 if channel.resolution is None else channel.resolution)
    fit = fit_step(t_s[later], temps[later], settings=settings)
    if isinstance(fit, StepFit):
        value, u = still_to_come(DEFAULT_RULE, fit.tau_s.high)
        return Measured(value=value, u=u)
    return Measured(value=0.0, u=0.0) if fit.slug in _FAST else fit


def _conditions(view: RunView, run: StageRun, *, steady: bool, inlet: bool, fans: Fans) -> Conditions:
    power = with_role(view, "cpu_power", quantity="power")
    clocks = with_role(view, "cpu_clock", quantity="frequency")
    return Conditions(
        steady=steady,
        inlet_measured=inlet,
        power_change=_change(view, run, power[:1]),
        clock_change=_change(view, run, clocks),
        fans="fixed" if fans == "fixed" or fans_stood(view, run) else "free",
        throttled_share=_throttled(view, run),
    )


def _change(view: RunView, run: StageRun, channels: tuple[Channel, ...]) -> float:
    """Return by what share the mean of channels drifted over the rule's length at the end of a stage, NaN if unknown."""
    t_s, columns = stretch(view, run, channels, from_s=run.span.span_s - DEFAULT_RULE.length_s)
    if not channels or not len(t_s):
        return math.nan
    good = np.isfinite(columns).all(axis=1)
    share = change_share(t_s[good], columns[good].mean(axis=1))
    return math.nan if isinstance(share, Refusal) else share


def fans_stood(view: RunView, run: StageRun) -> bool:
    """Return whether all fans turned at one speed, at rest and in the hot stage; False where no fan can be read."""
    rests = [each for each in stage_runs(view) if each.plan.kind in {"idle", "dwell"}]
    speeds = []
    for channel in with_role(view, "fan", quantity="fan_speed"):
        hot = settled_mean(view, run, channel)
        cold = settled_mean(view, rests[0], channel) if rests else None
        if hot is None or cold is None:
            return False
        if hot or cold:
            speeds.append(abs(hot - cold) / max(hot, cold))
    return bool(speeds) and max(speeds) <= FAN_CHANGE


def _throttled(view: RunView, run: StageRun) -> float:
    """Return the share of a stage in which a throttle counter moved, NaN where none can be read."""
    counters = with_role(view, "throttle_count", quantity="count")
    t_s, columns = stretch(view, run, counters)
    if not counters or len(t_s) < 2:
        return math.nan
    rising = np.diff(columns, axis=0)
    flags = np.where(np.isfinite(rising).all(axis=1), (rising > 0).any(axis=1).astype(np.float64), np.nan)
    share = time_share(t_s, np.append(flags, np.nan), longest_gap_s=GAP_PERIODS * period_s(view))
    return share.share if isinstance(share, TimeShare) else math.nan
