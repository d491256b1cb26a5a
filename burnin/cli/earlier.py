"""Earlier runs of the same serial number: found in the runs folder when a new run begins."""

from __future__ import annotations

from pathlib import Path

from burnin.calc.run_facts import cut_off
from burnin.cli.equipment import criteria_of, everything
from burnin.cli.outcome import JOURNAL
from burnin.criteria.verdict import fold, judge_all
from burnin.errors import BurninError
from burnin.journal.reader import JournalReader, open_journal, read_run
from burnin.records.events import EarlierRun, RunOpened
from burnin.records.paperwork import Order
from burnin.records.run_events import EarlierStanding
from burnin.records.view import RunView
from burnin.report.figures import clock, local_time


def earlier_runs(runs: Path, order: Order | None) -> tuple[EarlierRun, ...]:
    """Return the runs in ``runs`` whose order names the same serial number, oldest first.

    Each is judged anew from its journal. Rehearsals, and orders without a serial number, are left out.
    """
    if order is None or not order.serial or not runs.is_dir():
        return ()
    found = []
    for folder in sorted(runs.iterdir()):
        opened = _opened(folder)
        if opened and opened.order and opened.order.serial == order.serial and not opened.rehearsal:
            found.append((opened.anchor.wall_ns, opened, folder))
    return tuple(_told(opened, folder) for _, opened, folder in sorted(found, key=lambda each: each[0]))


def _opened(folder: Path) -> RunOpened | None:
    if not (folder / JOURNAL).is_file():
        return None
    try:
        with open_journal(folder) as stream:
            first = next(iter(JournalReader(stream)), None)
    except (BurninError, OSError):
        return None
    return first.event if first and isinstance(first.event, RunOpened) else None


def _told(opened: RunOpened, folder: Path) -> EarlierRun:
    date = clock(local_time(opened.anchor))
    try:
        view = read_run(folder)
        return EarlierRun(run_id=opened.run_id, standing=_standing(view), date=date)
    except BurninError:
        return EarlierRun(run_id=opened.run_id, standing="unreadable", date=date)


def _standing(view: RunView) -> EarlierStanding:
    """Return the verdict, or how the run was cut off."""
    how = cut_off(view)
    if how:
        return "reset" if view.closed is not None and how == "reset" else "cut_off"
    findings = judge_all(view, criteria_of(everything(view.opened.plan.plugins)))
    return fold(view, findings).standing
