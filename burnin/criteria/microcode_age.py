"""The processor's microcode is the same on every core, and not on the kernel's list of outdated revisions."""

from __future__ import annotations

from typing import Final

from burnin.plugin.contracts import CriterionSpec, Param
from burnin.records.events import InventoryTaken
from burnin.records.findings import Finding, Outcome
from burnin.records.plan import Scalar
from burnin.records.view import RunView

_NAME: Final = "microcode_age"


class MicrocodeAge:
    """The kernel says itself which microcode is outdated (``vulnerabilities/old_microcode``, Linux 6.16 and later).

    A guest sees what its host lets it see: there the rule stays open.
    """

    spec: Final = CriterionSpec(
        title="Microcode up to date",
        needs_run=False,
        params=(
            Param(
                name="on_mistake",
                default="advise",
                about="What outdated microcode means: fail, or advise (a pass that says so)",
                choices=("fail", "advise"),
            ),
        ),
    )

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:
        """Return one finding; cores of different revisions always fail."""
        cpu = view.inventory.cpu
        evidence = tuple(entry.seq for entry, _ in view.of(InventoryTaken))[:1]
        values: dict[str, Scalar] = {"revision": cpu.microcode or "not stated"}
        slug: str
        outcome: Outcome
        if cpu.microcode and "," in cpu.microcode:
            slug, outcome = "differs", "fail"
        elif view.inventory.system.hypervisor:
            slug, outcome = "guest", "inconclusive"
        elif cpu.old_microcode is None:
            slug, outcome = "not_known", "inconclusive"
            values["reason"] = cpu.unknown.get("old_microcode") or cpu.unknown.get("*") or "not read"
        elif cpu.old_microcode:
            slug, outcome = "old", "fail" if params["on_mistake"] == "fail" else "pass"
            values["advice"] = True
        else:
            slug, outcome = "current", "pass"
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


PLUGIN: Final = MicrocodeAge()
