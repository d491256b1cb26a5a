"""A drive's own health report as the command ``smartctl --json`` prints it.

Format: JSON; ``smart_status.passed`` (bool); ``nvme_smart_health_information_log.percentage_used`` (NVMe base
specification, SMART log page: share of rated endurance used, may exceed 100); for SATA the attribute tables, of which 231
and 233 count down from 100 by common practice only, so that wear is taken from ``endurance_used`` where it is given.
Seen on: reports written after the command's documentation (``tests/parse/test_drive_health.py``).
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

from burnin.errors import ParseError


@dataclass(frozen=True, kw_only=True)
class DriveHealth:
    """What a drive says about its own state.

    Attributes:
        healthy: Its overall answer; None where it gives none.
        wear_pct: Share of rated endurance used, percent; None where it states none.
    """

    healthy: bool | None = None
    wear_pct: float | None = None


def parse_drive_health(data: bytes) -> DriveHealth:
    """Return a drive's health; fields of another form count as not given.

    Raises:
        ParseError: the bytes are no JSON object.
    """
    try:
        report = json.loads(data)
    except (ValueError, RecursionError):
        report = None
    if not isinstance(report, dict):
        found = data[:40].decode("ascii", "replace")
        raise ParseError("drive health report", field="report", found=repr(found), expected="a JSON object")
    passed = _at(report, "smart_status", "passed")
    wear = _number(_at(report, "nvme_smart_health_information_log", "percentage_used"))
    if wear is None:
        wear = _number(_at(report, "endurance_used", "current_percent"))
    return DriveHealth(healthy=passed if isinstance(passed, bool) else None, wear_pct=wear)


def _at(report: dict[str, Any], group: str, key: str) -> object:
    inner = report.get(group)
    return inner.get(key) if isinstance(inner, dict) else None


def _number(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= 255:
        return None
    return float(value)
