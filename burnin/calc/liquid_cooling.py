"""Whether a machine is liquid-cooled, by plan and order: no sensor tells it for certain."""

from __future__ import annotations

import re
from typing import Final

from burnin.records.paperwork import Order
from burnin.records.plan import Plan

_LIQUID: Final = re.compile(r"liquid|water|coolant|radiator|\bloop\b|reservoir", re.IGNORECASE)
_LIQUID_PARTS: Final = frozenset({"radiator", "pump", "reservoir", "loop"})


def liquid_cooled(plan: Plan, order: Order | None) -> bool:
    """Return whether the plan says so, or the order has parts of a loop or a cooler that does by its words."""
    parts = order.parts if order else ()
    return plan.liquid_cooled or any(
        part.part in _LIQUID_PARTS
        or (part.part == "cooler" and _LIQUID.search(f"{part.text} {part.match}") is not None)
        for part in parts
    )
