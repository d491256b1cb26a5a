"""Channels and readings: what a sensor is, written once, and what it said, written every sweep."""

from __future__ import annotations

from typing import Final, Literal

from burnin.records.base import LooseRecord

Quantity = Literal[
    "temperature",
    "fan_speed",
    "voltage",
    "current",
    "power",
    "frequency",
    "load",
    "memory",
    "count",
    "charge",
    "duty",
    "ratio",
    "humidity",
    "noise",
    "level",
]
"""Physical quantity of a channel; each has one unit, see ``UNITS``."""

UNITS: Final[dict[str, str]] = {
    "temperature": "degC",
    "fan_speed": "rpm",
    "voltage": "V",
    "current": "A",
    "power": "W",
    "frequency": "MHz",
    "load": "%",
    "memory": "GiB",
    "count": "count",
    "charge": "%",
    "duty": "%",
    "ratio": "%",
    "humidity": "%",
    "noise": "dB",
    "level": "mm",
}
"""Unit of each quantity as printed; values are converted once, where they are born."""

Role = Literal[
    "cpu_hottest",
    "cpu_core",
    "coolant",
    "power_stage",
    "graphics",
    "graphics_memory",
    "storage",
    "board",
    "memory",
    "ambient",
    "pump",
    "fan",
    "cpu_clock",
    "cpu_power",
    "graphics_power",
    "throttle_count",
    "fault_count",
    "none",
]
"""What a channel stands for in the rules; assigned by rule, changeable in the plan."""

OK: Final = 0
MISSING: Final = 1
IMPLAUSIBLE: Final = 2
QUALITY_NAMES: Final = ("ok", "missing", "implausible")
"""Quality of one reading by its code in a run's columns."""


class Channel(LooseRecord, frozen=True, kw_only=True):
    """One thing that is sampled, described once per run.

    Attributes:
        id: Unique in the run, stable for the same machine: ``source/chip/name``.
        source: The source plugin that reads it.
        quantity: Physical quantity; fixes the unit.
        label: What people call it ("CPU package", "Fan 2").
        place: Where it sits, as the kernel tells ("coretemp, package 0").
        role: What it stands for in the rules.
        resolution: Smallest step in the channel's unit, None where unknown.
        accuracy: Stated accuracy in the channel's unit (half width), None where unknown.
        accuracy_source: Where the accuracy is stated.
        limit_high: The hardware's own upper limit in the channel's unit, None where it reports none.
        limit_critical: The hardware's own critical limit, None where it reports none.
        cores: Logical CPUs the channel speaks for; empty for all or none.
    """

    id: str
    source: str
    quantity: Quantity
    label: str
    place: str = ""
    role: Role = "none"
    resolution: float | None = None
    accuracy: float | None = None
    accuracy_source: str = ""
    limit_high: float | None = None
    limit_critical: float | None = None
    cores: tuple[int, ...] = ()

    @property
    def unit(self) -> str:
        """Unit of the channel's values."""
        return UNITS[self.quantity]


class Absence(LooseRecord, frozen=True, kw_only=True):
    """Something that could not be measured, with the reason in plain words.

    Attributes:
        what: What is absent, in plain words ("temperature sensors").
        reason: Why, in plain words ("the kernel lists no hwmon chip").
        quantity: The quantity it would have had, empty where none fits.
    """

    what: str
    reason: str
    quantity: str = ""


class Reading(LooseRecord, frozen=True, kw_only=True):
    """One value of one channel in one sweep.

    Attributes:
        value: In the channel's unit; None when missing.
        quality: ``OK``, ``MISSING`` or ``IMPLAUSIBLE``.
        reason: Why it is missing or implausible; empty when it is neither.
    """

    value: float | None
    quality: int = OK
    reason: str = ""


def missing(reason: str) -> Reading:
    """Return a reading that failed, with its reason."""
    return Reading(value=None, quality=MISSING, reason=reason)


def implausible(value: float, reason: str) -> Reading:
    """Return a reading that was made but must never decide, with its reason."""
    return Reading(value=value, quality=IMPLAUSIBLE, reason=reason)
