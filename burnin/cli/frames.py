"""``burnin frames``: judges a frame-time log against a headset's refresh rate."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any, Final

import msgspec

from burnin.calc.pacing import Pacing, has_pacing_problem, measure_pacing
from burnin.cli.screen import say, say_json
from burnin.errors import InputError, ParseError
from burnin.parse.frame_column import Choice
from burnin.parse.frame_log import FrameLog, parse_frame_log
from burnin.plan.loader import load_checklist

_MOST_BYTES: Final = 4 << 30


def frames(options: argparse.Namespace) -> int:
    """Judge a log; return 0 when the pacing holds, 1 when it does not."""
    refresh_hz = _refresh(options)
    log = _read(Path(options.log), Choice(column=options.column, unit=options.unit))
    pacing = measure_pacing(log.frame_ms, refresh_hz, at_s=log.at_s)
    problem = has_pacing_problem(pacing)
    if options.json:
        say_json(_as_json(log, pacing, problem=problem))
        return int(problem)
    for line in _as_text(log, pacing, problem=problem):
        say(line)
    return int(problem)


def _refresh(options: argparse.Namespace) -> float:
    if options.refresh is not None:
        if not 1.0 <= options.refresh <= 1000.0:
            raise InputError(
                f"--refresh {options.refresh:g}: expected a rate from 1 to 1000 Hz", slug="frames-refresh"
            )
        return float(options.refresh)
    if not options.checklist:
        raise InputError(
            "frames: found neither --refresh nor --checklist; expected one of them",
            slug="frames-refresh",
            hint="Add --refresh 90, or --checklist first-generation-tethered.",
        )
    rate = load_checklist(options.checklist).refresh_hz
    if rate is None:
        raise InputError(
            f"--checklist {options.checklist}: it states no refresh_hz; expected one", slug="frames-refresh"
        )
    return rate


def _read(path: Path, choice: Choice) -> FrameLog:
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise InputError(
                f"{path}: found more than 4 GiB; expected a frame-time log", slug="frames-unreadable"
            )
        data = path.read_bytes()
    except OSError as error:
        reason = (error.strerror or "cannot be read").lower()
        raise InputError(f"{path}: {reason}; expected a frame-time log", slug="frames-unreadable") from None
    try:
        return parse_frame_log(data, choice=choice)
    except ParseError as error:
        raise InputError(f"{path}: {error.message}", slug="frames-log", hint=error.hint) from None


def _as_json(log: FrameLog, pacing: Pacing, *, problem: bool) -> dict[str, Any]:
    figures = msgspec.to_builtins(pacing)
    latency = _latency(log)
    return {
        **figures,
        "pacing_problem": problem,
        "column": log.column,
        "kind": str(log.kind),
        "unit": log.unit,
        "rows": log.rows,
        "left_out": log.left_out,
        "notes": list(log.notes),
        **({"latency_ms": latency} if latency else {}),
    }


def _latency(log: FrameLog) -> dict[str, float]:
    if log.latency_ms is None:
        return {}
    import numpy as np

    known = log.latency_ms[np.isfinite(log.latency_ms)]
    if not known.size:
        return {}
    return {
        "average": float(known.mean()),
        "p99": float(np.percentile(known, 99)),
        "longest": float(known.max()),
    }


def _as_text(log: FrameLog, pacing: Pacing, *, problem: bool) -> list[str]:
    budget_ms = 1000 / pacing.refresh_hz
    lines = [
        "Pacing problem" if problem else "Pacing holds",
        f"  {pacing.frames} frames over {pacing.span_s:.1f} s against {pacing.refresh_hz:g} Hz ({budget_ms:.2f} ms a frame)",
        f"  average {pacing.average_fps:.1f} fps, minimum {pacing.minimum_fps:.1f} fps over {pacing.window_s:g} s",
        (
            f"  late frames {pacing.late_frames}, missed refreshes {pacing.missed_refreshes}, "
            f"at most {pacing.missed_in_a_row} in a row"
        ),
        f"  99 % of the frames within {pacing.p99_ms:.2f} ms: {100 * pacing.budget_share:.0f} % of the frame budget",
        f"  read from {log.column} ({log.kind}, {log.unit}); {log.left_out} of {log.rows} rows left out",
    ]
    latency = _latency(log)
    if latency:
        lines.append(
            f"  latency as the log defines it: average {latency['average']:.1f} ms, 99 % within {latency['p99']:.1f} ms"
        )
    lines += [f"  note: {note}" for note in log.notes]
    lines += [
        f"  worst: {each.start_s:.2f} s to {each.end_s:.2f} s, {each.late_frames} late, longest {each.longest_ms:.1f} ms"
        for each in pacing.worst
    ]
    return lines
