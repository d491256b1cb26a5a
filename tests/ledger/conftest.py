"""Invented runs as journals on disk, and a real PostgreSQL server of our own for the tests marked ``system``."""

from __future__ import annotations

import os
import pwd
import shutil
import socket
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
try:
    import invented_runs
finally:
    sys.path.remove(str(Path(__file__).parent))

from burnin.ledger.sqlite import SqliteDatabase
from burnin.ledger.store import Ledger


@pytest.fixture
def ledger(tmp_path):
    ledger = Ledger(SqliteDatabase(tmp_path / "ledger.sqlite3"))
    yield ledger
    ledger.close()


@pytest.fixture(scope="session")
def entries():
    return invented_runs.entries(12)


def _binaries() -> Path | None:
    found = shutil.which("initdb")
    if found:
        return Path(found).resolve().parent
    places = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    return places[-1].parent if places else None


@pytest.fixture(scope="session")
def postgres_server():
    """A server of our own on a free port of this machine, run by an unprivileged user; its URL."""
    pytest.importorskip("psycopg")
    binaries = _binaries()
    if binaries is None:
        pytest.skip("PostgreSQL is not installed (initdb was not found)")
    folder = Path(tempfile.mkdtemp(prefix="ledger-server-"))
    rights: dict[str, object] = {}
    if os.geteuid() == 0:
        user = pwd.getpwnam("nobody")
        os.chown(folder, user.pw_uid, user.pw_gid)
        rights = {"user": user.pw_uid, "group": user.pw_gid, "extra_groups": []}
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.STDOUT, "cwd": folder, **rights}
    init = [
        binaries / "initdb",
        "-D",
        folder / "data",
        "-U",
        "bench",
        "--auth=trust",
        "-E",
        "UTF8",
        "--locale=C",
        "-N",
    ]
    subprocess.run(init, check=True, **quiet)
    options = f"-p {port} -k {folder} -c listen_addresses=127.0.0.1 -c fsync=off -c max_connections=40"
    control = [binaries / "pg_ctl", "-D", folder / "data", "-w"]
    subprocess.run([*control, "-l", folder / "log", "-o", options, "start"], check=True, **quiet)
    yield f"postgresql://bench@127.0.0.1:{port}/postgres"
    subprocess.run([*control, "-m", "immediate", "stop"], check=True, **quiet)
    shutil.rmtree(folder)


@pytest.fixture
def postgres(postgres_server):
    """The URL of an empty database."""
    import psycopg

    with psycopg.connect(postgres_server, autocommit=True) as connection:
        connection.execute("DROP SCHEMA IF EXISTS public CASCADE")
        connection.execute("CREATE SCHEMA public")
    return postgres_server
