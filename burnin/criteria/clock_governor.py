"""No frequency governor holds the processor below its clock."""

from __future__ import annotations

from typing import Final

from burnin.plugin.contracts import CriterionSpec, Param
from burnin.records.events import InventoryTaken
from burnin.records.findings import Finding, Outcome
from burnin.records.plan import Scalar
from burnin.records.view import RunView

_NAME: Final = "clock_governor"
_OWN_POLICY: Final = ("intel_pstate", "amd-pstate-epp", "amd_pstate_epp")
"""Drivers whose ``powersave`` still follows the load (kernel documentation, admin-guide/pm/intel_pstate, amd-pstate)."""
_HOLDING: Final = frozenset({"powersave", "userspace", "conservative"})
"""Governors that hold or delay the clock (kernel documentation, admin-guide/pm/cpufreq)."""


class ClockGovernor:
    """A governor left on saving costs frames and makes the loads' heat meaningless."""

    spec: Final = CriterionSpec(
        title="Frequency governor lets the clock rise",
        needs_run=False,
        params=(
            Param(
                name="on_mistake",
                default="advise",
                about="What a holding governor means: fail, or advise (a pass that says so)",
                choices=("fail", "advise"),
            ),
        ),
    )

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:
        """Return one finding; inconclusive where the kernel shows no governor."""
        cpu = view.inventory.cpu
        evidence = tuple(entry.seq for entry, _ in view.of(InventoryTaken))[:1]
        values: dict[str, Scalar] = {"driver": cpu.scaling_driver or "not stated"}
        slug: str
        outcome: Outcome
        if cpu.governor is None:
            slug, outcome = "not_known", "inconclusive"
            values["reason"] = cpu.unknown.get("governor") or cpu.unknown.get("*") or "not read"
        elif _holds(cpu.governor, cpu.scaling_driver or ""):
            slug, outcome = "holds", "fail" if params["on_mistake"] == "fail" else "pass"
            values.update({"governor": cpu.governor, "advice": True})
        else:
            slug, outcome = "free", "pass"
            values["governor"] = cpu.governor
        return (
            Finding(
                criterion=_NAME,
                slug=slug,
                outcome=outcome,
                required=outcome != "inconclusive",
                values=values,
                evidence=evidence,
            ),
        )


def _holds(governors: str, driver: str) -> bool:
    named = set(governors.split(", "))
    return bool(named & _HOLDING) and driver not in _OWN_POLICY


PLUGIN: Final = ClockGovernor()
