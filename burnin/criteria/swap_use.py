"""The machine does not live from its swap space before the first load runs."""

from __future__ import annotations

from typing import Final

from burnin.plugin.contracts import CriterionSpec, Param
from burnin.records.events import InventoryTaken
from burnin.records.findings import Finding, Outcome
from burnin.records.plan import Scalar
from burnin.records.view import RunView

_NAME: Final = "swap_use"
_MIB: Final = 1 << 20


class SwapUse:
    """Swap in use on a machine that does nothing means too little memory, or something that eats it."""

    spec: Final = CriterionSpec(
        title="No swapping at rest", needs_run=False,
        params=(
            Param(name="most_mib", default=64.0, about="Swap in use that passes without a word, MiB", low=0.0, high=1048576.0),
            Param(
                name="on_mistake",
                default="advise",
                about="What more swap in use means: fail, or advise (a pass that says so)",
                choices=("fail", "advise"),
            ),
        ),
    )  # fmt: skip

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:
        """Return one finding about the inventory's moment; inconclusive where swap is not known."""
        memory = view.inventory.memory
        evidence = tuple(entry.seq for entry, _ in view.of(InventoryTaken))[:1]
        if memory.swap_used_bytes is None:
            reason = memory.unknown.get("swap_used_bytes") or memory.unknown.get("*") or "not read"
            return (
                Finding(
                    criterion=_NAME,
                    slug="not_known",
                    outcome="inconclusive",
                    required=False,
                    values={"reason": reason},
                    evidence=evidence,
                ),
            )
        used = memory.swap_used_bytes / _MIB
        limit = float(params["most_mib"])
        mistake: Outcome = "fail" if params["on_mistake"] == "fail" else "pass"
        return (
            Finding(
                criterion=_NAME,
                slug="in_use" if used > limit else "quiet",
                outcome=mistake if used > limit else "pass",
                values={"advice": used > limit},
                observed=round(used, 1),
                limit=limit,
                unit="MiB",
                margin=round(limit - used, 1),
                evidence=evidence,
            ),
        )


PLUGIN: Final = SwapUse()
