"""No part under load came nearer to its temperature limit than its sensor's accuracy allows to tell."""

from __future__ import annotations

from typing import Final, Literal

from burnin.calc.acceptance_limit import acceptance_limit, planned_limit
from burnin.calc.guard import Tolerance, decide
from burnin.calc.hot_readings import HotReading, hot_reading
from burnin.plugin.contracts import CriterionSpec, Param
from burnin.records.channels import Channel, Role
from burnin.records.findings import Finding, Outcome
from burnin.records.plan import Scalar
from burnin.records.view import RunView

DecisionRule = Literal["guarded", "simple"]

_NAME: Final = "temperature_limits"
_ACCURACY_C: Final = 5.0
_MISSING_SHARE: Final = 0.05
_PARTS: Final = ("cpu", "coolant", "power_stage", "graphics", "graphics_memory", "storage")
_ROLES: Final[dict[str, tuple[Role, ...]]] = {"cpu": ("cpu_hottest", "cpu_core")}
_SUBJECTS: Final = {
    "cpu": "Processor temperature",
    "coolant": "Coolant temperature",
    "power_stage": "Power stage temperature",
    "graphics": "Graphics temperature",
    "graphics_memory": "Graphics memory temperature",
    "storage": "Drive temperature",
}
_OPEN: Final[Outcome] = "inconclusive"
_ZONES: Final = {"within": "within", "beyond": "beyond", "conditional-pass": "too_near"}


class TemperatureLimits:
    """The highest good reading of the hot stages is held against the limit.

    The limit is the plan's, else the lower one of the hardware's own high limit and its critical limit less the margin.
    The guarded rule keeps the sensor's stated accuracy as a guard band before the limit (JCGM 106, ILAC-G8).
    """

    spec: Final = CriterionSpec(
        title="Temperatures within their limits",
        safety=True,
        params=(
            Param(
                name="accuracy_c",
                default=_ACCURACY_C,
                about="accuracy taken for a sensor that states none, degC (common practice for sensors on the die)",
                low=0.0,
                high=20.0,
            ),
        ),
    )

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:
        """Return one finding per channel held against a limit, and one per part that should have a sensor and has none."""
        accuracy_c = float(params.get("accuracy_c", _ACCURACY_C))
        found = []
        for part in _PARTS:
            channels = _channels(view, part)
            found += [_channel(view, channel, part=part, accuracy_c=accuracy_c) for channel in channels]
            if not channels and _asked(view, part):
                found.append(_no_sensor(view, part))
        return tuple(found)


def _channels(view: RunView, part: str) -> list[Channel]:
    """Return the channels that speak for a part; the single cores only where nothing speaks for the processor."""
    found: list[Channel] = []
    for role in _ROLES.get(part, (part,)):
        found = found or [one for one in view.channels if one.quantity == "temperature" and one.role == role]
    return found


def _asked(view: RunView, part: str) -> bool:
    """Return whether a part must have a sensor: always the processor, others where plan or order ask for it."""
    ordered = {one.part for one in view.opened.order.parts} if view.opened.order else set()
    return (
        part == "cpu"
        or planned_limit(view.opened.plan.limits, part) is not None
        or (part == "graphics" and part in ordered)
    )


def _no_sensor(view: RunView, part: str) -> Finding:
    reasons = [absence.reason for absence in view.absent if absence.quantity == "temperature"]
    return Finding(
        criterion=_NAME,
        slug="no_sensor",
        outcome="inconclusive",
        subject=_SUBJECTS[part],
        values={"reason": reasons[0] if reasons else "the machine shows no such temperature sensor"},
        safety=True,
    )


def _channel(view: RunView, channel: Channel, *, part: str, accuracy_c: float) -> Finding:
    reading = hot_reading(view, channel)
    limit, limit_from = acceptance_limit(view.opened.plan.limits, channel, part)
    half_width = accuracy_c if channel.accuracy is None else channel.accuracy
    rule = view.opened.plan.decision_rule
    slug, outcome = _decided(reading, limit, half_width=half_width, rule=rule)
    margin = None if reading.highest is None or limit is None else limit - reading.highest
    return Finding(
        criterion=_NAME,
        slug=slug,
        outcome=outcome,
        required=slug != "no_limit" or part == "cpu",
        subject=channel.label,
        values={
            "limit_from": limit_from,
            "rule": rule,
            "accuracy_stated": channel.accuracy is not None,
            "accuracy_from": channel.accuracy_source or "not stated",
            "channel": channel.id,
            "readings": reading.good,
            "missing": reading.missing,
            "implausible": reading.implausible,
        },
        observed=reading.highest,
        limit=limit,
        unit=channel.unit,
        uncertainty=half_width,
        margin=margin,
        evidence=() if reading.seq < 0 else (reading.seq,),
        safety=True,
    )


def _decided(
    reading: HotReading, limit: float | None, *, half_width: float, rule: DecisionRule
) -> tuple[str, Outcome]:
    slug, outcome = "no_limit", _OPEN
    if reading.highest is not None and limit is not None:
        decision = decide(reading.highest, half_width / 2, Tolerance(upper=limit), rule=rule)
        slug, outcome = _ZONES[decision.slug], decision.outcome
    if outcome != "fail" and (lost := _lost(reading)):
        return lost, "inconclusive"
    return slug, outcome


def _lost(reading: HotReading) -> str:
    """Return why the readings do not carry a pass; empty when they do."""
    if not reading.sweeps:
        return "no_soak"
    if not reading.good:
        return "no_reading"
    if reading.gone_at_end or reading.missing > _MISSING_SHARE * reading.sweeps:
        return "vanished"
    return "implausible" if reading.implausible > _MISSING_SHARE * reading.sweeps else ""


PLUGIN: Final = TemperatureLimits()
