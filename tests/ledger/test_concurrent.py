from __future__ import annotations

import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import pytest
from msgspec.structs import replace

from burnin.ledger.database import open_database
from burnin.ledger.queries import Wanted, all_entries, list_runs
from burnin.ledger.store import Ledger
from burnin.records.codec import to_json

IMPORTERS = 8
OWN, SHARED = 20, 15


def _copies(entry, start, count):
    for number in range(start, start + count):
        name = f"run-{number:04d}"
        yield replace(
            entry, run=replace(entry.run, run_id=name, journal_sha256=f"{number:064x}", words=f"{name} fjord")
        )


def _import_at_once(url: str, folder: Path, entry) -> list[Counter[str]]:
    """Let eight processes begin at the same moment, on a ledger that does not exist yet."""
    shared = list(_copies(entry, 9000, SHARED))
    started, processes = [], []
    for importer in range(IMPORTERS):
        runs = [
            *_copies(entry, importer * OWN, OWN // 2),
            *shared,
            *_copies(entry, importer * OWN + OWN // 2, OWN // 2),
        ]
        source = folder / f"runs-{importer}.json"
        source.write_bytes(to_json(runs))
        started.append(folder / f"ready-{importer}")
        command = [
            Path(__file__).with_name("concurrent_importer.py"),
            url,
            source,
            folder / "go",
            started[-1],
        ]
        processes.append(
            subprocess.Popen([sys.executable, *map(str, command)], stdout=subprocess.PIPE, text=True)
        )
    while not all(path.exists() for path in started):
        assert all(process.poll() is None for process in processes)
        time.sleep(0.01)
    (folder / "go").touch()
    outputs = [process.communicate(timeout=100)[0] for process in processes]
    assert [process.returncode for process in processes] == [0] * IMPORTERS
    return [Counter(output.split()) for output in outputs]


def _nothing_lost(url: str, folder: Path, entry) -> None:
    done = _import_at_once(url, folder, entry)
    ledger = Ledger(open_database(url))
    wanted = sorted(
        [*_copies(entry, 0, IMPORTERS * OWN), *_copies(entry, 9000, SHARED)], key=lambda one: one.run.run_id
    )
    assert sorted(all_entries(ledger.database), key=lambda one: one.run.run_id) == wanted
    total = sum(done, Counter())
    assert total == {"new": IMPORTERS * OWN + SHARED, "known": (IMPORTERS - 1) * SHARED}
    assert len(list_runs(ledger.database, Wanted(words="fjord"))) == IMPORTERS * OWN + SHARED
    ledger.close()


@pytest.mark.processes
def test_eight_importers_lose_nothing_on_sqlite(tmp_path, entries):
    _nothing_lost(str(tmp_path / "ledger.sqlite3"), tmp_path, entries[0])


@pytest.mark.system
def test_eight_importers_lose_nothing_on_postgresql(postgres, tmp_path, entries):
    _nothing_lost(postgres, tmp_path, entries[0])
