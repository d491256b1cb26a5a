"""The shipped plan with every load, shortened, as a user runs it."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import time
from importlib import resources
from pathlib import Path

import pytest

from burnin.plugin.discovery import discover

pytestmark = [pytest.mark.processes, pytest.mark.timeout(180)]

SHIPPED = Path(str(resources.files("burnin.plan"))) / "plans" / "all-loads.toml"
SMALL = 'load = "memory_patterns"\nparams = { most_mib = 128 }'


def shortened(seconds: float) -> str:
    """The plan with short stages; memory is kept small, for it would be written once before its stage begins."""
    text = re.sub(r"duration_s = \d+", f"duration_s = {seconds}", SHIPPED.read_text(encoding="utf-8"))
    text = text.replace('load = "memory_patterns"', SMALL)
    return text.replace('load = "storage_blocks"', 'load = "storage_blocks"\nparams = { most_mib = 32 }')


def test_every_load_of_processor_memory_and_drive_is_in_the_plan() -> None:
    loads = {each.name for each in discover("loads") if each.plugin.spec.resource != "graphics"}
    assert set(re.findall(r'^load = "(\w+)"', SHIPPED.read_text(encoding="utf-8"), re.MULTILINE)) == loads


def test_all_of_them_run_without_a_wrong_result_in_under_two_minutes(tmp_path) -> None:
    plan = tmp_path / "all-loads-short.toml"
    plan.write_text(shortened(1.0), encoding="utf-8")
    env = {**os.environ, "HOME": str(tmp_path), "XDG_CONFIG_HOME": str(tmp_path / "config")}
    began = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-m", "burnin", "accept", "--plan", plan, "--out", tmp_path / "runs", "--yes"],
        capture_output=True,
        env=env,
        timeout=150,
        check=False,
    )
    assert time.monotonic() - began < 120
    assert done.returncode == 3, done.stdout.decode() + done.stderr.decode()
    (journal,) = (tmp_path / "runs").glob("*/journal.jsonl")
    events = [json.loads(line)["event"] for line in journal.read_bytes().splitlines()]
    assert [event for event in events if event["kind"] in {"fault", "fault_retried"}] == []
    ended = [event for event in events if event["kind"] == "load_ended"]
    assert [event for event in ended if event["how"] != "stopped" or not event.get("planned", True)] == []
    worked = {event["load_id"].split(".")[1] for event in ended if event.get("amount", 0) > 0}
    assert worked >= {"march", "storage_blocks", "memory_patterns", "backtracking", "transcendental"}
    assert len(worked) == 13
    stages = [event for event in events if event["kind"] == "stage_ended"]
    assert {event["reason"] for event in stages} == {"time"}
    assert not list((tmp_path / "runs").glob("*/scratch"))
