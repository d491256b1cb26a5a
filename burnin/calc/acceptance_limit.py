"""The temperature limit a part is held against: the plan's, else what the hardware itself states."""

from __future__ import annotations

from typing import Literal

from burnin.records.channels import Channel
from burnin.records.plan import Limits

LimitFrom = Literal["plan", "hardware", "none"]


def planned_limit(limits: Limits, part: str) -> float | None:
    """Return the plan's limit in degC for a part named by its role (``cpu`` for the processor), None for none."""
    by_part = {
        "cpu": limits.cpu_c,
        "coolant": limits.coolant_c,
        "power_stage": limits.power_stage_c,
        "graphics": limits.graphics_c,
        "storage": limits.storage_c,
    }
    return by_part.get(part)


def acceptance_limit(limits: Limits, channel: Channel, part: str) -> tuple[float | None, LimitFrom]:
    """Return the limit in degC and where it comes from.

    The plan's own, else the lower one of the hardware's high limit and its critical limit less the plan's margin.
    """
    planned = planned_limit(limits, part)
    if planned is not None:
        return planned, "plan"
    critical = channel.limit_critical
    own = [channel.limit_high, None if critical is None else critical - limits.trip_margin_c]
    known = [limit for limit in own if limit is not None]
    return (min(known), "hardware") if known else (None, "none")
