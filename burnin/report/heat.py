"""Core by core: how hot each core ran over time, as a strip of colour steps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from burnin.records.channels import Channel
from burnin.records.view import F64, RunView
from burnin.report.figures import Shown, decimals_for, shown
from burnin.report.traces import good_column
from burnin.report.words import shortened

COLUMNS: Final = 120
MOST_STEPS: Final = 6
ROW: Final = 12
_LEFT: Final = 150
_WIDTH: Final = 540
_WIDTHS: Final = (1, 2, 3, 4, 5, 6, 8, 10, 12, 15, 20, 25, 50, 100, 1000, 10**6, 10**40)


@dataclass(frozen=True, kw_only=True)
class HeatRow:
    """One core's sensor: where it stands in the strip, and its hottest reading."""

    label: str
    at: int
    hottest: Shown


@dataclass(frozen=True, kw_only=True)
class HeatStep:
    """One step of the colour scale with all its cells as SVG path data."""

    number: int
    label: str
    cells: str


@dataclass(frozen=True, kw_only=True)
class HeatStrip:
    """The strip; ``reason`` where no core reports a temperature."""

    reason: str = ""
    height: int = 0
    move: str = ""
    rows: tuple[HeatRow, ...] = ()
    steps: tuple[HeatStep, ...] = ()
    about: str = ""


def heat_strip(view: RunView, absent: str) -> HeatStrip:
    """Return the strip of all core temperature sensors; ``absent`` is the reason to print where there are none."""
    found: list[tuple[Channel, F64]] = []
    for index, channel in enumerate(view.channels):
        if channel.quantity == "temperature" and channel.role == "cpu_core":
            values = good_column(view, index)
            if np.any(np.isfinite(values)):
                found.append((channel, values))
    if not found:
        return HeatStrip(reason=absent)
    cells = np.stack([_hottest(values) for _, values in found])
    bounds = _bounds(cells)
    steps = np.digitize(cells, bounds[1:-1])
    steps[np.isnan(cells)] = -1
    return HeatStrip(
        height=ROW * len(found),
        move=f"matrix({_WIDTH / cells.shape[1]:.9g} 0 0 1 {_LEFT} 0)",
        rows=tuple(_row(number, *item) for number, item in enumerate(found)),
        steps=tuple(
            HeatStep(
                number=step, label=f"{bounds[step]:g} to {bounds[step + 1]:g}", cells=_cells(steps, step)
            )
            for step in range(len(bounds) - 1)
        ),
        about=f"Temperature of {len(found)} core sensors from {np.nanmin(cells):.1f} to {np.nanmax(cells):.1f} degrees Celsius.",
    )


def _row(number: int, channel: Channel, values: F64) -> HeatRow:
    hottest = float(np.nanmax(values))
    label = shortened(channel.label or channel.id, 22)
    return HeatRow(label=label, at=ROW * number, hottest=shown(hottest, decimals_for("degC", hottest)))


def _hottest(values: F64) -> F64:
    """Return the hottest value of each column of the strip, NaN where nothing good was read."""
    columns = min(COLUMNS, len(values))
    edges = np.linspace(0, len(values), columns + 1).astype(np.int64)
    filled = np.where(np.isnan(values), -np.inf, values)
    hottest = np.maximum.reduceat(filled, edges[:-1])
    return np.where(np.isinf(hottest), np.nan, hottest)


def _bounds(cells: F64) -> tuple[float, ...]:
    """Return the limits of at most six equal steps, whole degrees, that cover all cells."""
    low, high = float(np.nanmin(cells)), float(np.nanmax(cells))
    width = next(width for width in _WIDTHS if high // width - low // width < MOST_STEPS)
    first = int(low // width)
    return tuple(float(width * number) for number in range(first, int(high // width) + 2))


def _cells(steps: object, step: int) -> str:
    """Return all cells of one step as rectangles, neighbours in a row joined."""
    grid = np.asarray(steps) == step
    pieces = []
    for row, line in enumerate(grid):
        padded = np.diff(np.concatenate(([0], line.astype(np.int8), [0])))
        for start, stop in zip(np.flatnonzero(padded == 1), np.flatnonzero(padded == -1), strict=True):
            pieces.append(f"M{start} {row * ROW}h{stop - start}v{ROW - 1}h-{stop - start}z")
    return "".join(pieces)
