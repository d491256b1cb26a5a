"""The wheel, installed into an empty environment in an empty folder, gives the same certificate byte for byte."""

from __future__ import annotations

import os
import subprocess
import sys
import venv
from pathlib import Path

import pytest

from burnin.cli.main import main

ROOT = Path(__file__).parents[2]
pytestmark = [pytest.mark.system, pytest.mark.timeout(300)]


def run(*command: object, **fields: object) -> None:
    done = subprocess.run([str(each) for each in command], capture_output=True, text=True, check=False, **fields)
    assert done.returncode == 0, done.stdout + done.stderr


def test_a_wheel_in_an_empty_environment_renders_the_same_bytes(tmp_path) -> None:
    assert main(["rehearse", "--out", str(tmp_path / "runs"), "--pump-fails-at", "300"]) == 5
    (folder,) = (tmp_path / "runs").iterdir()
    wheels, home = tmp_path / "wheels", tmp_path / "else where"
    home.mkdir()
    run(sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", wheels, ROOT)
    (wheel,) = wheels.glob("burnin-*.whl")
    venv.create(tmp_path / "env", with_pip=True)
    python = tmp_path / "env" / "bin" / "python"
    run(python, "-m", "pip", "install", "-q", "-c", ROOT / ".ci" / "constraints.txt", wheel)
    env = {
        "PATH": os.environ["PATH"],
        "HOME": str(home),
        "TZ": "Asia/Kathmandu",
        "LC_ALL": "C",
        "PYTHONHASHSEED": "77",
        "PYTHONWARNINGS": "error::EncodingWarning",
    }
    run(python, "-m", "burnin", "certify", folder, "--out", home / "made", cwd=home, env=env)
    for name in ("certificate.html", "result.json"):
        assert (home / "made" / name).read_bytes() == (folder / name).read_bytes()
