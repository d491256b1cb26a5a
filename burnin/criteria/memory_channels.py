"""Memory modules are spread over the channels, and are of one kind."""

from __future__ import annotations

from collections import Counter
from typing import Final

from burnin.plugin.contracts import CriterionSpec, Param
from burnin.records.events import InventoryTaken
from burnin.records.findings import Finding, Outcome
from burnin.records.inventory import MemoryModule
from burnin.records.plan import Scalar
from burnin.records.view import RunView

_NAME: Final = "memory_channels"


class MemoryChannels:
    """Two modules in one channel give half the bandwidth of two channels.

    The channel is read from the names of the sockets, which no standard fixes: where they do not tell, inconclusive, which
    keeps no machine from being accepted. A single module, unequal channels and mixed modules are advice, never a fail.
    """

    spec: Final = CriterionSpec(
        title="Memory spread over the channels",
        needs_run=False,
        params=(
            Param(
                name="on_mistake",
                default="fail",
                about="What several modules in one channel mean: fail, or advise (a pass that says so)",
                choices=("fail", "advise"),
            ),
        ),
    )

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:
        """Return what is out of order, else one finding for all modules."""
        evidence = tuple(entry.seq for entry, _ in view.of(InventoryTaken))[:1]
        memory = view.inventory.memory
        filled = [module for module in memory.modules if module.size_bytes]
        if not filled:
            reason = memory.unknown.get("modules", "no memory module is listed")
            return (_finding("not_known", "inconclusive", {"reason": reason}, evidence),)
        mistake: Outcome = "fail" if params["on_mistake"] == "fail" else "pass"
        found = [_population(memory.modules, filled, mistake, evidence)]
        parts = {(module.part_number, module.size_bytes) for module in filled}
        if len(parts) > 1:
            listed = ", ".join(sorted({module.part_number or "part number not stated" for module in filled}))
            found.append(_finding("mixed", "pass", {"advice": True, "parts": listed}, evidence))
        return tuple(found)


def _population(
    sockets: tuple[MemoryModule, ...], filled: list[MemoryModule], mistake: Outcome, evidence: tuple[int, ...]
) -> Finding:
    offered = {module.channel for module in sockets if module.channel}
    used = Counter[str]()
    for module in filled:
        used[module.channel] += module.size_bytes or 0
    values: dict[str, Scalar] = {
        "modules": len(filled),
        "slots": ", ".join(module.slot for module in filled),
        "channels": len(used),
        "offered": len(offered),
    }
    if "" in used:
        values["reason"] = "the names of the sockets do not tell their channel"
        return _finding("not_known", "inconclusive", values, evidence)
    if len(offered) > 1 and len(used) == 1:
        if len(filled) == 1:
            return _finding("single_module", "pass", {**values, "advice": True}, evidence)
        return _finding(
            "one_channel", mistake, {**values, "advice": True, "channel": filled[0].channel}, evidence
        )
    if len(set(used.values())) > 1:
        return _finding("uneven", "pass", {**values, "advice": True}, evidence)
    return _finding("spread", "pass", values, evidence)


def _finding(slug: str, outcome: Outcome, values: dict[str, Scalar], evidence: tuple[int, ...]) -> Finding:
    return Finding(
        criterion=_NAME,
        slug=slug,
        outcome=outcome,
        required=outcome != "inconclusive",
        values=values,
        evidence=evidence,
    )


PLUGIN: Final = MemoryChannels()
