"""``burnin watch``: follows a run of this machine from a second terminal; reads the journal and nothing else."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Final

from burnin.cli.following import GrowingJournal, Standing, is_written
from burnin.cli.outcome import JOURNAL
from burnin.cli.screen import is_terminal, quiet_output, say, say_json
from burnin.cli.views import LineView, clock_text
from burnin.engine.observer import Observer
from burnin.errors import InputError
from burnin.host.protocol import Clock
from burnin.host.real import RealHost
from burnin.journal.files import FileLayer, RealFiles
from burnin.records.events import Sweep

if TYPE_CHECKING:
    from burnin.cli.live import LiveView

_LOOK_EVERY_NS: Final = 500_000_000
_QUIET_NS: Final = 5_000_000_000


def watch(options: argparse.Namespace) -> int:
    """Show the run until it ends; return 0, or 3 when it was cut off. Ctrl-C ends the watching, never the run."""
    folder = Path(options.run) if options.run else newest(Path(options.out), RealFiles())
    folder = folder.parent if folder.is_file() else folder
    if not (folder / JOURNAL).is_file():
        raise InputError(
            f"{folder}: found no {JOURNAL} there; expected a run's folder",
            slug="run-missing",
            hint="Name the run's folder, or leave RUN away for the newest one.",
        )
    with quiet_output(to_error=options.json):
        standing, end = _watched(folder)
        say(_END[end])
    if options.json:
        opened, closed = standing.opened, standing.closed
        say_json(
            {
                "run_id": opened.run_id if opened else "",
                "end": end,
                "reason": closed.reason if closed else "",
                "faults": standing.faults,
                "elapsed_s": standing.elapsed_s,
                "folder": str(folder),
            }
        )
    return 3 if end in {"cut_off", "damaged"} else 0


_END: Final = {
    "over": "The run is over; its certificate lies in its folder.",
    "left": "Watching ended; the run goes on.",
    "cut_off": "Nobody writes this run any more and it was never closed. To close it: burnin recover",
    "damaged": "The journal is damaged here; 'burnin verify' says how.",
}


def newest(runs: Path, files: FileLayer) -> Path:
    """Return the newest run that is being written.

    Raises:
        InputError: none is.
    """
    folders = sorted(runs.iterdir(), reverse=True) if runs.is_dir() else []
    for folder in folders:
        if is_written(folder, files):
            return folder
    raise InputError(
        f"--out {runs}: found no run that is going on; expected one, or the name of a run",
        slug="watch-none",
        hint="Name the folder in which 'burnin accept' makes its runs with --out, or the run itself.",
    )


def _watched(folder: Path) -> tuple[Standing, str]:
    view = _view()
    standing = Standing()
    try:
        return standing, follow(folder, view, standing, (RealHost().clock, RealFiles()))
    except KeyboardInterrupt:
        return standing, "left"
    finally:
        view.close()


def _view() -> LineView | LiveView:
    if is_terminal():
        from burnin.cli.live import LiveView

        return LiveView()
    return LineView()


def follow(folder: Path, view: Observer, standing: Standing, means: tuple[Clock, FileLayer]) -> str:
    """Show a run until it is over; return ``over``, ``cut_off`` or ``damaged``.

    Args:
        folder: The run's folder.
        view: Where it is shown.
        standing: What is known of the run; filled while it goes on.
        means: Clock to wait with, and the files' locks.
    """
    clock, files = means
    journal = GrowingJournal(folder / JOURNAL)
    heard_ns = clock.mono_ns()
    while True:
        lines = journal.new_lines()
        for line in lines:
            standing.take(line)
            if not isinstance(line.event, Sweep):
                view.event(line.event, standing.elapsed_s)
        snapshot = standing.snapshot()
        if lines and snapshot is not None:
            view.snapshot(snapshot)
            heard_ns = clock.mono_ns()
        if standing.closed is not None:
            say(f"[{clock_text(standing.elapsed_s)}] Run {snapshot.run_id if snapshot else ''}: over")
            return "over"
        if journal.bad is not None:
            return "damaged"
        if clock.mono_ns() - heard_ns > _QUIET_NS and not is_written(folder, files):
            return "cut_off"
        if not lines:
            clock.sleep_until(clock.mono_ns() + _LOOK_EVERY_NS)
