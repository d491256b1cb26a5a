"""Checklist lines and ordered parts that cannot be measured, asked on a terminal before the run."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from typing import Final

from burnin.cli.paperwork import parse_answer
from burnin.cli.screen import say
from burnin.criteria.checklist_lines import PLUGIN as LINES
from burnin.criteria.order_match import PLUGIN as PARTS
from burnin.engine.conduct import JOURNAL_FORMAT, anchor
from burnin.engine.prepare import take_inventory
from burnin.errors import InputError
from burnin.host.protocol import Host
from burnin.journal.assemble import assemble
from burnin.journal.frame import Line
from burnin.plugin.contracts import Probe
from burnin.records.events import AnyEvent, InventoryTaken, OperatorAnswered, RunOpened, Software
from burnin.records.findings import Finding
from burnin.records.paperwork import Answer, Checklist, Order
from burnin.records.plan import Plan
from burnin.records.view import Integrity
from burnin.report.text import finding_sentence

_NO_PLAN: Final = Plan(format=1, name="asking", title="Before the run", first_look=True)
_LABEL: Final = "label_not_read"


def somebody_is_there(options: argparse.Namespace) -> bool:
    """Return whether questions can be asked: a terminal, and no option for scripts."""
    return sys.stdin.isatty() and not options.yes and not options.json


def open_points(
    host: Host,
    probes: dict[str, Probe],
    paper: tuple[Checklist | None, Order | None],
    answers: tuple[Answer, ...],
) -> tuple[tuple[str, Finding], ...]:
    """Return what the machine as found leaves open and a word can settle: the name to answer by, and the finding."""
    checklist, order = paper
    opened = RunOpened(
        journal_format=JOURNAL_FORMAT,
        run_id="asking",
        anchor=anchor(host),
        software=Software(burnin="", python=""),
        plan=_NO_PLAN,
        plan_sha256="",
        checklist=checklist,
        order=order,
    )
    events: list[AnyEvent] = [opened, InventoryTaken(inventory=take_inventory(host, probes))]
    events += [OperatorAnswered(answer=answer) for answer in answers]
    lines = [Line(seq=number, mono_ns=0, event=event) for number, event in enumerate(events)]
    view = assemble(lines, Integrity(lines=len(lines), head_sha256=""))
    found = [(each.subject, each) for each in LINES.judge(view, {}) if each.outcome == "inconclusive"]
    found += [(str(each.values["answer_as"]), each) for each in PARTS.judge(view, {}) if each.slug == _LABEL]
    return tuple(found)


def ask_open(points: tuple[tuple[str, Finding], ...], readline: Callable[[], str]) -> tuple[Answer, ...]:
    """Ask for each point; Enter leaves it open, the end of the input leaves all that follow open."""
    if points:
        say(
            "These points cannot be measured. Answer each with yes or no, then :REMARK if there is one; Enter leaves it open."
        )
    answers: list[Answer] = []
    for name, finding in points:
        say(f"  {name}: {finding_sentence(finding)}")
        while line := readline():
            text = line.strip()
            if not text:
                break
            try:
                answers.append(parse_answer(f"{name}={text}", [name]))
                break
            except InputError as error:
                say(f"  {error.message}")
        if not line:
            break
    return tuple(answers)
