"""A graphics load whose child is killed, stopped or refused by the library: a finding, and the run goes on."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

import burnin
from burnin.errors import BurninError
from burnin.host.wgpu_door import adapters


def has_vulkan() -> bool:
    try:
        return bool(adapters())
    except BurninError:
        return False


pytestmark = [
    pytest.mark.system,
    pytest.mark.processes,
    pytest.mark.skipif(not has_vulkan(), reason="no Vulkan driver, or without the extra 'gpu'"),
]

PLAN = """
format = 1
title = "Two graphics stages"
first_look = true
[[stages]]
name = "first"
kind = "soak"
duration_s = 6
[[stages.loads]]
load = "graphics_integer"
params = { groups = 4, rounds = 64 }
[[stages]]
name = "second"
kind = "soak"
duration_s = 2
[[stages.loads]]
load = "graphics_float"
params = { groups = 4, rounds = 64 }
"""
REFUSED = """
import burnin.host.card_chains as chains
real = chains.Chains.send
def send(self):
    self.count = getattr(self, "count", 0) + 1
    if self.count > 40:
        self.slots[0].folds = self._card.storage(16)
    real(self)
chains.Chains.send = send
"""


def events(folder: Path) -> list[dict]:
    journals = list(folder.glob("*/journal.jsonl"))
    if not journals:
        return []
    lines = journals[0].read_bytes().splitlines(keepends=True)
    return [json.loads(line)["event"] for line in lines if line.endswith(b"\n")]


def run(tmp_path: Path, *, signal_sent: int | None = None, patch: str = "") -> tuple[list[dict], str, int]:
    (tmp_path / "two.toml").write_text(PLAN)
    (tmp_path / "sitecustomize.py").write_text(patch)
    home = str(Path(burnin.__file__).parent.parent)
    env = os.environ | {"PYTHONPATH": os.pathsep.join([str(tmp_path), home])}
    command = [sys.executable, "-m", "burnin", "accept", "--plan", "two.toml", "--yes", "--out", "runs"]
    process = subprocess.Popen(
        command, cwd=tmp_path, env=env, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
    )
    deadline = time.monotonic() + 60
    while signal_sent is not None and time.monotonic() < deadline:
        pids = [each["pid"] for each in events(tmp_path / "runs") if each["kind"] == "load_started"]
        if pids:
            os.kill(pids[0], signal_sent)
            break
        time.sleep(0.05)
    _, said = process.communicate(timeout=90)
    assert "Traceback" not in said
    (folder,) = (tmp_path / "runs").iterdir()
    certificate = (folder / "certificate.html").read_text(encoding="utf-8")
    return events(tmp_path / "runs"), certificate, process.returncode


def ended(found: list[dict], load: str) -> dict:
    (end,) = [each for each in found if each["kind"] == "load_ended" and load in each["load_id"]]
    return end


@pytest.mark.parametrize(
    ("sent", "how"), [(signal.SIGKILL, "signal"), (signal.SIGSTOP, "hung")], ids=["killed", "stopped"]
)
def test_a_killed_or_stopped_child_is_a_finding_and_the_run_goes_on(sent, how, tmp_path):
    found, certificate, code = run(tmp_path, signal_sent=sent)
    assert ended(found, "graphics_integer")["how"] == how
    assert ended(found, "graphics_float")["how"] == "stopped"  # the second stage ran as planned
    assert code == 1
    assert "graphics_integer" in certificate


def test_what_the_library_refuses_is_an_exception_and_the_run_goes_on(tmp_path):
    found, certificate, code = run(tmp_path, patch=REFUSED)
    end = ended(found, "graphics_integer")
    assert end["how"] == "exception"
    assert "GPUValidationError" in end["detail"]
    assert "graphics_integer" in certificate
    assert code in (1, 3)


def test_a_software_renderer_is_told_on_the_certificate(tmp_path):
    if not adapters()[0].software:
        pytest.skip("this machine has a card")
    found, certificate, code = run(tmp_path)
    assert code == 3
    assert "software renderer, not a graphics card" in certificate
    name = next(each["notes"]["card"] for each in found if each["kind"] == "load_started")
    assert name in certificate
