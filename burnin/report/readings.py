"""Every channel in figures: lowest, mean, highest, and what could not be used."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from burnin.records.channels import IMPLAUSIBLE, MISSING, OK, Channel
from burnin.records.view import RunView
from burnin.report.figures import NONE, Shown, decimals_for, shown, unit_sign
from burnin.report.traces import good_column
from burnin.report.words import shown_text

_MOST_ON_PAPER: Final = 10
_FEW: Final = 4


@dataclass(frozen=True, kw_only=True)
class ChannelRow:
    """One channel over the whole run.

    Attributes:
        label: What people call it.
        place: Where it sits.
        key: Its id.
        unit: Unit of all figures.
        lowest: Lowest good value.
        mean: Mean of the good values.
        highest: Highest good value.
        good: How many good values.
        unused: How many were missing or implausible, in words.
        accuracy: Stated accuracy.
        paper: False for a channel that only the screen shows.
    """

    label: str
    place: str
    key: str
    unit: str
    lowest: Shown
    mean: Shown
    highest: Shown
    good: int
    unused: str
    accuracy: str
    paper: bool


def channel_rows(view: RunView) -> tuple[ChannelRow, ...]:
    """Return one row for each channel, in the order of the journal."""
    channels = view.channels
    paper = set(_telling(view))
    return tuple(_row(view, index, channel, paper=index in paper) for index, channel in enumerate(channels))


def _telling(view: RunView) -> list[int]:
    """Return the columns that stand on paper: no single cores, no alarms and counters, sensors with a role first."""
    channels = view.channels
    left_out = {"count", "load", "memory", "level"}
    single = {"cpu_core"} | (
        {"cpu_clock"} if sum(item.role == "cpu_clock" for item in channels) > _FEW else set()
    )
    found = [
        index
        for index, item in enumerate(channels)
        if item.quantity not in left_out and item.role not in single and np.any(view.quality[:, index] == OK)
    ]
    return sorted(found, key=lambda index: (channels[index].role == "none", index))[:_MOST_ON_PAPER]


def _row(view: RunView, index: int, channel: Channel, *, paper: bool) -> ChannelRow:
    values = good_column(view, index)
    good = values[np.isfinite(values)]
    low, mean, high = (
        (float(good.min()), float(good.mean()), float(good.max())) if len(good) else (None, None, None)
    )
    decimals = decimals_for(channel.unit)
    return ChannelRow(
        label=shown_text(channel.label or channel.id),
        place=shown_text(channel.place),
        key=shown_text(channel.id),
        unit=unit_sign(channel.unit),
        lowest=shown(low, decimals),
        mean=shown(mean, decimals),
        highest=shown(high, decimals),
        good=len(good),
        unused=_unused(view, index),
        accuracy=NONE if channel.accuracy is None else f"\u00b1 {shown(channel.accuracy, decimals).text}",
        paper=paper,
    )


def _unused(view: RunView, index: int) -> str:
    quality = view.quality[:, index]
    counts = (int(np.sum(quality == MISSING)), int(np.sum(quality == IMPLAUSIBLE)))
    words = [
        f"{count} {word}" for count, word in zip(counts, ("missing", "implausible"), strict=True) if count
    ]
    return ", ".join(words)
