"""Which traces a certificate shows: one group for each quantity, the telling channels first, the rest on request."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Final

import numpy as np

from burnin.records.channels import UNITS, Channel
from burnin.records.events import SafetyArmed
from burnin.records.findings import Finding
from burnin.records.plan import Limits
from burnin.records.view import F64, RunView
from burnin.report.figures import significant, unit_sign
from burnin.report.words import shortened

MOST_SHOWN: Final = 7
_MANY_CLOCKS: Final = 4
_MOST_MARKS: Final = 6
_FIRST_ROLES: Final = (
    "cpu_hottest",
    "graphics",
    "coolant",
    "power_stage",
    "graphics_memory",
    "storage",
    "memory",
    "board",
    "ambient",
    "cpu_power",
    "graphics_power",
    "pump",
    "fan",
    "cpu_clock",
)


@dataclass(frozen=True, kw_only=True, eq=False)
class Trace:
    """One line of a chart.

    Attributes:
        key: Channel id, or a name of its own for a derived line.
        label: What stands beside the line.
        values: In the group's unit, NaN where nothing good was read, shape (n,).
        shown: False for a line that waits to be switched on.
    """

    key: str
    label: str
    values: F64
    shown: bool


@dataclass(frozen=True, kw_only=True)
class Mark:
    """A level drawn across a chart: a limit, a promise, a stop.

    Attributes:
        value: In the group's unit.
        label: What it is, with the figure.
        kind: ``limit``, ``stop`` or ``promise``.
    """

    value: float
    label: str
    kind: str


@dataclass(frozen=True, kw_only=True, eq=False)
class TraceGroup:
    """All traces of one quantity.

    Attributes:
        key: Name of the chart in the page.
        title: Heading.
        unit: Unit of all values.
        t_s: Time of each value since the run was opened, seconds, shape (n,).
        traces: Lines, the telling ones first.
        marks: Levels drawn across.
        reason: Why there is nothing to draw; empty when there is.
    """

    key: str
    title: str
    unit: str
    t_s: F64
    traces: tuple[Trace, ...] = ()
    marks: tuple[Mark, ...] = ()
    reason: str = ""


def trace_groups(view: RunView, findings: Sequence[Finding] = ()) -> tuple[TraceGroup, ...]:
    """Return the groups a certificate draws, in order; a group without a channel says why.

    Args:
        view: The run.
        findings: Judgements whose temperature limits are drawn.
    """
    limits = judged_limits(findings)
    return (
        _group(view, "temperature", "Temperatures", partial(_temperature_marks, limits)),
        _group(view, "frequency", "Clock", _clock_marks),
        _group(view, "power", "Power", _power_marks),
        _group(view, "fan_speed", "Fans and pump", _no_marks),
    )


def reason_absent(view: RunView, quantity: str) -> str:
    """Return why nothing of ``quantity`` was measured, in plain words."""
    reasons = [f"{item.what}: {item.reason}" for item in view.absent if item.quantity == quantity]
    if reasons:
        return "; ".join(dict.fromkeys(reasons))
    return (
        "the run's channel list names no such sensor"
        if view.channels
        else "the run ended before the sensors were listed"
    )


def _group(
    view: RunView, quantity: str, title: str, marks: Callable[[RunView, list[Channel]], Iterable[Mark]]
) -> TraceGroup:
    columns = [
        (index, channel) for index, channel in enumerate(view.channels) if channel.quantity == quantity
    ]
    columns.sort(key=lambda item: (_rank(item[1]), item[0]))
    measured = [
        (channel, values) for index, channel in columns if _any_good(values := good_column(view, index))
    ]
    t_s = view.t_ns.astype(np.float64) / 1e9
    empty = TraceGroup(key=quantity, title=title, unit=UNITS[quantity], t_s=t_s)
    if not measured:
        reason = "no sensor gave a usable value" if columns else reason_absent(view, quantity)
        return TraceGroup(key=quantity, title=title, unit=empty.unit, t_s=t_s, reason=reason)
    traces = _clock_traces(measured) if quantity == "frequency" else _plain_traces(measured)
    return TraceGroup(
        key=quantity,
        title=title,
        unit=empty.unit,
        t_s=t_s,
        traces=traces,
        marks=tuple(marks(view, [channel for channel, _ in measured])),
    )


def good_column(view: RunView, index: int) -> F64:
    """Return one column as float64, NaN wherever the quality is not ok."""
    return np.where(view.quality[:, index] == 0, view.values[:, index], np.nan).astype(np.float64)


def _any_good(values: F64) -> bool:
    return bool(np.any(np.isfinite(values)))


def _rank(channel: Channel) -> int:
    if channel.role in _FIRST_ROLES:
        return _FIRST_ROLES.index(channel.role)
    return len(_FIRST_ROLES) + (channel.role == "cpu_core")


def _plain_traces(measured: list[tuple[Channel, F64]], already: int = 0) -> tuple[Trace, ...]:
    return tuple(
        Trace(
            key=channel.id,
            label=shortened(channel.label or channel.id, 40),
            values=values,
            shown=index + already < MOST_SHOWN and channel.role != "cpu_core",
        )
        for index, (channel, values) in enumerate(measured)
    )


def _clock_traces(measured: list[tuple[Channel, F64]]) -> tuple[Trace, ...]:
    clocks = [values for channel, values in measured if channel.role == "cpu_clock"]
    if len(clocks) <= _MANY_CLOCKS:
        return _plain_traces(measured)
    stack = np.stack(clocks)
    slowest, fastest = np.fmin.reduce(stack, axis=0), np.fmax.reduce(stack, axis=0)
    singles = tuple(
        Trace(key=trace.key, label=trace.label, values=trace.values, shown=False)
        for trace in _plain_traces(measured)
    )
    return (
        Trace(key="derived/slowest-core", label="slowest core", values=slowest, shown=True),
        Trace(key="derived/fastest-core", label="fastest core", values=fastest, shown=True),
        *singles,
    )


def _no_marks(_view: RunView, _channels: list[Channel]) -> tuple[Mark, ...]:
    return ()


def judged_limits(findings: Sequence[Finding]) -> dict[str, float]:
    """Return what people call a sensor to the temperature limit it was held against."""
    return {
        finding.subject: finding.limit
        for finding in findings
        if finding.criterion == "temperature_limits" and finding.limit is not None
    }


def channel_limit(limits: Limits, judged: dict[str, float], channel: Channel) -> float | None:
    """Return the temperature limit a channel was held against, else the plan's for its role; None where there is none."""
    return judged.get(channel.label, role_limit(limits, channel.role))


def role_limit(limits: Limits, role: str) -> float | None:
    """Return the plan's acceptance limit for a role, None where it sets none."""
    return {
        "cpu_hottest": limits.cpu_c,
        "coolant": limits.coolant_c,
        "power_stage": limits.power_stage_c,
        "graphics": limits.graphics_c,
        "storage": limits.storage_c,
    }.get(role)


def _temperature_marks(judged: dict[str, float], view: RunView, channels: list[Channel]) -> tuple[Mark, ...]:
    marks = []
    for channel in channels[:MOST_SHOWN]:
        limit = channel_limit(view.opened.plan.limits, judged, channel)
        name = shortened(channel.label or channel.id, 11)
        if limit is not None:
            marks.append(Mark(value=limit, label=f"limit {_level(limit, 'degC')}, {name}", kind="limit"))
    armed = view.first(SafetyArmed)
    for trip in armed.limits if armed else ():
        channel_name = next(
            (shortened(item.label or item.id, 11) for item in channels if item.id == trip.channel), ""
        )
        if channel_name:
            label = f"stop at {_level(trip.trip, 'degC')}, {channel_name}"
            marks.append(Mark(value=trip.trip, label=label, kind="stop"))
    return _merged(marks)


def _level(value: float, unit: str) -> str:
    return f"{significant(value)} {unit_sign(unit)}"


def _merged(marks: list[Mark]) -> tuple[Mark, ...]:
    """Return one mark for each level; marks that coincide are told by the first one and their number."""
    levels: dict[float, list[Mark]] = {}
    for mark in marks:
        levels.setdefault(mark.value, []).append(mark)
    merged = []
    for value, same in levels.items():
        more = f" +{len(same) - 1}" if len(same) > 1 else ""
        merged.append(Mark(value=value, label=same[0].label + more, kind=same[0].kind))
    return tuple(merged[:_MOST_MARKS])


def _clock_marks(view: RunView, _channels: list[Channel]) -> tuple[Mark, ...]:
    promised = view.opened.order.targets.cpu_clock_mhz if view.opened.order else None
    if promised is None:
        return ()
    return (Mark(value=promised, label=f"ordered {_level(promised, 'MHz')}", kind="promise"),)


def _power_marks(view: RunView, channels: list[Channel]) -> tuple[Mark, ...]:
    if view.opened.order is None:
        return ()
    targets = view.opened.order.targets
    asked = (
        ("cpu_power", targets.cpu_power_w, "CPU"),
        ("graphics_power", targets.graphics_power_w, "graphics"),
    )
    return tuple(
        Mark(value=value, label=f"ordered {_level(value, 'W')}, {name}", kind="promise")
        for role, value, name in asked
        if value is not None and any(channel.role == role for channel in channels)
    )
