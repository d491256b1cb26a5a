"""From the view of a run to findings, and from findings to the verdict. The worst answer wins."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

import msgspec
import numpy as np

from burnin.plugin.contracts import Criterion
from burnin.records.events import (
    FaultFound,
    FaultRetried,
    LoadEnded,
    LoadStarted,
    OperatorStopped,
    SafetyTripped,
    StageEnded,
    StageStarted,
)
from burnin.records.findings import Finding, Standing, Verdict, WaiverUsed
from burnin.records.plan import CriterionUse, Scalar, Waiver
from burnin.records.view import Entry, RunView, StageSpan, WorkColumns

NEEDED_TO_ACCEPT: Final = (
    "run_complete",
    "evidence_whole",
    "no_wrong_result",
    "loads_survived",
    "steady_state",
    "combined_soak",
    "minimum_time",
)
"""Rules that must have passed before anything is called accepted; no waiver stands in for them."""


def judge_all(view: RunView, catalog_entries: Mapping[str, Criterion]) -> tuple[Finding, ...]:
    """Return the findings of every rule that is always judged or that the plan names, by name of the rule.

    A rule that raises is our bug and answers inconclusive (``criterion_broken``), as does one that the plan names or
    acceptance needs and that is not on hand (``no_such_criterion``).

    Args:
        view: The run.
        catalog_entries: Name to criterion.
    """
    uses = _uses(view, catalog_entries)
    return tuple(
        finding for use in uses for finding in _judged(view, use, catalog_entries.get(use.criterion))
    )


def fold(view: RunView, findings: tuple[Finding, ...]) -> Verdict:
    """Return what the findings fold to: any fail rejects, any open required answer leaves it open, else accepted.

    *Accepted* also needs a pass of every rule in ``NEEDED_TO_ACCEPT`` and a plan that is no first look. A waiver of the
    plan takes a finding out of the fold, never one of a safety rule or of a rule needed to accept. Exit codes in order
    of precedence: 5 safety, 1 rejected, 4 operator, 3 inconclusive, 0 accepted.
    """
    waived = {index: waiver for index, finding in enumerate(findings) if (waiver := _waiver(view, finding))}
    standing, reasons = _standing(view, findings, waived)
    unwaived, _ = _standing(view, findings, {})
    tripped = next(view.of(SafetyTripped), None) is not None
    closed = view.closed
    stopped = next(view.of(OperatorStopped), None) is not None or (
        closed is not None and closed.reason == "operator"
    )
    return Verdict(
        standing=standing,
        first_look=view.opened.plan.first_look,
        reasons=reasons,
        waivers=tuple(_used(findings[index], waiver) for index, waiver in waived.items())
        if standing != unwaived
        else (),
        stopped_for_safety=tripped,
        stopped_by_operator=stopped,
        exit_code=_exit_code(standing, tripped=tripped, stopped=stopped),
    )


def limited_to(view: RunView, stage: str) -> RunView:
    """Return the part of a run that belongs to one stage: its sweeps, its loads, its faults, and what is of no stage."""
    indices = {index for index, planned in enumerate(view.opened.plan.stages) if planned.name == stage}
    spans = [span for span in view.stage_spans() if span.index in indices]
    keep = np.zeros(len(view.t_ns), dtype=np.bool_)
    for span in spans:
        keep |= (view.t_ns > span.start_ns) & (view.t_ns <= span.end_ns)
    ids = {load.load_id for load in view.load_starts.values() if load.stage in indices}
    return RunView(
        opened=view.opened,
        entries=tuple(entry for entry in view.entries if _belongs(entry, indices, ids)),
        t_ns=view.t_ns[keep],
        seq=view.seq[keep],
        values=view.values[keep],
        quality=view.quality[keep],
        work=dict(_work_within(view, ids, spans)),
        integrity=view.integrity,
    )


def _uses(view: RunView, criteria: Mapping[str, Criterion]) -> list[CriterionUse]:
    plan = view.opened.plan
    named = list(plan.criteria)
    for stage in plan.stages:
        named += [msgspec.structs.replace(use, stage=stage.name) for use in stage.criteria]
    for_whole_run = {use.criterion for use in named if not use.stage}
    always = [name for name, criterion in criteria.items() if criterion.spec.always]
    unnamed = sorted({*always, *NEEDED_TO_ACCEPT} - for_whole_run)
    return sorted(
        [*named, *(CriterionUse(criterion=name) for name in unnamed)], key=lambda use: use.criterion
    )


def _judged(view: RunView, use: CriterionUse, criterion: Criterion | None) -> tuple[Finding, ...]:
    if criterion is None:
        return (
            Finding(
                criterion=use.criterion, slug="no_such_criterion", outcome="inconclusive", stage=use.stage
            ),
        )
    spec = criterion.spec
    params: dict[str, Scalar] = {param.name: param.default for param in spec.params} | use.params
    part = limited_to(view, use.stage) if use.stage else view
    try:
        findings = criterion.judge(part, params)
    except Exception as error:  # noqa: BLE001 - whatever a rule raises is our bug, never the machine's fault
        findings = (
            Finding(
                criterion=use.criterion,
                slug="criterion_broken",
                outcome="inconclusive",
                values={"error": type(error).__name__},
            ),
        )
    return tuple(_settled(finding, use, safety=spec.safety) for finding in findings)


def _settled(finding: Finding, use: CriterionUse, *, safety: bool) -> Finding:
    """Return the finding as the plan wants it; a plan can relax an open answer, but no safety rule and none needed."""
    fixed = safety or finding.safety or use.criterion in NEEDED_TO_ACCEPT
    return msgspec.structs.replace(
        finding,
        criterion=use.criterion,
        required=finding.required and (use.required or fixed),
        safety=safety or finding.safety,
        stage=use.stage or finding.stage,
    )


def _waiver(view: RunView, finding: Finding) -> Waiver | None:
    if finding.safety or finding.criterion in NEEDED_TO_ACCEPT or not _decides(finding):
        return None
    for waiver in view.opened.plan.waivers:
        if waiver.criterion == finding.criterion and waiver.subject in {"", finding.subject}:
            return waiver
    return None


def _decides(finding: Finding) -> bool:
    if finding.advisory:
        return False
    return finding.outcome == "fail" or (finding.outcome == "inconclusive" and finding.required)


def _used(finding: Finding, waiver: Waiver) -> WaiverUsed:
    return WaiverUsed(
        criterion=finding.criterion,
        subject=finding.subject,
        outcome=finding.outcome,
        reason=waiver.reason,
        by=waiver.by,
    )


def _standing(
    view: RunView, findings: tuple[Finding, ...], waived: Mapping[int, Waiver]
) -> tuple[Standing, tuple[int, ...]]:
    deciding = [index for index, finding in enumerate(findings) if _decides(finding) and index not in waived]
    fails = tuple(index for index in deciding if findings[index].outcome == "fail")
    still_open = tuple(index for index in deciding if findings[index].outcome == "inconclusive")
    if fails:
        return "rejected", fails + still_open
    passed = {finding.criterion for finding in findings if finding.outcome == "pass"}
    if still_open or view.opened.plan.first_look or not passed.issuperset(NEEDED_TO_ACCEPT):
        return "inconclusive", still_open
    return "accepted", ()


def _exit_code(standing: Standing, *, tripped: bool, stopped: bool) -> int:
    if tripped:
        return 5
    if standing == "rejected":
        return 1
    if stopped:
        return 4
    return 3 if standing == "inconclusive" else 0


def _belongs(entry: Entry, indices: set[int], ids: set[str]) -> bool:
    event = entry.event
    if isinstance(event, StageStarted | StageEnded):
        return event.index in indices
    if isinstance(event, LoadStarted | FaultFound | FaultRetried):
        return event.stage in indices
    return not isinstance(event, LoadEnded) or event.load_id in ids


def _work_within(view: RunView, ids: set[str], spans: list[StageSpan]) -> Iterator[tuple[str, WorkColumns]]:
    for load_id in sorted(ids & view.work.keys()):
        columns = view.work[load_id]
        keep = np.zeros(len(columns.t_ns), dtype=np.bool_)
        for span in spans:
            keep |= (columns.t_ns > span.start_ns) & (columns.t_ns <= span.end_ns)
        if keep.any():
            yield (
                load_id,
                WorkColumns(t_ns=columns.t_ns[keep], steps=columns.steps[keep], amount=columns.amount[keep]),
            )
