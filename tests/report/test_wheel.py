from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from burnin.report.render import render_certificate

ROOT = Path(__file__).parents[2]
SCRIPT = """
import hashlib, sys
sys.path.append({here!r})
import burnin, samples
from burnin.report.render import render_certificate
from burnin.report.templates import template_folder
assert burnin.__file__.startswith({installed!r}), burnin.__file__
assert str(template_folder()).startswith({installed!r}), template_folder()
print(hashlib.sha256(render_certificate(*samples.accepted())).hexdigest())
"""


@pytest.mark.system
def test_an_installed_wheel_writes_the_same_certificate_byte_for_byte(tmp_path, accepted):
    wheels = tmp_path / "wheels"
    command = [sys.executable, "-m", "build", "--wheel", "--outdir", str(wheels), str(ROOT)]
    built = subprocess.run(command, capture_output=True, text=True, check=False, timeout=110)
    assert built.returncode == 0, built.stdout[-800:] + built.stderr[-800:]
    installed = tmp_path / "installed"
    with zipfile.ZipFile(next(wheels.glob("*.whl"))) as archive:
        archive.extractall(installed)
    empty = tmp_path / "empty"
    empty.mkdir()
    script = SCRIPT.format(here=str(Path(__file__).parent), installed=str(installed))
    env = {"PATH": os.environ["PATH"], "PYTHONPATH": str(installed)}
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=empty, env=env, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr[-800:]
    assert done.stdout.strip() == hashlib.sha256(render_certificate(*accepted)).hexdigest()
