"""``burnin recover``: closes runs that were cut off, and writes their certificates."""

from __future__ import annotations

import argparse
import dataclasses
import sys
from pathlib import Path
from typing import Final, Literal

from burnin.cli.outcome import CERTIFICATE, JOURNAL, judge, write_outcome
from burnin.cli.screen import say, say_json
from burnin.cli.seal_key import key_of
from burnin.engine.conduct import anchor
from burnin.errors import InputError, Unreadable
from burnin.host.protocol import Host
from burnin.host.real import RealHost
from burnin.journal.keys import SigningKey
from burnin.journal.recovery import Evidence, find_unfinished, recover_run
from burnin.report.text import verdict_line

Mains = Literal["", "yes", "no", "unknown"]

_PSTORE: Final = "/sys/fs/pstore"
_MOST_CAUSES: Final = 20
_CAUSE_WORDS: Final = ("machine check", "hardware error", "panic", "thermal", "critical temperature", "oops")


def tell_unfinished(runs: Path) -> None:
    """Say that runs were cut off, when there are any."""
    left = find_unfinished(runs)
    if left:
        names = ", ".join(folder.name for folder in left)
        say(
            f"A run was cut off earlier: {names}. To close it and write its certificate: burnin recover --out {runs}"
        )


def recover(options: argparse.Namespace) -> int:
    """Close every unfinished run; return 0 when there was none or all are closed."""
    runs = Path(options.out)
    if not runs.is_dir():
        raise InputError(
            f"--out {runs}: found no such folder; expected the folder that holds the runs", slug="out-missing"
        )
    key = key_of(options)
    host = RealHost()
    left = find_unfinished(runs)
    mains = _mains_lost(options) if left else ""
    rows = [_close(folder, dataclasses.replace(evidence(host), mains_lost=mains), key) for folder in left]
    if options.json:
        say_json({"closed": rows})
        return 0
    for row in rows:
        say(f"{row['run_id']}: closed. {row['verdict']}")
        if row["dropped_bytes"]:
            say(f"  {row['dropped_bytes']} bytes of a torn last line were set aside in the run's folder")
        say(f"  {row['certificate']}")
    if not rows:
        say("No run was left open.")
    return 0


def _mains_lost(options: argparse.Namespace) -> Mains:
    """Return whether the mains had failed, as the option or the operator says; nobody answers for a script."""
    if options.mains_lost or options.json or not sys.stdin.isatty():
        return options.mains_lost or ""
    say(
        "A run was cut off. Had the mains failed (a power cut, a tripped breaker, a pulled plug)? yes, no or unknown:"
    )
    answers: dict[str, Mains] = {"yes": "yes", "no": "no"}
    return answers.get(sys.stdin.readline().strip().lower(), "unknown")


def _close(folder: Path, found: Evidence, key: SigningKey | None) -> dict[str, str | int]:
    done = recover_run(folder, found)
    outcome = judge(folder / JOURNAL, key)
    write_outcome(outcome, folder)
    return {
        "run_id": done.run_id,
        "folder": str(folder),
        "dropped_bytes": done.dropped_bytes,
        "standing": outcome.verdict.standing,
        "verdict": verdict_line(outcome.verdict, outcome.findings),
        "certificate": str(folder / CERTIFICATE),
    }


def evidence(host: Host) -> Evidence:
    """Return what this machine still knows about its last restart."""
    causes = [*_crash_store(host), *_earlier_log(host)]
    return Evidence(
        anchor=anchor(host),
        orderly=_orderly(host),
        causes=tuple(causes[:_MOST_CAUSES]),
        uptime_s=_uptime_s(host),
    )


def _uptime_s(host: Host) -> float:
    try:
        return float(host.read("/proc/uptime").split()[0])
    except (Unreadable, ValueError, IndexError):
        return 0.0


def _crash_store(host: Host) -> list[str]:
    lines = []
    for name in host.names(_PSTORE):
        try:
            text = host.read(f"{_PSTORE}/{name}").decode("utf-8", "replace")
        except Unreadable:
            continue
        lines += [f"{name}: {line.strip()[:300]}" for line in text.splitlines() if _names_cause(line)]
    return lines


def _names_cause(line: str) -> bool:
    low = line.lower()
    return any(word in low for word in _CAUSE_WORDS)


def _earlier_log(host: Host) -> list[str]:
    """Return lines of the previous boot's kernel log that name a cause, where the system keeps such a log."""
    try:
        done = host.run(["journalctl", "-k", "-b", "-1", "--no-pager", "-o", "cat"], timeout_s=10)
    except Unreadable:
        return []
    text = done.out.decode("utf-8", "replace") if done.code == 0 else ""
    return [line.strip()[:300] for line in text.splitlines() if _names_cause(line)]


def _orderly(host: Host) -> bool | None:
    """Return whether the last shutdown was orderly, where the system keeps a log of it."""
    try:
        done = host.run(["journalctl", "-b", "-1", "-n", "200", "--no-pager", "-o", "cat"], timeout_s=10)
    except Unreadable:
        return None
    text = done.out.decode("utf-8", "replace").lower()
    if done.code != 0 or not text.strip():
        return None
    return "reached target" in text and ("shutdown" in text or "power-off" in text or "reboot" in text)
