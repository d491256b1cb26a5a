"""No load found a wrong result. One wrong result rejects the machine, and nothing waives it."""

from __future__ import annotations

from typing import Final

import msgspec

from burnin.calc.reproduction import reproduce_command
from burnin.calc.run_facts import load_subject, stage_runs
from burnin.plugin.contracts import CriterionSpec
from burnin.records.events import FaultFound, FaultRetried, LoadEnded, LoadStarted
from burnin.records.findings import Finding
from burnin.records.plan import Scalar
from burnin.records.view import Entry, RunView

_NAME: Final = "no_wrong_result"
_NAMED_KINDS: Final = frozenset({"rate_implausible", "disagreement"})


class NoWrongResult:
    """Every load checks its own results; what it found stands here, instance by instance.

    Where the work was done again after the stage, the core it points to is named: version 2 of the rule.
    """

    spec: Final = CriterionSpec(title="No load found a wrong result", safety=True, version=2)

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:  # noqa: ARG002 - the contract
        """Return one fail per load instance with a wrong result, else a pass with the work done."""
        groups: dict[str, list[tuple[Entry, FaultFound]]] = {}
        for entry, fault in view.of(FaultFound):
            groups.setdefault(fault.load_id, []).append((entry, fault))
        if groups:
            return tuple(_wrong(view, group) for group in groups.values())
        return (_none_wrong(view),)


def _wrong(view: RunView, group: list[tuple[Entry, FaultFound]]) -> Finding:
    fault = group[0][1]
    count = len(group) + sum(_further(one) for _, one in group)
    names = {run.span.index: run.span.name for run in stage_runs(view)}
    retried = next((event for _, event in view.of(FaultRetried) if event.load_id == fault.load_id), None)
    core = fault.core if retried is None or retried.core is None else retried.core
    shown: dict[str, Scalar] = {
        **fault.values,
        **_about_core(view, core, retried),
        "load": fault.load,
        "again": _again(view, fault, core, retried),
        "count": count,
        "fault": fault.fault,
        "step": fault.step,
        "seed": fault.seed,
        "in_stage": names.get(fault.stage, "unknown"),
        "time_s": group[0][0].t_ns / 1e9,
    }
    return Finding(
        criterion=_NAME,
        slug=_slug(fault, core),
        outcome="fail",
        subject=load_subject(msgspec.structs.replace(fault, core=core)),
        values=shown,
        observed=float(count),
        limit=0.0,
        unit="count",
        evidence=tuple(entry.seq for entry, _ in group[:50]),
        safety=True,
    )


def _further(fault: FaultFound) -> int:
    """Return how many wrong results a load counted beyond those it described."""
    further = fault.values.get("further", 0)
    return further if isinstance(further, int) else 0


def _about_core(view: RunView, core: int | None, retried: FaultRetried | None) -> dict[str, Scalar]:
    """Return the core, its physical core, and what came of doing the work again."""
    physical = next((each.core for each in view.inventory.cpu.cores if each.cpu == core), None)
    return {
        "core": "unknown" if core is None else core,
        "physical": "unknown" if core is None or physical is None else physical,
        "how": "not tried" if retried is None else retried.how,
        "came_back": "not tried" if retried is None else retried.came_back,
    }


def _again(view: RunView, fault: FaultFound, core: int | None, retried: FaultRetried | None) -> str:
    """Return the command that repeats the work, on the core suspected and on one it is compared with."""
    started = view.load_starts.get(fault.load_id)
    cores = () if retried is None else tuple(each for each in retried.cores if each != core)
    stages = view.opened.plan.stages
    return reproduce_command(
        fault.load,
        cores if core is None else (core, *cores),
        seed=fault.seed,
        step=fault.step,
        params={} if started is None else started.params,
        pulsed=fault.stage < len(stages) and stages[fault.stage].shape.kind == "pulsed",
    )


def _slug(fault: FaultFound, core: int | None) -> str:
    if fault.fault == "disagreement" and core is not None:
        return "disagreement_named"
    if fault.fault in _NAMED_KINDS:
        return fault.fault
    if {"expected", "found"} <= fault.values.keys():
        return "wrong_word" if "address" in fault.values else "wrong_value"
    return "wrong_result"


def _none_wrong(view: RunView) -> Finding:
    starts = [(entry.seq, load) for entry, load in view.of(LoadStarted)]
    steps = {load.load_id: 0 for _, load in starts}
    for load_id, columns in view.work.items():
        steps[load_id] = int(columns.steps[-1])
    for _, ended in view.of(LoadEnded):
        steps[ended.load_id] = max(ended.steps, steps.get(ended.load_id, 0))
    checked = sum(steps.values())
    if not starts or not checked:
        return Finding(
            criterion=_NAME,
            slug="nothing_checked" if starts else "no_load",
            outcome="inconclusive",
            values={"loads": len(starts)},
            evidence=tuple(seq for seq, _ in starts[:50]),
            safety=True,
        )
    return Finding(
        criterion=_NAME,
        slug="none_wrong",
        outcome="pass",
        values={"loads": len(starts), "kinds": len({load.load for _, load in starts}), "steps": checked},
        observed=0.0,
        limit=0.0,
        unit="count",
        evidence=tuple(seq for seq, _ in starts[:50]),
        safety=True,
    )


PLUGIN: Final = NoWrongResult()
