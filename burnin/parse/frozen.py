"""Whether a sensor stood still while the machine's load changed: such a value is no evidence."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

LEAST_READINGS: Final = 30
LEAST_SWING_PCT: Final = 50.0
"""Common practice: half a minute at 1 Hz and half of full load move every temperature that follows the load."""


def stood_still(values: Sequence[float], loads_pct: Sequence[float]) -> bool:
    """Return True when a value never changed in 30 readings or more while the load moved by 50 points or more.

    Args:
        values: Readings that were made, in time order, in any unit.
        loads_pct: Load at the same moments, percent; as long as ``values``.
    """
    if len(values) < LEAST_READINGS or len(values) != len(loads_pct):
        return False
    return max(values) == min(values) and max(loads_pct) - min(loads_pct) >= LEAST_SWING_PCT
