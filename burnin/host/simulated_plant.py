"""The invented machine's heat: a first-order thermal plant for rehearsals and tests.

Every number here is invented: chosen to look like a liquid-cooled PC with one radiator, taken from no real machine.
Each part relaxes towards its steady temperature with one time constant (Newton's law of cooling):
``T' = (P - (T - T_cold) / R) / C``, so ``T = T_cold + P R`` in the end, with time constant ``R C``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

THROTTLE_C: Final = 100.0
CORES: Final = 8
_STEP_S: Final = 0.5
"""Longest step in one go; within it each part sees its cold side as constant."""


@dataclass(frozen=True, kw_only=True)
class Part:
    """Thermal resistance to its cold side in K/W and heat capacity in J/K."""

    resistance_k_w: float
    capacity_j_k: float


PACKAGE: Final = Part(resistance_k_w=0.20, capacity_j_k=30.0)
PACKAGE_WITHOUT_FLOW: Final = Part(resistance_k_w=2.0, capacity_j_k=30.0)
GRAPHICS: Final = Part(resistance_k_w=0.10, capacity_j_k=90.0)
GRAPHICS_WITHOUT_FLOW: Final = Part(resistance_k_w=1.0, capacity_j_k=90.0)
COOLANT: Final = Part(resistance_k_w=0.040, capacity_j_k=6500.0)
COOLANT_WITHOUT_FLOW: Final = Part(resistance_k_w=0.40, capacity_j_k=6500.0)
POWER_STAGE: Final = Part(resistance_k_w=1.5, capacity_j_k=60.0)
STORAGE: Final = Part(resistance_k_w=3.0, capacity_j_k=40.0)

CORE_OFFSETS_C: Final = (-1.2, 0.4, 1.6, -0.3, 0.9, -1.8, 1.1, -0.7)
"""How far each core is from the package's mean at full load."""


@dataclass(frozen=True, kw_only=True)
class Load:
    """Shares of full load, 0 to 1."""

    cpu: float = 0.0
    memory: float = 0.0
    graphics: float = 0.0


class Plant:
    """Temperatures and powers of the invented machine.

    Args:
        room_c: Temperature of the room, degC; constant.
        pump_fails_at_s: When the pump stops, seconds after the plant's start; None for never.
    """

    def __init__(self, *, room_c: float = 22.0, pump_fails_at_s: float | None = None) -> None:
        self.room_c = room_c
        self.load = Load()
        self.t_s = 0.0
        self.throttled = False
        self.throttle_count = 0
        self.throttle_time_s = 0.0
        self.cpu_energy_j = 0.0
        self._pump_fails_at_s = math.inf if pump_fails_at_s is None else pump_fails_at_s
        self._settle()

    def _settle(self) -> None:
        """Start as after a long idle time."""
        self.coolant_c = self.room_c + (self.cpu_power_w + self.graphics_power_w) * COOLANT.resistance_k_w
        self.package_c = self.coolant_c + self.cpu_power_w * PACKAGE.resistance_k_w
        self.graphics_c = self.coolant_c + self.graphics_power_w * GRAPHICS.resistance_k_w
        self.power_stage_c = self.room_c + self._stage_loss_w * POWER_STAGE.resistance_k_w
        self.storage_c = self.room_c + self._storage_power_w * STORAGE.resistance_k_w

    @property
    def flows(self) -> bool:
        """Whether the pump runs."""
        return self.t_s < self._pump_fails_at_s

    @property
    def cpu_power_w(self) -> float:
        """Power of the processor: idle, cores, memory controller; a throttled one draws a third of its share."""
        share = self.load.cpu * (0.35 if self.throttled else 1.0)
        return 18.0 + 135.0 * share + 12.0 * self.load.memory

    @property
    def graphics_power_w(self) -> float:
        """Power of the graphics card."""
        return 14.0 + 210.0 * self.load.graphics

    @property
    def _stage_loss_w(self) -> float:
        return 6.0 + 0.08 * self.cpu_power_w

    @property
    def _storage_power_w(self) -> float:
        return 3.5 + 1.0 * self.load.memory

    @property
    def clock_mhz(self) -> float:
        """Clock of the loaded cores."""
        if self.throttled:
            return 2200.0
        return 4700.0 if self.load.cpu > 0.05 else 1200.0

    @property
    def pump_rpm(self) -> float:
        """Speed of the pump."""
        return 2400.0 if self.flows else 0.0

    @property
    def fan_rpm(self) -> float:
        """Speed of the radiator fans: they follow the coolant."""
        return min(1600.0, max(600.0, 600.0 + 60.0 * (self.coolant_c - 26.0)))

    def core_c(self, core: int) -> float:
        """Return the temperature of one core, degC."""
        return self.package_c + CORE_OFFSETS_C[core] * self.load.cpu

    @property
    def hottest_core_c(self) -> float:
        """Temperature of the hottest core."""
        return max(self.core_c(core) for core in range(CORES))

    def advance(self, span_s: float) -> None:
        """Let time pass under the present load; stops at the pump's failure to change over exactly there."""
        end_s = self.t_s + span_s
        while self.t_s < end_s:
            bound_s = self._pump_fails_at_s if self.flows else math.inf
            step_s = min(_STEP_S, end_s - self.t_s, bound_s - self.t_s)
            self._step(step_s)
            reached = step_s in {end_s - self.t_s, bound_s - self.t_s}
            self.t_s = min(end_s, bound_s) if reached else self.t_s + step_s
            self._throttle(step_s)

    def _step(self, step_s: float) -> None:
        flows = self.flows
        heat_w = self.cpu_power_w + self.graphics_power_w
        self.cpu_energy_j += self.cpu_power_w * step_s
        water = COOLANT if flows else COOLANT_WITHOUT_FLOW
        package = PACKAGE if flows else PACKAGE_WITHOUT_FLOW
        graphics = GRAPHICS if flows else GRAPHICS_WITHOUT_FLOW
        self.coolant_c = _relaxed(self.coolant_c, self.room_c, heat_w, water, step_s)
        self.package_c = _relaxed(self.package_c, self.coolant_c, self.cpu_power_w, package, step_s)
        self.graphics_c = _relaxed(self.graphics_c, self.coolant_c, self.graphics_power_w, graphics, step_s)
        self.power_stage_c = _relaxed(
            self.power_stage_c, self.room_c, self._stage_loss_w, POWER_STAGE, step_s
        )
        self.storage_c = _relaxed(self.storage_c, self.room_c, self._storage_power_w, STORAGE, step_s)

    def _throttle(self, step_s: float) -> None:
        hot = self.hottest_core_c >= (THROTTLE_C - 3.0 if self.throttled else THROTTLE_C)
        if hot and not self.throttled:
            self.throttle_count += 1
        self.throttle_time_s += step_s if hot else 0.0
        self.throttled = hot


def _relaxed(temp_c: float, cold_c: float, power_w: float, part: Part, step_s: float) -> float:
    goal_c = cold_c + power_w * part.resistance_k_w
    return goal_c + (temp_c - goal_c) * math.exp(-step_s / (part.resistance_k_w * part.capacity_j_k))
