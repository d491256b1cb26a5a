"""Axes: where the ticks go and what stands beside them."""

from __future__ import annotations

import math
from typing import Final

_TIME_STEPS_S: Final = (
    1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 14400, 21600, 43200, 86400, 172800,
)  # fmt: skip


def value_ticks(low: float, high: float, wanted: int = 5) -> tuple[float, ...]:
    """Return round values that cover ``low`` to ``high``: steps of 1, 2 or 5 times a power of ten."""
    step = _round_step((high - low) / wanted)
    first = math.floor(low / step + 1e-9)
    last = math.ceil(high / step - 1e-9)
    return tuple(index * step for index in range(first, max(last, first + 1) + 1))


def _round_step(rough: float) -> float:
    power = 10.0 ** math.floor(math.log10(rough)) if rough > 0 else 1.0
    return next(power * factor for factor in (1, 2, 5, 10, 20) if power * factor >= rough)


def time_ticks(end_s: float, wanted: int = 8) -> tuple[float, ...]:
    """Return times from 0 to ``end_s`` a round step apart (seconds, minutes, hours, days)."""
    step = next(
        (step for step in _TIME_STEPS_S if end_s / step <= wanted), math.ceil(end_s / wanted / 86400) * 86400
    )
    return tuple(float(index * step) for index in range(int(end_s / step + 1e-9) + 1))


def time_label(t_s: float, end_s: float) -> str:
    """Return a tick's label in the unit that fits the whole axis."""
    if end_s <= 180:
        return f"{t_s:.0f}"
    if end_s <= 3 * 3600:
        return f"{t_s / 60:g}"
    return f"{t_s / 3600:g}"


def time_unit(end_s: float) -> str:
    """Return the unit of the time axis."""
    if end_s <= 180:
        return "s"
    return "min" if end_s <= 3 * 3600 else "h"


def spread(wanted: list[float], gap: float, low: float, high: float) -> list[float]:
    """Return positions near ``wanted`` (ascending), at least ``gap`` apart and inside ``low`` to ``high`` if they fit."""
    placed: list[float] = []
    for position in wanted:
        placed.append(max(position, placed[-1] + gap if placed else low))
    ceiling = high
    for index in range(len(placed) - 1, -1, -1):
        placed[index] = min(placed[index], ceiling)
        ceiling = placed[index] - gap
    return placed
