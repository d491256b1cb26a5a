"""Whole runs of the command line with something done to them from another process."""

from __future__ import annotations

import json
import os
import random
import re
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import pytest

pytestmark = [pytest.mark.processes, pytest.mark.timeout(180)]

PLAN = """
format = 1
title = "Short"
first_look = true
[[stages]]
name = "only"
duration_s = {seconds}
[[stages.loads]]
load = "{load}"
params = {params}
cores = "{cores}"
"""


@dataclass
class Run:
    """A run under way."""

    process: subprocess.Popen
    out: Path

    def journal(self) -> list[dict]:
        files = list(self.out.glob("*/journal.jsonl"))
        lines = files[0].read_bytes().splitlines() if files else []
        return [json.loads(line)["event"] for line in lines if line.endswith(b"}")]

    def wait_for(self, kind: str) -> dict:
        deadline = time.monotonic() + 90
        while time.monotonic() < deadline:
            for event in self.journal():
                if event["kind"] == kind:
                    return event
            assert self.process.poll() is None, self.process.communicate()
            time.sleep(0.05)
        raise AssertionError(f"no {kind}")

    def end(self) -> tuple[int, dict, list[dict]]:
        self.process.communicate(timeout=120)
        (folder,) = self.out.glob("*")
        assert (folder / "certificate.html").exists()
        return self.process.returncode, json.loads((folder / "result.json").read_text()), self.journal()


@pytest.fixture
def begin(tmp_path):
    runs = []

    def start(load="matrix", params="{ n = 128 }", cores="all", seconds=9) -> Run:
        plan = tmp_path / "plan.toml"
        plan.write_text(PLAN.format(load=load, params=params, cores=cores, seconds=seconds))
        out = tmp_path / "runs"
        env = {**os.environ, "HOME": str(tmp_path), "XDG_CONFIG_HOME": str(tmp_path / "config")}
        process = subprocess.Popen(
            [sys.executable, "-m", "burnin", "accept", "--plan", plan, "--out", out, "--yes"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env=env,
            start_new_session=True,
        )
        runs.append(Run(process, out))
        return runs[-1]

    yield start
    for run in runs:
        if run.process.poll() is None:
            run.process.kill()
        run.process.communicate()


def largest_map(pid: int) -> tuple[int, int]:
    spans = []
    for line in Path(f"/proc/{pid}/maps").read_text().splitlines():
        found = re.match(r"([0-9a-f]+)-([0-9a-f]+) rw.. \S+ \S+ 0\s*$", line)
        if found:
            spans.append((int(found[1], 16), int(found[2], 16)))
    return max(spans, key=lambda span: span[1] - span[0])


def flip(pid: int, address: int, bit: int) -> int:
    """Flip one bit of another process; return its 64-bit word's mask."""
    memory = os.open(f"/proc/{pid}/mem", os.O_RDWR)
    byte = os.pread(memory, 1, address)[0]
    os.pwrite(memory, bytes([byte ^ (1 << bit)]), address)
    os.close(memory)
    return 1 << (8 * (address % 8) + bit)


def test_a_bit_flipped_from_outside_is_named_and_rejects_the_machine(begin) -> None:
    run = begin("memory_patterns", "{ most_mib = 64 }", "one", seconds=4)
    started = run.wait_for("load_started")
    run.wait_for("stage_started")
    first, last = (int(started["notes"][key], 16) for key in ("first_address", "last_address"))
    low, high = largest_map(started["pid"])
    assert low <= first < last < high
    chance = random.Random(os.getpid())
    address = chance.randrange(first, last + 1)
    mask = flip(started["pid"], address, chance.randrange(8))
    code, result, journal = run.end()
    assert code == 1
    assert result["verdict"]["standing"] == "rejected"
    (fault,) = [event for event in journal if event["kind"] == "fault"]
    assert int(fault["values"]["address"], 16) == address // 8 * 8
    assert int(fault["values"]["expected"], 16) ^ int(fault["values"]["found"], 16) == mask
    assert fault["core"] == started["core"]
    (page,) = run.out.glob("*/certificate.html")
    for key in ("address", "expected", "found"):
        assert fault["values"][key] in page.read_text()


@pytest.mark.parametrize(
    ("number", "how", "detail"), [(signal.SIGKILL, "signal", "SIGKILL"), (signal.SIGSTOP, "hung", "frozen")]
)
def test_a_load_killed_or_frozen_from_outside_rejects_the_machine(begin, number, how, detail) -> None:
    run = begin()
    started = run.wait_for("load_started")
    run.wait_for("stage_started")
    os.kill(started["pid"], number)
    code, result, journal = run.end()
    assert code == 1
    assert result["verdict"]["standing"] == "rejected"
    ended = {event["load_id"]: event for event in journal if event["kind"] == "load_ended"}
    mine = ended.pop(started["load_id"])
    assert (mine["how"], mine["planned"]) == (how, False)
    assert detail in mine["detail"]
    assert all(event["how"] == "stopped" for event in ended.values())
    assert journal[-1]["reason"] == "complete"


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_the_operator_or_the_closing_terminal_ends_the_run_cleanly(begin, number) -> None:
    run = begin(seconds=60)
    run.wait_for("stage_started")
    os.killpg(run.process.pid, number)
    code, result, journal = run.end()
    assert code == 4
    assert result["verdict"]["stopped_by_operator"] is True
    (stop,) = [event for event in journal if event["kind"] == "operator_stop"]
    assert stop["signal"] == number.name
    (off,) = [event for event in journal if event["kind"] == "loads_off"]
    assert (off["off_ns"] - off["requested_ns"]) / 1e9 < 0.5
    assert journal[-1] == {"kind": "run_closed", "reason": "operator", **_counts(journal[-1])}


def _counts(event: dict) -> dict:
    return {key: event[key] for key in ("sweeps", "faults") if key in event}


def test_no_load_outlives_a_supervisor_that_was_killed(begin) -> None:
    run = begin(seconds=60)
    run.wait_for("stage_started")
    pids = [event["pid"] for event in run.journal() if event["kind"] == "load_started"]
    os.kill(run.process.pid, signal.SIGKILL)
    deadline = time.monotonic() + 1.0
    while time.monotonic() < deadline and any(_working(pid) for pid in pids):
        time.sleep(0.02)
    assert not any(_working(pid) for pid in pids)


def _working(pid: int) -> bool:
    try:
        text = Path(f"/proc/{pid}/stat").read_text()
    except (FileNotFoundError, ProcessLookupError):
        return False
    return text.rpartition(")")[2].split()[0] not in {"Z", "X"}
