"""Every process of a real run killed with signal 9 at a random moment: it recovers to the right verdict.

A kill keeps what was written: this shows that nothing written is lost or misread, not that it would survive a power cut.
``python tests/engine/kill_trials.py 200`` is the long set.
"""

from __future__ import annotations

import random

import pytest
from kill_trials import LONGEST_GAP_S, Left, _look, kill_one

LATE = {seed for seed in range(20) if random.Random(seed).uniform(0.0, 4.5) > 0.5}

pytestmark = [pytest.mark.processes, pytest.mark.timeout(120)]


@pytest.mark.parametrize("seed", range(20))
def test_a_killed_run_recovers_to_the_right_verdict(seed, tmp_path) -> None:
    left = kill_one(seed, tmp_path)
    assert left.trouble == []
    assert left.state in {"cut off", "over"} or seed not in LATE, (
        "this one is killed well after the first line"
    )


def test_the_trial_notices_what_it_must(tmp_path) -> None:
    """A sweep too long ago, and a bad line before the end, are found."""
    from burnin.host.simulated import SimulatedClock
    from burnin.journal.writer import JournalWriter
    from burnin.testing import storage_trials

    writer = JournalWriter(tmp_path, clock=SimulatedClock(), reserve_bytes=4096)
    events = storage_trials.told_events()
    for number, event in enumerate(events[:-1]):
        writer.append(event, mono_ns=number)
    assert writer.close(10.0)
    journal = tmp_path / "journal.jsonl"
    late = _look(journal, round((LONGEST_GAP_S + 1) * 1e9))
    assert isinstance(late, Left)
    assert any("sweeps are missing" in each for each in late.trouble)
    lines = journal.read_bytes().split(b"\n")
    journal.write_bytes(b"\n".join([*lines[:3], b"x" + lines[3][1:], *lines[4:]]))
    assert any("in the middle" in each for each in _look(journal, 0).trouble)
