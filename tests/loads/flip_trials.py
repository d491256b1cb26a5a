"""Single-bit flips in a load's memory by another process, at random times and addresses.

Run by hand: ``python tests/loads/flip_trials.py [load ...] [--flips 500] [--seed 1]`` (Linux; a parent may write the
memory of its child). For each load a child process steps as a worker would; this process turns one random bit in one of
the load's buffers through ``/proc/PID/mem`` and waits for a fault that names the address, or for the rounds after which
nothing of that memory can be unread. Every trial ends as *detected*, *dead data* (the bit was overwritten before it
could be used, or lay in a buffer whose content no longer counts at that moment), *process ended* (a dead worker is an
event of its own), *outside* (of the load's buffers) or *missed*, with the reason. With ``--everywhere`` the bit is chosen in all writable mappings of the
process; most of those belong to the interpreter and its libraries and are never read again, and no load sees them.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path
from typing import Any

from conftest import buffers_of  # stands beside this file

LOADS: dict[str, dict[str, Any]] = {
    "matrix": {"params": {"n": 512}, "memory_mib": 64, "patience_s": 1.0},
    "digest": {"params": {"links": 20000}, "memory_mib": 16, "patience_s": 1.0},
    "memory_patterns": {"params": {}, "memory_mib": 72, "patience_s": 1.0},
    "backtracking": {"params": {"n": 8}, "memory_mib": 16, "patience_s": 1.0},
    "matrix_single": {"params": {"n": 512}, "memory_mib": 64, "patience_s": 1.0},
    "linear_solve": {"params": {"n": 300}, "memory_mib": 64, "patience_s": 1.0},
    "fourier": {"params": {}, "memory_mib": 64, "patience_s": 1.0},
    "big_integer": {"params": {}, "memory_mib": 16, "patience_s": 1.0},
    "compression": {"params": {}, "memory_mib": 32, "patience_s": 1.0},
    "sorting": {"params": {}, "memory_mib": 64, "patience_s": 1.0},
    "transcendental": {"params": {}, "memory_mib": 64, "patience_s": 1.0},
    "march": {"params": {"cells": 65536, "block": 4096}, "memory_mib": 4, "patience_s": 1.0},
}


def child(load: str, seed: int) -> None:
    """Step a load for ever and print one JSON line a step."""
    from importlib import import_module

    from burnin.plugin.contracts import LoadContext

    setup = LOADS[load]
    plugin = import_module(f"burnin.loads.{load}").PLUGIN
    context = LoadContext(seed=seed, memory_bytes=setup["memory_mib"] << 20, step_budget_s=0.02)
    session = plugin.open(context, setup["params"])
    for _ in range(20):
        session.step()
    print(json.dumps({"buffers": buffers_of(session)}), flush=True)
    while True:
        result = session.step()
        faults = [{"kind": fault.kind, **fault.values} for fault in result.faults]
        print(json.dumps({"faults": faults}), flush=True)


class EndedError(Exception):
    """The load's process ended: the engine reports that as a dead worker."""


class Worker:
    """A child process that steps a load, and what it says.

    Args:
        load: Name of the load.
        seed: Its seed.
        everywhere: Take every writable mapping of the process, not the load's buffers alone.
    """

    def __init__(self, load: str, seed: int, *, everywhere: bool) -> None:
        threads = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}
        self.process = subprocess.Popen(
            [sys.executable, __file__, "--child", load, "--seed", str(seed)],
            stdout=subprocess.PIPE,
            text=True,
            env=os.environ | threads,
        )
        self.buffers: dict[str, tuple[int, int]] = self.line()["buffers"]
        self.own = tuple(self.buffers.values())
        if everywhere:
            self.buffers = mappings_of(self.process.pid)

    def line(self) -> dict[str, Any]:
        """Return the next thing it says."""
        assert self.process.stdout is not None
        text = self.process.stdout.readline()
        if not text:
            raise EndedError(f"with code {self.process.wait()}")
        said: dict[str, Any] = json.loads(text)
        return said

    def flip(self, address: int, bit: int) -> tuple[int, int]:
        """Turn one bit of the child's memory; return the byte before and after."""
        with Path(f"/proc/{self.process.pid}/mem").open("r+b", buffering=0) as memory:
            memory.seek(address)
            before = memory.read(1)[0]
            memory.seek(address)
            memory.write(bytes([before ^ (1 << bit)]))
        return before, before ^ (1 << bit)

    def byte(self, address: int) -> int:
        """Return one byte of the child's memory."""
        with Path(f"/proc/{self.process.pid}/mem").open("rb", buffering=0) as memory:
            memory.seek(address)
            return memory.read(1)[0]

    def close(self) -> None:
        """End the child."""
        self.process.kill()
        self.process.wait()
        assert self.process.stdout is not None
        self.process.stdout.close()


def mappings_of(process_id: int) -> dict[str, tuple[int, int]]:
    """Return every writable mapping of a process: name to address and size."""
    found = {}
    for line in Path(f"/proc/{process_id}/maps").read_text(encoding="ascii").splitlines():
        parts = line.split(maxsplit=5)
        span, rights, name = parts[0], parts[1], parts[5] if len(parts) > 5 else "anonymous"
        start, stop = (int(end, 16) for end in span.split("-"))
        if rights.startswith("rw"):
            found[f"{Path(name).name}@{start:x}"] = (start, stop - start)
    return found


def _steps(worker: Worker) -> bool:
    """Let the load do one step: two contents may share a byte by chance."""
    worker.line()
    return True


def trial(worker: Worker, rng: random.Random, patience_s: float) -> tuple[str, str, float]:
    """Flip one bit and return outcome, reason or buffer, and time to detect."""
    names = list(worker.buffers)
    name = rng.choices(names, weights=[worker.buffers[n][1] for n in names])[0]
    address = worker.buffers[name][0] + rng.randrange(worker.buffers[name][1])
    for _ in range(rng.randrange(3)):
        worker.line()
    began = time.monotonic()
    pause = began + rng.random() * 0.02
    while time.monotonic() < pause:
        pass
    _, after = worker.flip(address, rng.randrange(8))
    label = name.partition("@")[0]
    while time.monotonic() < began + patience_s:
        if worker.line()["faults"]:
            return "detected", label, time.monotonic() - began
    if any(_steps(worker) and worker.byte(address) != after for _ in range(6)):
        return "dead data", f"{label}: overwritten by the load before its next use", 0.0
    if not any(start <= address < start + size for start, size in worker.own):
        return "outside", f"{label}: none of the load's buffers", 0.0
    return "missed", f"{label}: still there after {patience_s:g} s", 0.0


def run(load: str, flips: int, seed: int, *, everywhere: bool) -> Counter[str]:
    """Do all trials of one load and print the outcome."""
    rng = random.Random(seed)
    worker = Worker(load, seed, everywhere=everywhere)
    outcomes: Counter[str] = Counter()
    reasons: Counter[str] = Counter()
    times = []
    if not worker.buffers:
        print(f"{load}: keeps no buffer between steps")
        flips = 0
    for _ in range(flips):
        try:
            outcome, reason, span_s = trial(worker, rng, LOADS[load]["patience_s"])
        except EndedError as ended:
            outcome, reason = "process ended", str(ended)
            worker.close()
            worker = Worker(load, rng.randrange(1 << 30), everywhere=everywhere)
        outcomes[outcome] += 1
        if outcome == "detected":
            times.append(span_s)
        else:
            reasons[f"{outcome}: {reason}"] += 1
    worker.close()
    times.sort()
    if flips:
        told = ", ".join(f"{count} {what}" for what, count in sorted(outcomes.items()))
        print(f"{load}: {flips} flips, {told}")
    if times:
        print(f"  time to detect: median {times[len(times) // 2]:.3f} s, longest {times[-1]:.3f} s")
    for reason, count in reasons.most_common():
        print(f"  {count} x {reason}")
    sys.stdout.flush()
    return outcomes


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    options.add_argument("loads", nargs="*", help="loads to try; all by default")
    options.add_argument("--flips", type=int, default=500)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--everywhere", action="store_true", help="all writable mappings of the process")
    options.add_argument("--child", help=argparse.SUPPRESS)
    chosen = options.parse_args()
    if chosen.child:
        child(chosen.child, chosen.seed)
    missed = 0
    for load in chosen.loads or LOADS:
        missed += run(load, chosen.flips, chosen.seed, everywhere=chosen.everywhere)["missed"]
    return 1 if missed else 0


if __name__ == "__main__":
    raise SystemExit(main())
