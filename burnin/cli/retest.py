"""``burnin retest``: the same plan again after a change, and the comparison with the run before."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Final

from burnin.cli.accept import conclude, run_watched
from burnin.cli.compare import compared_runs, comparison_json, tell_comparison
from burnin.cli.earlier import earlier_runs
from burnin.cli.equipment import everything, known_plugins, real_equipment
from burnin.cli.instruments import desk_of, leak_hold_of, readings_of
from burnin.cli.named_run import find_run, read_named
from burnin.cli.outcome import write_whole
from burnin.cli.paperwork import answer_cautions, answers_of
from burnin.cli.recover import tell_unfinished
from burnin.cli.screen import quiet_output, say, say_json
from burnin.cli.seal_key import key_of
from burnin.engine.conduct import Equipment, Request
from burnin.errors import InputError, InputProblems
from burnin.host.real import RealHost
from burnin.plan.loader import with_seed
from burnin.plan.rules import plan_problems
from burnin.records.view import RunView
from burnin.report.comparison import render_comparison
from burnin.report.text import plain_summary

PAGE: Final = "comparison.html"
_BEFORE_DIFFERENCE: Final = (5, 1, 4)
"""Exit codes of the new run that go before the comparison's: safety, rejected, stopped by the operator."""


def retest(options: argparse.Namespace) -> int:
    """Run the plan of an earlier run again and compare; return the exit code.

    5, 1 and 4 of the new run go first; then 1 when the runs differ, 0 when no difference is shown, 3 when not all is comparable.
    """
    before = read_named(find_run(options.run, options.url))
    _refuse(before)
    with quiet_output(to_error=options.json):
        key = key_of(options)
        request, equipment = _prepare(before, options)
        conducted = run_watched(
            request, equipment, metrics=Path(options.metrics) if options.metrics else None
        )
        outcome = conclude(conducted, key)
        for line in plain_summary(outcome.view, outcome.findings, outcome.verdict):
            say(line)
    compared = compared_runs(before, outcome.view, options)
    write_whole(conducted.folder / PAGE, render_comparison(compared))
    if options.json:
        page = Path(options.page) if options.page else conducted.folder / PAGE
        if options.page:
            write_whole(page, render_comparison(compared))
        told = comparison_json(compared, page)
        code = _exit_code(outcome.verdict.exit_code, told["exit_code"])
        run = {
            "run_id": outcome.view.opened.run_id,
            "standing": outcome.verdict.standing,
            "folder": str(conducted.folder),
        }
        say_json({**told, "exit_code": code, "run": run})
        return code
    say()
    code = _exit_code(outcome.verdict.exit_code, tell_comparison(options, compared))
    say(str(conducted.folder / PAGE))
    say(str(conducted.folder))
    return code


def _exit_code(run: int, comparison: int) -> int:
    return run if run in _BEFORE_DIFFERENCE else comparison


def _refuse(before: RunView) -> None:
    if before.opened.rehearsal:
        raise InputError(
            f"retest {before.opened.run_id}: found a rehearsal; expected a run on a real machine",
            slug="retest-rehearsal",
        )


def _prepare(before: RunView, options: argparse.Namespace) -> tuple[Request, Equipment]:
    opened = before.opened
    found = everything(opened.plan.plugins)
    problems = plan_problems(opened.plan, known_plugins(found))
    if problems:
        raise InputProblems(
            f"plan of run {opened.run_id}",
            problems,
            slug="plan-invalid",
            hint="The run was made with another version of this program; compare two runs of one version instead.",
        )
    request = Request(
        plan=with_seed(opened.plan, int(opened.seed, 16)),
        plan_sha256=opened.plan_sha256,
        out=Path(options.out),
        checklist=opened.checklist,
        order=opened.order,
        workshop=opened.workshop,
        answers=answers_of(options, opened.checklist, opened.order),
        readings=readings_of(options, opened.plan),
        leak_hold=leak_hold_of(options, opened.plan, opened.order),
        cautions=answer_cautions(options, opened.workshop),
        retest_of=opened.run_id,
        note=options.note,
        earlier=earlier_runs(Path(options.out), opened.order),
        asides=desk_of(opened.plan),  # last: from here on the terminal belongs to the readings
    )
    say(f"Re-test of run {opened.run_id}, plan '{opened.plan.title}'")
    tell_unfinished(Path(options.out))
    return request, real_equipment(RealHost(), found, opened.plan.plugins)
