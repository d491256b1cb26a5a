"""``burnin inspect``: the machine as found and the checklist, without any load."""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import msgspec

from burnin.cli.equipment import everything, usable_of
from burnin.cli.order_sheet import write_order
from burnin.cli.paperwork import answers_of, checklist_of, order_of, workshop_of
from burnin.cli.screen import say, say_json
from burnin.criteria.verdict import judge_all
from burnin.engine.conduct import JOURNAL_FORMAT, anchor
from burnin.engine.manifest import software
from burnin.engine.prepare import survey, take_inventory
from burnin.host.open import open_host
from burnin.host.protocol import Host
from burnin.journal.assemble import assemble
from burnin.journal.frame import Line
from burnin.plugin.contracts import Criterion, Probe
from burnin.plugin.discovery import Found
from burnin.records.events import AnyEvent, InventoryTaken, OperatorAnswered, RunOpened
from burnin.records.findings import Finding
from burnin.records.plan import Plan
from burnin.records.view import Integrity, RunView
from burnin.report.machine import machine_rows
from burnin.report.text import OUTCOME_WORDS, finding_sentence

_NO_PLAN = Plan(format=1, name="inspect", title="Inspection, no load", first_look=True)


def inspect(options: argparse.Namespace) -> int:
    """Show inventory and checklist; return 1 when a line fails, 3 when one could not be judged, else 0."""
    checklist = checklist_of(options)
    order, workshop = order_of(options), workshop_of(options)
    answers = answers_of(options, checklist, order)
    host = open_host(options.tree or "/")
    found = everything()
    probes: dict[str, Probe] = usable_of(found, "probes")  # type: ignore[assignment] # checked at the door by discovery
    inventory = take_inventory(host, probes)
    opened = RunOpened(
        journal_format=JOURNAL_FORMAT,
        run_id="inspection",
        anchor=anchor(host),
        software=software(found),
        plan=_NO_PLAN,
        plan_sha256="",
        checklist=checklist,
        order=order,
        workshop=workshop,
        with_rights=host.with_rights,
    )
    channels = survey(host, usable_of(found, "sources"), _NO_PLAN).described  # type: ignore[arg-type] # as above
    spoken = [OperatorAnswered(answer=answer) for answer in answers]
    view = _view([opened, InventoryTaken(inventory=inventory), channels, *spoken])
    judged = judge_all(view, _without_run(found))
    findings = tuple(finding for finding in judged if finding.slug != "no_such_criterion")
    if options.write_order:
        write_order(view, Path(options.write_order))
    if options.json:
        say_json(_as_json(view, findings))
    else:
        _print(host, view, findings, probes.values())
    return _exit_code(findings)


def _without_run(found: tuple[Found, ...]) -> dict[str, Criterion]:
    criteria: dict[str, Criterion] = usable_of(found, "criteria")  # type: ignore[assignment] # checked by discovery
    return {name: each for name, each in criteria.items() if not each.spec.needs_run}


def _view(events: list[AnyEvent]) -> RunView:
    lines = [Line(seq=number, mono_ns=0, event=event) for number, event in enumerate(events)]
    return assemble(lines, Integrity(lines=len(lines), head_sha256=""))


def _exit_code(findings: tuple[Finding, ...]) -> int:
    outcomes = {finding.outcome for finding in findings if finding.required}
    if "fail" in outcomes:
        return 1
    return 3 if "inconclusive" in outcomes else 0


def _as_json(view: RunView, findings: tuple[Finding, ...]) -> dict[str, Any]:
    return {
        "inventory": msgspec.to_builtins(view.inventory),
        "channels": [msgspec.to_builtins(channel) for channel in view.channels],
        "absent": [msgspec.to_builtins(absence) for absence in view.absent],
        "checklist": view.opened.checklist.name if view.opened.checklist else None,
        "findings": [
            {**msgspec.to_builtins(finding), "sentence": finding_sentence(finding)} for finding in findings
        ],
    }


def _print(host: Host, view: RunView, findings: tuple[Finding, ...], probes: Iterable[Probe]) -> None:
    say(f"The machine as found (read from: {host.kind})")
    for row in machine_rows(view.inventory):
        details = f" ({row.details})" if row.details else ""
        say(f"  {row.part}: {row.text}{details}")
    say()
    say(f"Sensors: {len(view.channels)} channels")
    for absence in view.absent:
        say(f"  not measured: {absence.what}, because {absence.reason}")
    say()
    title = view.opened.checklist.title if view.opened.checklist else "no checklist"
    say(f"Checklist: {title}")
    for finding in findings:
        say(f"  [{OUTCOME_WORDS[finding.outcome]}] {finding_sentence(finding)}")
    rights = [each.spec.with_rights for each in probes if each.spec.with_rights]
    if rights and not host.with_rights:
        say()
        say("With administrator's rights this would also show: " + "; ".join(rights))
