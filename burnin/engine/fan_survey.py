"""Steps each fan and pump header through its duties and records what turns; its own control is restored on every exit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from burnin.engine.fan_guard import FanGuard
from burnin.host.fan_control import Header, headers, may_write, restore, set_duty, speeds_rpm
from burnin.host.protocol import Clock
from burnin.records.events import FanHeader, FanPoint, FanSurvey

DUTIES_PCT: Final = (100.0, 60.0, 30.0)
"""On the way down: what turns at all turns first, and the lowest duty is held for the shortest time."""

UP_PCT: Final = (40.0, 50.0, 60.0, 80.0, 100.0)
"""On the way up, only where something stood still."""

SETTLE_S: Final = 8.0
"""A large fan needs some seconds to run down (common practice)."""

TOO_HOT_C: Final = 75.0
"""No header is held low beyond this at any processor, coolant or graphics sensor (our choice, far from any limit)."""

_LOOK_NS: Final = 200_000_000


@dataclass(frozen=True, kw_only=True)
class Doors:
    """What a survey needs of the machine.

    Attributes:
        clock: Clocks.
        hottest_c: Returns the hottest safety-relevant temperature, None where there is no sensor.
        root: Root of the machine's files.
        say: Told what is being done.
    """

    clock: Clock
    hottest_c: Callable[[], float | None]
    root: str = "/"
    say: Callable[[str], None] = lambda text: None  # noqa: ARG005 - nobody listens by default


class _TooHot(Exception):
    """A sensor passed the limit; the survey ends and everything is restored."""


def survey_fans(doors: Doors, guard: Callable[[tuple[Header, ...]], FanGuard] = FanGuard) -> FanSurvey:
    """Step every header that may be set, one after the other; the machine must be at rest.

    A process of its own restores the headers when this one dies, also when it is killed.
    """
    every = headers(doors.root)
    if not every:
        return FanSurvey(reason="the machine shows no fan header that can be set")
    if not all(may_write(header) for header in every):
        return FanSurvey(reason="administrator's rights are needed to set fan headers")
    if doors.hottest_c() is None:
        return FanSurvey(reason="no temperature sensor can be watched meanwhile")
    watch = guard(every)
    if not watch.armed:
        watch.release()
        return FanSurvey(reason="the process that restores the headers did not start")
    found: list[FanHeader] = []
    try:
        for header in every:
            found.append(_stepped(header, doors))
            if found[-1].trouble.startswith("stopped"):
                break
    finally:
        own = restore(every)
        again = watch.release()
    return FanSurvey(headers=tuple(found), restored=own or again)


def _stepped(header: Header, doors: Doors) -> FanHeader:
    points: list[FanPoint] = []
    trouble = ""
    try:
        trouble = _run_down(header, doors, points)
    except _TooHot:
        trouble = f"stopped at {TOO_HOT_C:g} degC"
    restore((header,))
    return FanHeader(header=header.name, points=tuple(points), trouble=trouble)


def _run_down(header: Header, doors: Doors, points: list[FanPoint]) -> str:
    for duty in DUTIES_PCT:
        trouble = _point(header, duty, doors, points)
        if trouble:
            return trouble
    first, last = points[0].rpm, points[-1].rpm
    stalled = [name for name, rpm in last.items() if rpm == 0 and first.get(name, 0.0) > 0]
    for duty in UP_PCT if stalled else ():
        trouble = _point(header, duty, doors, points)
        if trouble:
            return trouble
        if all(points[-1].rpm.get(name, 0.0) > 0 for name in stalled):
            break
    return ""


def _point(header: Header, duty: float, doors: Doors, points: list[FanPoint]) -> str:
    doors.say(f"{header.name}: {duty:.0f} %")
    trouble = set_duty(header, duty)
    if trouble:
        return trouble
    end_ns = doors.clock.mono_ns() + round(SETTLE_S * 1e9)
    while (now_ns := doors.clock.mono_ns()) < end_ns:
        if (doors.hottest_c() or 0.0) >= TOO_HOT_C:
            raise _TooHot
        doors.clock.sleep_until(min(end_ns, now_ns + _LOOK_NS))
    points.append(FanPoint(duty_pct=duty, rpm=speeds_rpm(doors.root)))
    return ""
