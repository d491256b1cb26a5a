"""What a hwmon sensor stands for, and how far it can be trusted, by rule: from the chip's name and the label.

Chip names are the kernel's driver names. The rules assign; a plan can assign otherwise.
"""

from __future__ import annotations

import re
from typing import Final

from burnin.records.channels import Role

CPU_CHIPS: Final = ("coretemp", "k10temp", "zenpower", "k8temp", "via_cputemp", "cpu_thermal", "fam15h_power")
STORAGE_CHIPS: Final = ("nvme", "drivetemp")
GRAPHICS_CHIPS: Final = ("amdgpu", "nouveau", "radeon", "i915", "xe")
MEMORY_CHIPS: Final = ("jc42", "spd5118")
MONITOR_PREFIXES: Final = (
    "nct", "it8", "w83", "f71", "f8", "lm78", "lm85", "lm87", "lm93", "adt74", "adm", "sch5", "asc", "dme", "smsc47", "vt1211",
)  # fmt: skip
"""Starts of the driver names of board monitoring chips."""

_COOLANT: Final = re.compile(r"coolant|water|liquid", re.IGNORECASE)
_POWER_STAGE: Final = re.compile(
    r"\bvrm|\bmos(fet)?s?\b|power stage|\bvr (temp|loop)|voltage regulator", re.IGNORECASE
)
_AMBIENT: Final = re.compile(r"ambient|\broom\b|inlet air|air in\b", re.IGNORECASE)
_GRAPHICS: Final = re.compile(r"\bgpu\b(?! ?mem)|\bgraphics\b", re.IGNORECASE)
_PUMP: Final = re.compile(r"pump", re.IGNORECASE)
_BOARD: Final = re.compile(
    r"systin|cputin|auxtin|mother ?board|mainboard|\bboard\b|chipset|\bpch|^cpu\b|smbusmaster|tsi",
    re.IGNORECASE,
)

_GRAPHICS_MEMORY: Final = re.compile(r"mem|vram", re.IGNORECASE)
_BOARD_CHIPS: Final = ("acpitz", "pch_", *MONITOR_PREFIXES)
_BY_LABEL: Final[tuple[tuple[re.Pattern[str], Role], ...]] = (
    (_COOLANT, "coolant"),
    (_POWER_STAGE, "power_stage"),
    (_AMBIENT, "ambient"),
    (_GRAPHICS, "graphics"),
)
"""Labels that mean the same on every chip, in this order."""

_ON_DIE: Final = (
    "common practice for sensors on the die, from memory; the makers state none below the throttle point"
)
_DRIVE: Final = "common practice for board sensors of drives, from memory"
_THERMISTOR: Final = "common practice for a thermistor with a 1 % divider, from memory"
_MODULE: Final = "JEDEC JC-42.4 class B, whole range, from memory"

_ACCURACY: Final[tuple[tuple[tuple[Role, ...], float, str], ...]] = (
    (("cpu_hottest", "cpu_core", "graphics", "graphics_memory"), 5.0, _ON_DIE),
    (("memory",), 3.0, _MODULE),
    (("storage",), 3.0, _DRIVE),
    (("coolant", "ambient"), 2.0, _THERMISTOR),
    (("power_stage", "board"), 3.0, _THERMISTOR),
)
"""Roles of temperature sensors, half width in degC, source: none of it is a maker's statement about this machine."""


def role_of(chip: str, kind: str, label: str) -> Role:
    """Return what a sensor stands for.

    Args:
        chip: The chip's name.
        kind: Kind of attribute, a key of ``parse.hwmon.KINDS``.
        label: Label the driver gives, empty for none.
    """
    if kind == "temp":
        return _temperature_role(chip, label)
    if kind == "fan":
        return "pump" if _PUMP.search(label) else "fan"
    if kind == "power":
        return _power_role(chip, label)
    return "none"


def _temperature_role(chip: str, label: str) -> Role:
    for pattern, role in _BY_LABEL:
        if pattern.search(label):
            return role
    if chip in CPU_CHIPS:
        return _processor_role(label)
    if chip in GRAPHICS_CHIPS:
        return "graphics_memory" if _GRAPHICS_MEMORY.match(label) else "graphics"
    return _other_role(chip, label)


def _other_role(chip: str, label: str) -> Role:
    """Return the role on chips beside processor and graphics.

    A drive's composite value stands for it; its further sensors may match no physical point and have no limit of
    their own (NVM Express base specification, SMART log), so they are shown and do not decide.
    """
    if chip in STORAGE_CHIPS:
        return "none" if label.startswith("Sensor") else "storage"
    if chip in MEMORY_CHIPS:
        return "memory"
    if chip.startswith(_BOARD_CHIPS) or _BOARD.search(label):
        return "board"
    return "none"


def _processor_role(label: str) -> Role:
    """Return the role on a processor's own chip: package or control value, core or die, anything else nothing."""
    if re.match(r"core \d|tccd\d", label, re.IGNORECASE):
        return "cpu_core"
    if not label or re.match(r"package|physical|tdie|tctl|cpu", label, re.IGNORECASE):
        return "cpu_hottest"
    return "none"


def _power_role(chip: str, label: str) -> Role:
    if chip in GRAPHICS_CHIPS or _GRAPHICS.search(label):
        return "graphics_power"
    if chip == "fam15h_power" or re.match(r"(cpu )?package|cpu power", label, re.IGNORECASE):
        return "cpu_power"
    return "none"


def without_offset(labels: dict[str, Role]) -> dict[str, Role]:
    """Return the roles of one chip's sensors with "Tctl" set aside where "Tdie" exists.

    Tctl is a control value that may carry an offset against the die (Linux documentation, hwmon/k10temp).
    """
    if "Tdie" in labels and "Tctl" in labels:
        return labels | {"Tctl": "none"}
    return labels


def accuracy_of(role: Role) -> tuple[float | None, str]:
    """Return the half width in degC of a temperature sensor's accuracy by its class with the source, or None and nothing."""
    for roles, accuracy_c, source in _ACCURACY:
        if role in roles:
            return accuracy_c, source
    return None, ""


def resolution_of(chip: str, kind: str) -> float | None:
    """Return the smallest step of a sensor, None where it is not known.

    coretemp: 1 degC (Linux documentation, hwmon/coretemp). nvme: whole kelvins (NVM Express base specification,
    SMART log, composite temperature). drivetemp: whole degrees (SCT status, from memory). k10temp: 0.125 degC
    (from memory). fan: 1 rpm and pwm 1/255, the steps of the files themselves.
    """
    if kind == "temp":
        return {"coretemp": 1.0, "nvme": 1.0, "drivetemp": 1.0, "k10temp": 0.125}.get(chip)
    return {"pwm": 100.0 / 255.0, "fan": 1.0}.get(kind)


def has_own_maximum(chip: str) -> bool:
    """Return whether the chip's ``max`` is a limit of the part.

    coretemp: the temperature at which all cooling should run (Linux documentation, hwmon/coretemp); k10temp: the same
    70 degC in every driver, not read from the processor (from memory). Neither says what the part bears; ``crit`` does.
    """
    return chip not in {"coretemp", "k10temp"}


def note_of(chip: str, kind: str) -> str:
    """Return what must be said beside a value of this sensor class, empty for nothing.

    Board voltages are measured at the chip's pin behind dividers that the kernel does not know (Linux documentation,
    hwmon/sysfs-interface).
    """
    if kind == "in" and chip not in (*GRAPHICS_CHIPS, *CPU_CHIPS):
        return "uncalibrated divider"
    return ""
