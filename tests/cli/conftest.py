from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from told_runs import told, written

from burnin.cli.main import main
from burnin.journal.keys import create_key

SHORT = """
format = 1
title = "Short"
first_look = true
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
"""


@pytest.fixture
def cli(capsys):
    """Run a command in this process; return exit code, standard output, standard error."""

    def call(*arguments: str) -> tuple[int, str, str]:
        code = main([str(argument) for argument in arguments])
        out, err = capsys.readouterr()
        return code, out, err

    return call


@pytest.fixture(autouse=True)
def own_home(tmp_path, monkeypatch):
    """No test reads or writes the settings of whoever runs it."""
    home = tmp_path / "home"
    home.mkdir()
    monkeypatch.setenv("HOME", str(home))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(home / "config"))
    monkeypatch.setenv("XDG_DATA_HOME", str(home / "data"))
    return home


@pytest.fixture(scope="session")
def key_file(tmp_path_factory) -> Path:
    """A workshop's key."""
    path = tmp_path_factory.mktemp("workshop") / "key.pem"
    create_key(path)
    return path


@pytest.fixture(scope="session")
def plain_run(tmp_path_factory) -> Path:
    """A finished run told line by line, only its journal."""
    return written(told(), tmp_path_factory.mktemp("told") / "runs" / "built-run")


@pytest.fixture(scope="session")
def signed_run(plain_run, key_file, tmp_path_factory) -> Path:
    """The same run with certificate and result, signed; tests copy it before they change it."""
    folder = tmp_path_factory.mktemp("signed") / "built-run"
    shutil.copytree(plain_run, folder)
    assert main(["certify", str(folder), "--key", str(key_file)]) == 0
    return folder


@pytest.fixture
def short_plan(tmp_path) -> Path:
    path = tmp_path / "short.toml"
    path.write_text(SHORT)
    return path


@pytest.fixture(scope="session")
def run_folder(tmp_path_factory) -> Path:
    """A finished run on this machine, made once."""
    base = tmp_path_factory.mktemp("made")
    plan = base / "short.toml"
    plan.write_text(SHORT)
    env = {**os.environ, "HOME": str(base), "XDG_CONFIG_HOME": str(base / "config")}
    done = subprocess.run(
        [sys.executable, "-m", "burnin", "accept", "--plan", plan, "--out", base / "runs", "--yes"],
        capture_output=True,
        text=True,
        env=env,
        check=False,
    )
    assert done.returncode == 3, done.stdout + done.stderr
    return Path(done.stdout.splitlines()[-1])
