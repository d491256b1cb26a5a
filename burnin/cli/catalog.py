"""``burnin catalog``: what is on hand."""

from __future__ import annotations

import argparse
from pathlib import Path

from burnin.cli.equipment import everything, known_plugins
from burnin.cli.screen import say, say_json
from burnin.errors import BurninError
from burnin.plan.loader import SHIPPED_CHECKLISTS, SHIPPED_PLANS, load_checklist, load_plan, shipped
from burnin.plan.rules import KnownPlugins
from burnin.plugin.discovery import ROOMS, Found
from burnin.report.notes import ARRAY_NOTE


def catalog(options: argparse.Namespace) -> int:
    """List plugins, plans and checklists, broken ones with their reason."""
    found = everything()
    known = known_plugins(found)
    listing: dict[str, list[dict[str, str]]] = {
        room: [_plugin_row(each) for each in found if each.room == room] for room in ROOMS
    }
    listing["plans"] = [_plan_row(name, path, known) for name, path in shipped(SHIPPED_PLANS).items()]
    listing["checklists"] = [_checklist_row(name, path) for name, path in shipped(SHIPPED_CHECKLISTS).items()]
    if options.json:
        say_json({**listing, "march": _march_rows()} if options.march else listing)
        return 0
    if options.march:
        _say_march()
        return 0
    for room, rows in listing.items():
        say(room.capitalize())
        for row in rows:
            broken = f"  CANNOT BE USED: {row['broken']}" if row.get("broken") else ""
            say(f"  {row['name']:<28} {row['title']}{broken}")
        say()
    return 0


def _say_march() -> None:
    from burnin.calc.march_simulator import coverage_table, render_coverage

    say("Faults found in the worst case, cell by cell, as published (simulated, 3 cells)")
    say(render_coverage(coverage_table()))
    say("As the memory load runs: cells of one block, read and then written together (simulated, 3 cells)")
    say(render_coverage(coverage_table(block=3)))
    say(ARRAY_NOTE)


def _march_rows() -> list[dict[str, str | int]]:
    from burnin.calc.march_simulator import coverage_table

    return [
        {
            "test": row.march,
            "ops_per_cell": row.ops_per_cell,
            "block": row.block,
            **{str(cover.kind): f"{cover.detected}/{cover.total}" for cover in row.covers},
        }
        for block in (None, 3)
        for row in coverage_table(block=block)
    ]


def _plugin_row(found: Found) -> dict[str, str]:
    title = found.plugin.spec.title if found.usable else ""
    row = {"name": found.name, "title": title, "distribution": found.distribution, "version": found.version}
    return {**row, "broken": found.broken} if found.broken else row


def _plan_row(name: str, path: Path, known: KnownPlugins) -> dict[str, str]:
    try:
        plan, digest = load_plan(name, known)
    except BurninError as error:
        return {"name": name, "title": "", "file": str(path), "broken": error.message}
    length = f"{plan.longest_s:.0f} s" if plan.longest_s < 600 else f"{plan.longest_s / 60:.0f} min"
    return {"name": name, "title": f"{plan.title} ({length})", "file": str(path), "sha256": digest}


def _checklist_row(name: str, path: Path) -> dict[str, str]:
    try:
        checklist = load_checklist(name)
    except BurninError as error:
        return {"name": name, "title": "", "file": str(path), "broken": error.message}
    return {"name": name, "title": checklist.title, "file": str(path)}
