"""``burnin export``: a run's readings as CSV, its findings as JUnit XML."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

from burnin.cli.equipment import criteria_of, everything
from burnin.cli.outcome import source_of, write_whole
from burnin.cli.screen import say, say_json
from burnin.criteria.verdict import fold, judge_all
from burnin.errors import InputError
from burnin.records.view import RunView
from burnin.report.junit import build_junit
from burnin.report.readings_csv import readings_csv


def export(options: argparse.Namespace) -> int:
    """Write what was asked for; without a file, the readings go to standard output."""
    if options.json and not options.out and not options.junit:
        raise InputError(
            "export: found --json without a file; expected --out FILE, --junit FILE or both",
            slug="export-nothing",
            hint="Standard output can hold the readings or the JSON object, not both.",
        )
    view = source_of(options.run).view()
    written = {}
    if options.junit:
        write_whole(Path(options.junit), _junit(view))
        written["junit"] = options.junit
    if options.out:
        _write_readings(view, Path(options.out))
        written["readings"] = options.out
    if options.json:
        say_json({"run_id": view.opened.run_id, "sweeps": len(view.t_ns), "written": written})
        return 0
    if not written:
        for piece in readings_csv(view):
            sys.stdout.write(piece.decode("utf-8"))
        sys.stdout.flush()
    for path in written.values():
        say(path)
    return 0


def _junit(view: RunView) -> bytes:
    findings = judge_all(view, criteria_of(everything(view.opened.plan.plugins)))
    return build_junit(view, findings, fold(view, findings))


def _write_readings(view: RunView, path: Path) -> None:
    """Write piece by piece, aside, then rename: a long run's readings never stand in memory as text."""
    aside = path.with_name(f".{path.name}.part")
    try:
        with aside.open("wb") as file:
            for piece in readings_csv(view):
                file.write(piece)
            file.flush()
            os.fsync(file.fileno())
        aside.replace(path)
    except OSError as error:
        aside.unlink(missing_ok=True)
        raise InputError(
            f"{path}: {(error.strerror or 'cannot be written').lower()}; expected a place that can be written to",
            slug="output-unwritable",
        ) from None
