"""The writer with its thread, on real files and on faulty ones. Nothing here sleeps: waits end with the event."""

from __future__ import annotations

import subprocess
import sys
import threading

import pytest

from burnin.errors import BurninError
from burnin.journal import writer as writing
from burnin.journal.files import RealFiles
from burnin.journal.reader import read_journal, read_run
from burnin.journal.recovery import find_unfinished, recover_run
from burnin.journal.writer import JournalWriter
from burnin.records.events import Remark, RunClosed, StorageTrouble, Sweep
from burnin.testing import storage_trials as trials
from burnin.testing.faulty_files import Fault, FaultyFiles

LONG_S = 20.0


@pytest.fixture(autouse=True)
def _quick_retries(monkeypatch):
    monkeypatch.setattr(writing, "_RETRY_S", 0.01)


@pytest.fixture
def folder(tmp_path):
    folder = tmp_path / "runs" / "one"
    folder.mkdir(parents=True)
    return folder


def test_a_run_is_written_synced_and_read_back(folder, clock, events):
    writer = JournalWriter(folder, clock=clock)
    assert sorted(path.name for path in folder.iterdir()) == ["journal.jsonl", "journal.reserve"]
    receipts = [writer.append(event) for event in events]
    assert [receipt.ticket for receipt in receipts] == list(range(len(events)))
    assert all(writer.wait(receipt, LONG_S) for receipt in receipts)
    assert writer.close(LONG_S)
    assert writer.trouble == ()
    assert [path.name for path in folder.iterdir()] == ["journal.jsonl"]
    lines, integrity = read_journal(folder / "journal.jsonl")
    assert [line.event for line in lines] == [trials.as_read(event) for event in events]
    assert [line.mono_ns for line in lines] == [receipt.mono_ns for receipt in receipts]
    assert not integrity.trouble
    assert read_run(folder).closed == RunClosed(reason="complete", sweeps=4, faults=1)


def test_the_time_given_is_kept(folder, clock):
    writer = JournalWriter(folder, clock=clock)
    writer.append(Remark(text="x"), mono_ns=42)
    writer.append(Remark(text="y"), mono_ns=-1)
    assert writer.close(LONG_S)
    assert [line.mono_ns for line in read_journal(folder / "journal.jsonl")[0]] == [42, 0]
    with pytest.raises(RuntimeError, match="closed"):
        writer.append(Remark(text="late"))


def test_a_sweep_alone_becomes_safe_within_its_span(folder, clock):
    clock.step_ns = 10_000_000
    writer = JournalWriter(folder, clock=clock, sync_every_s=0.05)
    receipt = writer.append(Sweep(v=(1.0,)))
    assert writer.wait(receipt, LONG_S)
    assert writer.close(LONG_S)


def test_append_does_not_wait_for_storage(folder, clock):
    class Stuck(RealFiles):
        def __init__(self):
            self.go = threading.Event()

        def create(self, path):
            file, go = super().create(path), self.go
            sync = file.sync
            file.sync = lambda: (go.wait(LONG_S), sync())
            return file

    files = Stuck()
    writer = JournalWriter(folder, clock=clock, files=files)
    receipts = [writer.append(Remark(text=str(n))) for n in range(100)]
    assert not writer.wait(receipts[-1], 0.0)
    assert not writer.close(0.0)
    files.go.set()
    writer._thread.join(LONG_S)


def test_storage_that_refuses_for_a_while_is_reported_and_nothing_is_lost(folder, clock, events):
    clock.step_ns = 300_000_000
    files = FaultyFiles(*(Fault(kind="io", at=at, on=frozenset({"write"})) for at in range(2, 6)))
    writer = JournalWriter(folder, clock=clock, files=files)
    for event in events:
        writer.append(event)
    assert writer.close(LONG_S)
    lines, integrity = read_journal(files.content("journal.jsonl"))
    kept = [line.event for line in lines if not isinstance(line.event, StorageTrouble)]
    assert kept == [trials.as_read(event) for event in events]
    assert not integrity.trouble
    assert writer.trouble[0].error == "Input/output error"
    assert writer.trouble[0] in [line.event for line in lines]


def test_storage_that_refuses_for_good_does_not_hold_up_the_end(folder, clock):
    clock.step_ns = 300_000_000
    files = FaultyFiles(Fault(kind="read_only", at=4, persistent=True))
    writer = JournalWriter(folder, clock=clock, files=files)
    receipt = writer.append(Remark(text="x"))
    assert not writer.wait(receipt, 0.05)
    assert not writer.close(0.05)
    writer._thread.join(LONG_S)
    assert not writer._thread.is_alive()
    assert writer.trouble[0].error == "Read-only file system"


def test_a_bug_in_the_writer_is_reported_not_silent(folder, clock, monkeypatch):
    writer = JournalWriter(folder, clock=clock)
    monkeypatch.setattr(writer._store, "work", lambda now_ns, sync: 1 / 0)
    receipt = writer.append(Remark(text="x"))
    assert not writer.wait(receipt, LONG_S)
    assert not writer.close(LONG_S)
    assert writer.trouble[0].what == "writer"
    assert "division" in writer.trouble[0].error


def test_what_cannot_be_written_to_is_refused_at_once(folder, clock):
    writer = JournalWriter(folder, clock=clock)
    with pytest.raises(BurninError, match="another process"):
        JournalWriter(folder, clock=clock)
    assert find_unfinished(folder.parent) == ()
    with pytest.raises(BurninError, match="still being written"):
        recover_run(folder, trials.EVIDENCE)
    assert writer.close(LONG_S)
    with pytest.raises(BurninError, match="File exists"):
        JournalWriter(folder, clock=clock)
    with pytest.raises(BurninError, match="No such file"):
        JournalWriter(folder / "none", clock=clock)
    with pytest.raises(BurninError, match="empty or closed"):
        JournalWriter(folder, clock=clock, resume=True)


def test_a_run_goes_on_after_a_restart(folder, clock, events):
    writer = JournalWriter(folder, clock=clock)
    writer.append(events[0])
    assert writer.close(LONG_S)
    writer = JournalWriter(folder, clock=clock, resume=True)
    for event in events[1:]:
        writer.append(event)
    assert writer.close(LONG_S)
    assert read_run(folder).closed is not None
    with pytest.raises(BurninError, match="empty or closed"):
        JournalWriter(folder, clock=clock, resume=True)
    journal = folder / "journal.jsonl"
    journal.write_bytes(journal.read_bytes()[:-3])
    with pytest.raises(BurninError, match="damaged, line"):
        JournalWriter(folder, clock=clock, resume=True)


WRITER = """
import sys
from pathlib import Path
from burnin.host.clock import RealClock
from burnin.journal.writer import JournalWriter
from burnin.records.events import Sweep
from burnin.testing.storage_trials import told_events
writer = JournalWriter(Path(sys.argv[1]), clock=RealClock())
events = told_events()
for event in events[:3]:
    receipt = writer.append(event)
assert writer.wait(receipt, 20)
print("safe", flush=True)
number = 0
while True:
    number += 1
    assert writer.wait(writer.append(events[-2]), 20)
    writer.append(Sweep(v=(float(number), None, 1.0)))
    print(number, flush=True)
"""


@pytest.mark.processes
@pytest.mark.parametrize("lines", [1, 4, 17])
def test_a_writer_killed_by_the_system_loses_nothing_it_acknowledged(folder, lines):
    with subprocess.Popen(
        [sys.executable, "-c", WRITER, str(folder)], stdout=subprocess.PIPE, text=True
    ) as process:
        last = [process.stdout.readline() for _ in range(lines)][-1]
        process.kill()
    acknowledged = 3 if last == "safe\n" else 3 + 2 * int(last) - 1
    assert read_run(folder).integrity.lines >= acknowledged
    assert find_unfinished(folder.parent) == (folder,)
    assert recover_run(folder, trials.EVIDENCE).was_open
    view = read_run(folder)
    assert view.closed is not None
    assert view.closed.reason == "cut_off"
    assert not view.integrity.trouble
    assert find_unfinished(folder.parent) == ()
