"""Kills whole runs at random moments and says what is left of them; used by the tests and by the full set."""

from __future__ import annotations

import os
import random
import select
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import psutil

from burnin.cli.equipment import criteria_of, everything
from burnin.criteria.verdict import fold, judge_all
from burnin.journal.reader import JournalReader, read_run
from burnin.journal.recovery import Evidence, recover_run
from burnin.records.events import Anchor, RunClosed, RunOpened, RunRecovered, Sweep

ROOT = Path(__file__).parents[2]
LONGEST_GAP_S = 2.0
PLAN = """
format = 1
title = "Short, to be killed"
first_look = true
sample_hz = 10
[[stages]]
name = "idle"
kind = "idle"
duration_s = 1
[[stages]]
name = "products"
duration_s = 2
[[stages.loads]]
load = "matrix"
params = { n = 128 }
[[stages]]
name = "digests"
duration_s = 1
[[stages.loads]]
load = "digest"
"""


@dataclass
class Left:
    """What a killed run left behind.

    Attributes:
        state: ``nothing``, ``cut off`` or ``over``.
        lines: Whole lines in the journal.
        torn: Bytes after them.
        gap_s: Time from the last sweep to the kill; None where there was no sweep yet.
        trouble: What is not as it must be.
    """

    state: str
    lines: int = 0
    torn: int = 0
    gap_s: float | None = None
    trouble: list[str] = field(default_factory=list)


def kill_one(seed: int, base: Path) -> Left:
    """Start a run, kill everything of it at a random moment, recover it, and look at what is there."""
    runs, killed_ns = _killed_run(random.Random(seed), base)
    folders = sorted(runs.iterdir()) if runs.is_dir() else []
    journal = folders[0] / "journal.jsonl" if folders else None
    if journal is None or not journal.is_file() or b"\n" not in journal.read_bytes():
        return Left(state="nothing")
    left = _look(journal, killed_ns)
    before = journal.read_bytes()
    elsewhere = base / "other-boot" / folders[0].name
    shutil.copytree(folders[0], elsewhere)
    _recovered(folders[0], before, left, runs)
    _after_a_reset(elsewhere, left)
    return left


def _killed_run(rng: random.Random, base: Path) -> tuple[Path, int]:
    plan = base / "plan.toml"
    plan.write_text(PLAN)
    runs = base / "runs"
    env = {**os.environ, "HOME": str(base), "XDG_CONFIG_HOME": str(base / "c"), "PYTHONPATH": str(ROOT)}
    process = subprocess.Popen(
        [sys.executable, "-m", "burnin", "accept", "--plan", plan, "--out", runs, "--yes"],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env=env,
        start_new_session=True,
    )
    try:
        deadline = time.monotonic() + 60
        while process.poll() is None and not list(runs.glob("*/journal.jsonl")):
            assert time.monotonic() < deadline, "no journal was begun"
            select.select([process.stdout], [], [], 0.02)
        assert list(runs.glob("*/journal.jsonl")), f"the run ended with exit code {process.returncode}"
        _until(process, time.monotonic() + rng.uniform(0.0, 4.5))
        everybody = [process, *_descendants(process.pid)]
        killed_ns = time.monotonic_ns()
        for each in everybody:
            _kill(each.pid)
    finally:
        _kill(process.pid)
        process.wait()
        process.stdout.close()
    return runs, killed_ns


def _until(process: subprocess.Popen, moment: float) -> None:
    """Drain the process's output until a moment or its end."""
    while (rest := moment - time.monotonic()) > 0 and process.poll() is None:
        if select.select([process.stdout], [], [], rest)[0] and not os.read(process.stdout.fileno(), 65536):
            return


def _descendants(pid: int) -> list[psutil.Process]:
    try:
        return psutil.Process(pid).children(recursive=True)
    except psutil.NoSuchProcess:
        return []


def _kill(pid: int) -> None:
    try:
        if os.getpgid(pid) == pid:
            os.killpg(pid, signal.SIGKILL)
        os.kill(pid, signal.SIGKILL)
    except ProcessLookupError:
        pass


def _look(journal: Path, killed_ns: int) -> Left:
    with journal.open("rb") as stream:
        reader = JournalReader(stream)
        lines = list(reader)
    closed = isinstance(lines[-1].event, RunClosed)
    left = Left(state="over" if closed else "cut off", lines=len(lines))
    if reader.damage is not None and not reader.damage.torn:
        left.trouble.append(f"a bad line in the middle: {reader.damage}")
    left.torn = reader.integrity.dropped_bytes
    sweeps = [line.mono_ns for line in lines if isinstance(line.event, Sweep)]
    if sweeps and not closed:
        left.gap_s = (killed_ns - sweeps[-1]) / 1e9
        if left.gap_s > LONGEST_GAP_S:
            left.trouble.append(f"{left.gap_s:.2f} s of sweeps are missing")
    return left


def _recovered(folder: Path, before: bytes, left: Left, runs: Path) -> None:
    """Close the run as a user would, and hold the verdict and every written line against what was there."""
    env = {**os.environ, "HOME": str(runs), "XDG_CONFIG_HOME": str(runs / "c"), "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-m", "burnin"]
    done = subprocess.run(
        [*command, "recover", "--out", runs], capture_output=True, text=True, env=env, check=False
    )
    if done.returncode != 0:
        left.trouble.append(f"recover: exit code {done.returncode}: {done.stderr}")
        return
    after = (folder / "journal.jsonl").read_bytes()
    whole = before[: before.rfind(b"\n") + 1]
    if not after.startswith(whole):
        left.trouble.append("written records are lost")
    aside = b"".join(path.read_bytes() for path in folder.glob("journal.tail-*"))
    if aside != before[len(whole) :]:
        left.trouble.append("the torn end was not kept aside as it was")
    view = read_run(folder)
    expected = ("complete", "inconclusive") if left.state == "over" else ("cut_off", "inconclusive")
    found = (view.closed.reason if view.closed else "not closed", _standing(view)[0])
    if found != expected:
        left.trouble.append(f"closed as {found}; expected {expected}")
    if left.state == "cut off" and ("run_complete", "harness_ended") not in _standing(view)[1]:
        left.trouble.append("the verdict does not say that only the program died")
        return
    check = subprocess.run([*command, "verify", folder], capture_output=True, text=True, env=env, check=False)
    if left.state == "cut off" and check.returncode != 0:
        left.trouble.append(f"verify: {check.stdout}{check.stderr}")


def _after_a_reset(folder: Path, left: Left) -> None:
    """Close a copy as after a restart of the machine: that rejects it."""
    first = read_run(folder).opened
    assert isinstance(first, RunOpened)
    anchor = Anchor(wall_ns=first.anchor.wall_ns, utc_offset_s=0, mono_ns=1, boot_ns=1, boot_id="another")
    recover_run(folder, Evidence(anchor=anchor, uptime_s=60.0))
    view = read_run(folder)
    standing, slugs = _standing(view)
    if left.state != "cut off":
        return
    if view.first(RunRecovered) is None or standing != "rejected" or ("run_complete", "cut_off") not in slugs:
        left.trouble.append(f"after a reset the run is {standing}; expected rejected")


def _standing(view) -> tuple[str, set[tuple[str, str]]]:
    findings = judge_all(view, criteria_of(everything()))
    return fold(view, findings).standing, {(each.criterion, each.slug) for each in findings}


def main(count: int) -> int:
    """Kill ``count`` runs; print what was found; return 1 when anything was not as it must be."""
    import tempfile

    states: Counter[str] = Counter()
    gaps, bad, torn = [], 0, 0
    for seed in range(count):
        with tempfile.TemporaryDirectory() as base:
            left = kill_one(seed, Path(base))
        states[left.state] += 1
        torn += bool(left.torn)
        gaps += [left.gap_s] if left.gap_s is not None else []
        for trouble in left.trouble:
            bad += 1
            print(f"kill {seed}: {left.state}, {left.lines} lines: {trouble}", flush=True)
        if seed % 25 == 24:
            print(f"{seed + 1} of {count} killed", flush=True)
    told = ", ".join(f"{number} {state}" for state, number in sorted(states.items()))
    print(
        f"{count} runs killed: {told}; {torn} torn last lines; sweeps missing at most {max(gaps, default=0):.2f} s; "
        f"{bad} not as they must be"
    )
    return int(bool(bad))


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 200))
