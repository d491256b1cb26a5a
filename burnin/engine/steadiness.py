"""Tells during the run whether the machine has reached its steady temperature."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from burnin.calc.steady import find_steady
from burnin.engine.messages import Swept
from burnin.records.channels import OK, Channel

_LOOK_NS: Final = 15_000_000_000


class Steadiness:
    """Follows the hottest CPU reading, or the coolant where there is none.

    Args:
        channels: The run's channels.
    """

    def __init__(self, channels: Sequence[Channel]) -> None:
        roles = [channel.role for channel in channels]
        self._column = next(
            (roles.index(role) for role in ("cpu_hottest", "coolant", "cpu_core") if role in roles), None
        )
        self._start_ns = 0
        self._looked_ns = 0
        self._t_s: list[float] = []
        self._temp_c: list[float] = []

    def begin(self, start_ns: int) -> None:
        """Forget the last stage."""
        self._start_ns = self._looked_ns = start_ns
        self._t_s.clear()
        self._temp_c.clear()

    def take(self, swept: Swept) -> None:
        """Hear a sweep."""
        if self._column is None or swept.at_ns < self._start_ns:
            return
        value = swept.values[self._column]
        if value is not None and swept.quality[self._column] == OK:
            self._t_s.append((swept.at_ns - self._start_ns) / 1e9)
            self._temp_c.append(value)

    def reached(self, now_ns: int, at_least_s: float) -> bool:
        """Return whether the temperature is steady by the default rule, after ``at_least_s`` at the earliest."""
        if now_ns - self._start_ns < at_least_s * 1e9 or now_ns - self._looked_ns < _LOOK_NS or not self._t_s:
            return False
        self._looked_ns = now_ns
        return bool(find_steady(np.array(self._t_s), np.array(self._temp_c)).reached)
