"""A disk that is really full: a small file system in memory, filled to the last block. Needs root for the mount."""

from __future__ import annotations

import subprocess

import pytest

from burnin.host.clock import RealClock
from burnin.journal.reader import read_journal
from burnin.journal.writer import JournalWriter
from burnin.records.events import Remark, RunClosed, StorageTrouble, Sweep
from burnin.testing import storage_trials as trials


@pytest.fixture
def small_disk(tmp_path):
    mount = ["mount", "-t", "tmpfs", "-o", "size=3m", "burnin-test", str(tmp_path)]
    if subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("mounting needs root")
    yield tmp_path
    subprocess.run(["umount", "-l", str(tmp_path)], check=True)


def fill(path):
    with path.open("wb", buffering=0) as hog:
        while True:
            hog.write(bytes(4096))


@pytest.mark.system
def test_every_line_on_a_full_disk_is_written_or_counted(small_disk):
    folder = small_disk / "run"
    folder.mkdir()
    events = trials.told_events()
    writer = JournalWriter(folder, clock=RealClock())
    assert writer.wait([writer.append(event) for event in events[:3]][-1], 20)
    with pytest.raises(OSError, match="No space left"):
        fill(small_disk / "hog")
    sweeps = remarks = 0
    for number in range(6_000):
        writer.append(Sweep(v=(number % 50 + 0.123, None, 1.0)))
        sweeps += 1
        if number % 100 == 0:
            receipt = writer.append(Remark(text="y" * 100))
            remarks += 1
            writer.wait(receipt, 0.02)
    closing = [writer.append(event) for event in events[-2:]]
    assert writer.wait(closing[-1], 20)
    assert writer.close(20)
    lines, integrity = read_journal(folder / "journal.jsonl")
    found = [line.event for line in lines]
    lost = sum(event.lost for event in found if isinstance(event, StorageTrouble))
    assert not integrity.trouble
    assert isinstance(found[-1], RunClosed)
    assert lost > 0
    assert sum(isinstance(event, Sweep | Remark) for event in found) + lost == sweeps + remarks
