"""Which tachometer follows which header, where it stalls, and at which duty it turns again."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from burnin.records.events import FanHeader, FanPoint

LEAST_CHANGE_RPM: Final = 100.0
LEAST_RATIO: Final = 1.15
"""A tachometer follows when it turns faster by both between the lowest and the highest duty (our choice)."""


@dataclass(frozen=True, kw_only=True)
class Follower:
    """What follows a header.

    Attributes:
        tachometer: Its id.
        speeds: Duty to speed, as first measured on the way down.
        stall_pct: Highest duty at which it stood still, None where it never did.
        restart_pct: Lowest duty on the way up at which it turned again, None where it did not stall or not restart.
    """

    tachometer: str
    speeds: dict[float, float]
    stall_pct: float | None
    restart_pct: float | None


def follower(header: FanHeader) -> Follower | None:
    """Return the tachometer that follows a header most, None where none does."""
    if not header.points:
        return None
    low = min(header.points, key=lambda point: point.duty_pct)
    high = max(header.points, key=lambda point: point.duty_pct)
    rises = {
        name: high.rpm[name] - low.rpm[name]
        for name in sorted(high.rpm.keys() & low.rpm.keys())
        if high.rpm[name] >= LEAST_RATIO * low.rpm[name]
    }
    name = max(rises, key=lambda each: rises[each], default=None)
    if name is None or rises[name] < LEAST_CHANGE_RPM:
        return None
    return _described(name, header.points)


def _described(name: str, points: tuple[FanPoint, ...]) -> Follower:
    speeds: dict[float, float] = {}
    stalled: list[float] = []
    restart = None
    for point in points:
        rpm = point.rpm.get(name)
        if rpm is None:
            continue
        speeds.setdefault(point.duty_pct, rpm)
        if rpm == 0:
            stalled.append(point.duty_pct)
        elif stalled and restart is None:
            restart = point.duty_pct
    return Follower(tachometer=name, speeds=speeds, stall_pct=max(stalled, default=None), restart_pct=restart)
