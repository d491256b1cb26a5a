"""Energy counters of the processor (powercap zones).

*Format*: ``name`` is one word (``package-0``, ``core``, ``dram``); ``energy_uj`` counts microjoules from 0 to
``max_energy_range_uj`` and starts again at 0 (Linux documentation, power/powercap). *Seen on*: Linux 5.10 to 6.1.
"""

from __future__ import annotations

import re
from typing import Final

from burnin.records.channels import Reading, Role, implausible, missing

MOST_W: Final = 3000.0
"""No processor of a PC draws more; a larger figure is a counter that was reset. Common practice."""

SURE_W: Final = 1000.0
"""Power up to which a wrap must be certain: the larger common range then lasts 262 s, the smaller 65 s."""


def parse_zone_name(data: bytes) -> str:
    """Return the zone's name as printable text, at most 40 characters; "unnamed" for none."""
    text = "".join(mark for mark in data[:160].decode("utf-8", "replace") if mark.isprintable()).strip()
    return text[:40] or "unnamed"


def role_of_zone(zone: str, name: str) -> Role:
    """Return ``cpu_power`` for a package's main counter; its parts and second views of it stand for nothing.

    Args:
        zone: Folder name, such as ``intel-rapl:0`` (main) or ``intel-rapl:0:1`` (a part).
        name: The zone's name.
    """
    main = re.fullmatch(r"[a-z-]*rapl:\d+", zone) is not None
    return "cpu_power" if main and name.startswith("package") else "none"


def mean_power(before_uj: int, now_uj: int, *, range_uj: int, span_s: float) -> Reading:
    """Return the mean power in W between two readings of one counter, across at most one wrap.

    A span in which ``SURE_W`` would use up the whole range is refused: a second wrap could not be told from none.

    Args:
        before_uj: Earlier reading, microjoules.
        now_uj: Later reading.
        range_uj: Largest value of the counter; 0 where unknown.
        span_s: Time between them, seconds.
    """
    if span_s <= 0.0:
        return missing("no time has passed between two readings of the counter")
    if range_uj > 0 and span_s * SURE_W * 1e6 > range_uj:
        return missing("too long since the last sweep: the counter may have wrapped more than once")
    energy_uj = now_uj - before_uj
    if energy_uj < 0:
        if range_uj <= 0:
            return missing("the counter started again, and its range is not known")
        energy_uj += range_uj
    power_w = energy_uj / 1e6 / span_s
    if not 0.0 <= power_w <= MOST_W:
        return implausible(power_w, "more than a processor can draw: the counter was reset")
    return Reading(value=power_w)
