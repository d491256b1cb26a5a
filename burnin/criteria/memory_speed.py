"""Memory modules run at the speed they are rated for, or at the speed the order promises."""

from __future__ import annotations

from typing import Final

from burnin.plugin.contracts import CriterionSpec, Param
from burnin.records.events import InventoryTaken
from burnin.records.findings import Finding, Outcome
from burnin.records.inventory import MemoryModule
from burnin.records.plan import Scalar
from burnin.records.view import RunView

_NAME: Final = "memory_speed"
_SLACK: Final = 0.01
"""Firmware rounds: 5986 for 6000, 3192 for 3200 MT/s are the same setting."""


class MemorySpeed:
    """Memory left at its default speed is the commonest mistake of assembly.

    Where the order sets a lower speed on purpose, that is the speed to reach. Without rights the firmware's table cannot
    be read: inconclusive, which keeps no machine from being accepted.
    """

    spec: Final = CriterionSpec(
        title="Memory at its rated speed",
        needs_run=False,
        params=(
            Param(
                name="on_mistake",
                default="fail",
                about="What memory below its speed means: fail, or advise (a pass that says so)",
                choices=("fail", "advise"),
            ),
        ),
    )

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:
        """Return one finding for each module below its speed, else one for all."""
        memory = view.inventory.memory
        evidence = tuple(entry.seq for entry, _ in view.of(InventoryTaken))[:1]
        filled = [module for module in memory.modules if module.size_bytes]
        known = [module for module in filled if module.configured_mts and _goal(view, module)]
        slow = [
            module for module in known if (module.configured_mts or 0) < _goal(view, module) * (1 - _SLACK)
        ]
        mistake: Outcome = "fail" if params["on_mistake"] == "fail" else "pass"
        if slow:
            slowest_rated = min(_goal(view, module) for module in known)
            return tuple(
                _slow(module, (_goal(view, module), slowest_rated), mistake, evidence) for module in slow
            )
        if not known or len(known) < len(filled):
            reason = memory.unknown.get("modules", "the firmware does not state every module's speed")
            return (_open(reason, evidence),)
        slowest = min(module.configured_mts or 0 for module in known)
        return (
            Finding(
                criterion=_NAME,
                slug="at_speed",
                outcome="pass",
                values={"modules": len(known)},
                observed=float(slowest),
                unit="MT/s",
                evidence=evidence,
            ),
        )


def _goal(view: RunView, module: MemoryModule) -> float:
    order = view.opened.order
    promised = order.targets.memory_speed_mts if order else None
    rated = float(module.rated_mts or 0)
    return min(promised, rated) if promised else rated


def _slow(
    module: MemoryModule, goals: tuple[float, float], mistake: Outcome, evidence: tuple[int, ...]
) -> Finding:
    """Return the finding about a slow module; one that runs as fast as the slowest module beside it is only held back."""
    goal, slowest_rated = goals
    configured = float(module.configured_mts or 0)
    held = slowest_rated < goal and configured >= slowest_rated * (1 - _SLACK)
    return Finding(
        criterion=_NAME,
        slug="held_back" if held else "below_speed",
        outcome="pass" if held else mistake,
        subject=module.slot,
        values={
            "advice": True,
            "kind": module.kind or "memory",
            "part_number": module.part_number or "not stated",
            "slowest": slowest_rated,
        },
        observed=configured,
        limit=goal,
        unit="MT/s",
        margin=configured - goal,
        evidence=evidence,
    )


def _open(reason: str, evidence: tuple[int, ...]) -> Finding:
    return Finding(
        criterion=_NAME,
        slug="not_known",
        outcome="inconclusive",
        required=False,
        values={"reason": reason},
        evidence=evidence,
    )


PLUGIN: Final = MemorySpeed()
