"""``burnin accept``: the main job."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from burnin.cli.earlier import earlier_runs
from burnin.cli.equipment import everything, known_plugins, real_equipment
from burnin.cli.fan_headers import fan_survey_of
from burnin.cli.instruments import desk_of, leak_hold_of, readings_of
from burnin.cli.metrics import Both, MetricsFile
from burnin.cli.open_lines import ask_open, open_points, somebody_is_there
from burnin.cli.outcome import JOURNAL, Outcome, judge, write_outcome
from burnin.cli.paperwork import answer_cautions, answers_of, checklist_of, order_of, workshop_of
from burnin.cli.recover import tell_unfinished
from burnin.cli.screen import is_terminal, quiet_output, say, say_json
from burnin.cli.seal_key import key_of
from burnin.cli.views import LineView
from burnin.engine.conduct import Conducted, Equipment, Request, conduct
from burnin.host.real import RealHost
from burnin.journal.keys import SigningKey
from burnin.plan.loader import DEFAULT_PLAN, load_plan, plugins_named, with_seed
from burnin.records.findings import Verdict
from burnin.report.text import plain_summary


def accept(options: argparse.Namespace) -> int:
    """Test this machine and write its certificate; return the exit code."""
    with quiet_output(to_error=options.json):
        key = key_of(options)  # before the run: a key that cannot be used is told now, not in the morning
        request, equipment = _prepare(options)
        conducted = run_watched(
            request, equipment, metrics=Path(options.metrics) if options.metrics else None
        )
        outcome = conclude(conducted, key)
    return tell_outcome(options, conducted, outcome)


def _prepare(options: argparse.Namespace) -> tuple[Request, Equipment]:
    name = options.plan or DEFAULT_PLAN
    found = everything(plugins_named(name))
    plan, digest = load_plan(name, known_plugins(found))
    plan = with_seed(plan, options.seed)
    checklist, workshop, order = checklist_of(options), workshop_of(options), order_of(options)
    answers = answers_of(options, checklist, order)
    host = RealHost()
    equipment = real_equipment(host, found, plan.plugins)
    if somebody_is_there(options):
        answers += ask_open(
            open_points(host, dict(equipment.probes), (checklist, order), answers), sys.stdin.readline
        )
    request = Request(
        plan=plan,
        plan_sha256=digest,
        out=Path(options.out),
        checklist=checklist,
        order=order,
        workshop=workshop,
        answers=answers,
        readings=readings_of(options, plan),
        leak_hold=leak_hold_of(options, plan, order),
        cautions=answer_cautions(options, workshop),
        fan_survey=fan_survey_of(options),
        note=options.note,
        earlier=earlier_runs(Path(options.out), order),
        asides=desk_of(plan),  # last: from here on the terminal belongs to the readings
    )
    if options.plan is None:
        say(f"No plan named: running '{plan.name}' ({plan.title}). Others: burnin catalog")
    say(f"Plan '{plan.title}': {plan.about}" if plan.about else f"Plan '{plan.title}'")
    tell_unfinished(Path(options.out))
    return request, equipment


def run_watched(
    request: Request, equipment: Equipment, *, every_s: float = 10.0, metrics: Path | None = None
) -> Conducted:
    """Conduct a run and show it; without a terminal, with a line every ``every_s`` of the run's time.

    Args:
        request: What is asked for.
        equipment: What it is done with.
        every_s: Time of the run between two lines.
        metrics: File that holds the present values for collectors; None for none.
    """
    if is_terminal():
        from burnin.cli.live import LiveView

        view: LineView | LiveView = LiveView()
    else:
        view = LineView(every_s)
    file = MetricsFile(metrics) if metrics else None
    try:
        return conduct(request, equipment, Both(view, file) if file else view)
    finally:
        view.close()
        if file:
            file.close()


def conclude(conducted: Conducted, key: SigningKey | None = None) -> Outcome:
    """Judge the journal, seal what follows from it, and write certificate and result beside it."""
    outcome = judge(conducted.folder / JOURNAL, key)
    write_outcome(outcome, conducted.folder)
    return outcome


def tell_outcome(options: argparse.Namespace, conducted: Conducted, outcome: Outcome) -> int:
    """Print verdict, reasons and, last, the run's folder; return the exit code."""
    verdict: Verdict = outcome.verdict
    lines = plain_summary(outcome.view, outcome.findings, verdict)
    if options.json:
        say_json(
            {
                "run_id": outcome.view.opened.run_id,
                "standing": verdict.standing,
                "exit_code": verdict.exit_code,
                "reason": conducted.reason,
                "summary": list(lines),
                "journal_whole": conducted.whole,
                "folder": str(conducted.folder),
            }
        )
        return verdict.exit_code
    say()
    for line in lines:
        say(line)
    if not conducted.whole:
        say(
            "The journal could not be written to its end: free some space, then look at the certificate's remarks."
        )
    if verdict.exit_code == 3:
        say("Exit code 3 is no failure: nothing failed, but something could not be judged.")
    say(str(conducted.folder))
    return verdict.exit_code
