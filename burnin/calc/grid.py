"""Averages on an even grid, so that long traces stay small and gaps keep their place."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from burnin.calc.arrays import Flags, Floats, usual_step_s

Slots: TypeAlias = NDArray[np.intp]


@dataclass(frozen=True, kw_only=True)
class Layout:
    """Where the points of a fit lie on an even grid.

    Attributes:
        slots: Index on the grid of each point, strictly rising from 0.
        size: Number of grid places, gaps included.
    """

    slots: Slots
    size: int

    @property
    def neighbours(self) -> Flags:
        """For each point but the first: whether the place before it on the grid holds a point."""
        return np.asarray(np.diff(self.slots) == 1, dtype=np.bool_)


@dataclass(frozen=True, kw_only=True)
class Gridded:
    """A trace on an even grid; empty places are left out.

    Attributes:
        t_s: Mean time of the readings of each place, seconds since the start.
        values: Mean of these readings.
        layout: The places that hold readings.
        grid_s: Spacing of the grid.
        step: Resolution of the averages, the sensor's step over the root of the readings per place.
    """

    t_s: Floats
    values: Floats
    layout: Layout
    grid_s: float
    step: float


def average_on_grid(times: Floats, values: Floats, *, start_s: float, step: float, most: int) -> Gridded:
    """Average readings on the coarsest grid needed for at most ``most`` places.

    Args:
        times: Seconds, strictly rising, at least two.
        values: Readings, all finite.
        start_s: Where time zero of the result lies.
        step: Resolution of the sensor, 0 if none.
        most: Grid places at most.
    """
    usual = usual_step_s(times)
    grid_s = usual * max(1, math.ceil((times[-1] - start_s) / usual / most))
    place = np.floor((times - start_s) / grid_s + 0.5).astype(np.intp)
    slots, inverse, counts = np.unique(place, return_inverse=True, return_counts=True)
    return Gridded(
        t_s=np.bincount(inverse, weights=times - start_s) / counts,
        values=np.bincount(inverse, weights=values) / counts,
        layout=Layout(slots=slots - slots[0], size=int(slots[-1] - slots[0]) + 1),
        grid_s=grid_s,
        step=step / math.sqrt(float(np.mean(counts))),
    )
