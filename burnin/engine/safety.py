"""When to stop: limits, rise, a silent sensor, a standing pump. Pure rules over the safety watch's readings."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from burnin.engine.messages import Swept
from burnin.records.channels import OK, Channel
from burnin.records.events import SafetyTripped, TripLimit
from burnin.records.plan import Limits

PERIOD_S: Final = 0.2
QUIET_S: Final = 5.0
"""A safety sensor that gives no usable value for this long stops the loads."""

WATCH_STARTS_NS: Final = 25_000_000_000
"""How long the watch may take to speak for the first time, beside ``QUIET_S``; no load is started before it has."""

COOLANT_RISE_C: Final = 5.0
COOLANT_RISE_S: Final = 30.0
"""Coolant that warms by more than this within this span has lost its flow or its fans (common practice, no published source)."""

PUMP_STOPPED_S: Final = 2.0

DEFAULT_TRIPS_C: Final[dict[str, float]] = {
    "cpu_hottest": 95.0,
    "cpu_core": 95.0,
    "coolant": 60.0,
    "power_stage": 110.0,
    "graphics": 90.0,
    "storage": 80.0,
}
"""Where loads stop when neither plan nor hardware says so (common practice, no published source)."""

WATCHED_ROLES: Final = ("cpu_hottest", "coolant", "power_stage", "graphics", "storage", "pump")


def watched(channels: Sequence[Channel]) -> tuple[int, ...]:
    """Return the columns the safety watch reads; single cores only where no reading stands for the whole CPU."""
    roles = {channel.role for channel in channels}
    wanted = set(WATCHED_ROLES) | (set() if "cpu_hottest" in roles else {"cpu_core"})
    return tuple(
        column
        for column, channel in enumerate(channels)
        if channel.role in wanted and channel.quantity in {"temperature", "fan_speed"}
    )


def trip_limits(channels: Sequence[Channel], limits: Limits) -> tuple[TripLimit, ...]:
    """Return where the loads stop, channel by channel, with the reason for each figure."""
    found = (_trip_limit(channel, limits) for channel in channels if channel.quantity == "temperature")
    return tuple(limit for limit in found if limit is not None)


def _trip_limit(channel: Channel, limits: Limits) -> TripLimit | None:
    default = DEFAULT_TRIPS_C.get(channel.role)
    if default is None:
        return None
    role = "cpu" if channel.role.startswith("cpu") else channel.role
    planned: float | None = getattr(limits, f"{role}_trip_c", None)
    if planned is not None:
        return TripLimit(channel=channel.id, trip=planned, because="set in the plan")
    if channel.limit_critical is not None and channel.limit_critical - limits.trip_margin_c > 0:
        because = f"the sensor's own critical limit {channel.limit_critical:g} degC less {limits.trip_margin_c:g} degC"
        return TripLimit(
            channel=channel.id, trip=channel.limit_critical - limits.trip_margin_c, because=because
        )
    return TripLimit(
        channel=channel.id, trip=default, because="default for this kind of sensor, no limit is stated"
    )


@dataclass(kw_only=True)
class _Past:
    """What one watched channel did lately."""

    heard_ns: int
    history: deque[tuple[int, float]] = field(default_factory=deque)
    ran: bool = False
    stood_since_ns: int = 0


class SafetyRules:
    """Judges every reading of the safety watch.

    ``heard`` tells that the watch has spoken once.

    Args:
        channels: Watched channels, in the order of the watch's columns.
        limits: Channel id to trip limit.
        now_ns: Monotonic time at which watching begins.
        quiet_s: How long a channel may give no usable value.
    """

    def __init__(
        self,
        channels: Sequence[Channel],
        limits: Mapping[str, TripLimit],
        *,
        now_ns: int,
        quiet_s: float = QUIET_S,
    ) -> None:
        self._channels = tuple(channels)
        self._limits = dict(limits)
        self._quiet_ns = round(quiet_s * 1e9)
        self._past = [_Past(heard_ns=now_ns) for _ in self._channels]
        self._heard_ns = now_ns
        self.heard = False

    def check(self, swept: Swept) -> SafetyTripped | None:
        """Return the first trip of one sweep of the watch, None when all is well."""
        self._heard_ns, self.heard = swept.at_ns, True
        for channel, past, value, quality in zip(
            self._channels, self._past, swept.values, swept.quality, strict=True
        ):
            usable = value if quality == OK else None
            trip = self._judge(channel, past, usable, swept.at_ns)
            if trip is not None:
                return trip
        return None

    def silent(self, now_ns: int) -> SafetyTripped | None:
        """Return a trip when the watch itself has not been heard for too long."""
        if not self._channels or now_ns - self._heard_ns <= self._quiet_ns:
            return None
        span_s = (now_ns - self._heard_ns) / 1e9
        return SafetyTripped(why="watch_lost", read_ns=now_ns, detail=f"no reading for {span_s:.1f} s")

    def _judge(self, channel: Channel, past: _Past, value: float | None, at_ns: int) -> SafetyTripped | None:
        if value is None:
            return self._quiet(channel, past, at_ns)
        past.heard_ns = at_ns
        if channel.role == "pump":
            return _pump(channel, past, value, at_ns)
        limit = self._limits.get(channel.id)
        if limit is not None and value >= limit.trip:
            return _crossed(channel, "value", value, limit.trip, at_ns)
        return _rise(channel, past, value, at_ns) if channel.role == "coolant" else None

    def _quiet(self, channel: Channel, past: _Past, at_ns: int) -> SafetyTripped | None:
        if at_ns - past.heard_ns <= self._quiet_ns:
            return None
        span_s = (at_ns - past.heard_ns) / 1e9
        return SafetyTripped(
            why="quiet", channel=channel.id, read_ns=at_ns, detail=f"no usable value for {span_s:.1f} s"
        )


def _crossed(channel: Channel, why: str, value: float, limit: float, at_ns: int) -> SafetyTripped:
    return SafetyTripped(
        why=why, channel=channel.id, value=value, limit=limit, unit=channel.unit, read_ns=at_ns
    )


def _pump(channel: Channel, past: _Past, rpm: float, at_ns: int) -> SafetyTripped | None:
    if rpm > 0:
        past.ran, past.stood_since_ns = True, 0
        return None
    past.stood_since_ns = past.stood_since_ns or at_ns
    if not past.ran or at_ns - past.stood_since_ns < PUMP_STOPPED_S * 1e9:
        return None
    return _crossed(channel, "pump", rpm, 0.0, at_ns)


def _rise(channel: Channel, past: _Past, value: float, at_ns: int) -> SafetyTripped | None:
    past.history.append((at_ns, value))
    while past.history and at_ns - past.history[0][0] > COOLANT_RISE_S * 1e9:
        past.history.popleft()
    rise = value - min(each for _, each in past.history)
    if rise <= COOLANT_RISE_C:
        return None
    return _crossed(channel, "rise", rise, COOLANT_RISE_C, at_ns)
