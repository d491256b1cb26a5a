"""Turns the sampler's messages into journal lines, and notices what is late or missing."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from burnin.engine.messages import Swept
from burnin.records.channels import IMPLAUSIBLE, MISSING, OK, QUALITY_NAMES, Channel
from burnin.records.events import AnyEvent, ChannelState, SamplingTrouble, Sweep, WorkDone

_DECIMALS: Final[dict[str, int]] = {
    "temperature": 3,
    "fan_speed": 0,
    "voltage": 4,
    "current": 3,
    "power": 2,
    "frequency": 0,
    "load": 1,
    "memory": 3,
    "count": 0,
}
_GAP_PERIODS: Final = 3.0


class SweepKeeper:
    """Keeps the last sweep and the last time one came.

    Args:
        channels: The run's channels.
        period_s: Time between sweeps.
    """

    def __init__(self, channels: Sequence[Channel], period_s: float) -> None:
        self._channels = tuple(channels)
        self._period_ns = round(period_s * 1e9)
        self._last_ns = 0
        self._told_gap = False
        self.last_good: tuple[float | None, ...] = (None,) * len(channels)

    def take(self, swept: Swept, work: tuple[WorkDone, ...]) -> list[AnyEvent]:
        """Return the journal lines of one sweep, the sweep last."""
        events: list[AnyEvent] = []
        gap_ns = swept.at_ns - self._last_ns if self._last_ns else 0
        if gap_ns > _GAP_PERIODS * self._period_ns:
            events.append(SamplingTrouble(what="gap", span_s=round(gap_ns / 1e9, 3)))
        if swept.took_ns > self._period_ns:
            events.append(SamplingTrouble(what="overrun", span_s=round(swept.took_ns / 1e9, 3)))
        for column, reason in swept.changes.items():
            quality = QUALITY_NAMES[swept.quality[column]]
            events.append(ChannelState(channel=self._channels[column].id, quality=quality, reason=reason))
        values = tuple(map(_rounded, self._channels, swept.values, swept.quality))
        bad = tuple(column for column, quality in enumerate(swept.quality) if quality == IMPLAUSIBLE)
        self._last_ns, self._told_gap = swept.at_ns, False
        self.last_good = tuple(
            value if quality == OK else None for value, quality in zip(values, swept.quality, strict=True)
        )
        events.append(Sweep(v=values, bad=bad, w=work))
        return events

    def overdue(self, now_ns: int) -> list[SamplingTrouble]:
        """Return one note when sweeps have stopped coming."""
        if (
            not self._last_ns
            or self._told_gap
            or now_ns - self._last_ns <= 2 * _GAP_PERIODS * self._period_ns
        ):
            return []
        self._told_gap = True
        return [
            SamplingTrouble(
                what="gap", span_s=round((now_ns - self._last_ns) / 1e9, 3), detail="still silent"
            )
        ]


def _rounded(channel: Channel, value: float | None, quality: int) -> float | None:
    if value is None or quality == MISSING:
        return None
    digits = _DECIMALS.get(channel.quantity, 3)
    return round(value) if digits == 0 else round(value, digits)
