"""One run on a rung of a ladder: the main job with a short plan and a note that names the rung."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

from burnin.cli.accept import conclude, run_watched
from burnin.cli.equipment import everything, known_plugins, real_equipment
from burnin.cli.paperwork import answer_cautions, workshop_of
from burnin.cli.screen import say
from burnin.engine.conduct import Equipment, Request
from burnin.errors import InputProblems
from burnin.host.real import RealHost
from burnin.plan.loader import DEFAULT_PLAN, load_plan, plugins_named
from burnin.plan.rules import plan_problems
from burnin.records.plan import Plan


def make_ready(
    options: argparse.Namespace, note: str, shape: Callable[[Plan], Plan]
) -> tuple[Request, Equipment]:
    """Return what a run on a rung needs; everything that can be refused is refused here.

    Raises:
        InputError: the plan cannot be run, or the cautions were not accepted.
    """
    name = options.plan or DEFAULT_PLAN
    found = everything(plugins_named(name))
    known = known_plugins(found)
    plan, digest = load_plan(name, known)
    plan = shape(plan)
    problems = plan_problems(plan, known)
    if problems:
        raise InputProblems(name, problems, slug="plan-invalid")
    workshop = workshop_of(options)
    request = Request(
        plan=plan,
        plan_sha256=digest,
        out=Path(options.out),
        workshop=workshop,
        cautions=answer_cautions(options, workshop),
        note=note,
    )
    return request, real_equipment(RealHost(), found, plan.plugins)


def run_ready(ready: tuple[Request, Equipment]) -> str:
    """Run it, write its certificate, and return why it ended."""
    conducted = run_watched(*ready)
    conclude(conducted)
    say(str(conducted.folder))
    return conducted.reason
