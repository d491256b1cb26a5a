"""Storage fails at the n-th operation, for every n: the quick set. ``full_fault_loops.py`` runs the rest."""

from __future__ import annotations

import pytest

from burnin.journal import recovery, store
from burnin.journal.reserve import Reserve
from burnin.journal.store import LineStore
from burnin.testing import storage_trials as trials

WRITES = frozenset({"write"})
SYNCS = frozenset({"sync"})
ALL = frozenset()


@pytest.mark.parametrize("persistent", [False, True], ids=["once", "for good"])
@pytest.mark.parametrize(
    ("kind", "on"),
    [("io", WRITES), ("short", WRITES), ("full", WRITES), ("io", SYNCS), ("full", SYNCS), ("read_only", ALL)],
    ids=["write fails", "short write", "full at write", "sync fails", "full at sync", "read-only"],
)
def test_every_fault_of_a_writer_leaves_a_legal_state(kind, on, persistent, capsys):
    tally = trials.Tally()
    trials.try_writer(kind, on, persistent=persistent, seeds=2, tally=tally)
    with capsys.disabled():
        print(f"\n  writer, {kind}, persistent {persistent}: {tally}", end="")
    assert tally.struck == tally.tried - 1
    assert tally.recoveries > tally.struck


def test_a_writer_killed_at_every_operation_leaves_a_legal_state(capsys):
    tally = trials.Tally()
    trials.try_writer("stop", ALL, persistent=True, seeds=4, tally=tally)
    with capsys.disabled():
        print(f"\n  writer killed: {tally}", end="")
    assert tally.struck > 20


def test_a_writer_killed_at_every_operation_after_a_failed_sync_leaves_a_legal_state(capsys):
    tally = trials.Tally()
    trials.try_fault_then_kill("io", SYNCS, persistent=False, tally=tally)
    with capsys.disabled():
        print(f"\n  failed sync, then killed: {tally}", end="")
    assert tally.struck > 100


def test_the_trials_catch_a_writer_that_syncs_again_on_the_same_descriptor(monkeypatch):
    monkeypatch.setattr(LineStore, "_retreat", lambda self: None)
    with pytest.raises(trials.IllegalState, match="acknowledged line is missing"):
        trials.try_writer("io", SYNCS, persistent=False, seeds=1, tally=trials.Tally())


def test_the_trials_catch_a_writer_that_goes_on_after_a_torn_line(monkeypatch):
    monkeypatch.setattr(store, "cut_back", lambda file, size: None)
    with pytest.raises(trials.IllegalState):
        trials.try_writer("io", WRITES, persistent=False, seeds=1, tally=trials.Tally())


def test_the_trials_catch_a_recovery_that_keeps_nothing_aside(monkeypatch):
    monkeypatch.setattr(recovery, "_set_aside", lambda folder, tail, files: None)
    with pytest.raises(trials.IllegalState, match="bytes vanished"):
        trials.try_cuts(trials.Tally())


def test_the_trials_catch_a_disk_without_reserve(monkeypatch):
    monkeypatch.setattr(Reserve, "open_to", lambda self, rank: False)
    with pytest.raises(trials.IllegalState):
        trials.try_full_disk(trials.Tally(), range(4_000, 22_000, 150))


def test_the_closing_lines_fit_on_any_full_disk(capsys):
    tally = trials.Tally()
    trials.try_full_disk(tally, range(4_000, 22_000, 150))
    with capsys.disabled():
        print(f"\n  full disk: {tally}", end="")
    assert tally.struck > 20


@pytest.mark.parametrize("persistent", [False, True], ids=["once", "for good"])
@pytest.mark.parametrize("kind", ["stop", "io", "short", "full"])
def test_recovery_interrupted_at_every_operation_can_be_repeated(kind, persistent, capsys):
    tally = trials.Tally()
    trials.try_recovery(kind, persistent=persistent, seeds=2, tally=tally)
    with capsys.disabled():
        print(f"\n  recovery, {kind}, persistent {persistent}: {tally}", end="")
    assert tally.struck > 20


def test_a_journal_cut_at_every_byte_is_read_and_closed(capsys):
    tally = trials.Tally()
    trials.try_cuts(tally)
    with capsys.disabled():
        print(f"\n  cut at every byte: {tally}", end="")
    assert tally.struck > 2_000


def test_every_changed_byte_is_found_at_its_line(capsys):
    tally = trials.Tally()
    trials.try_flips((0,), tally)
    with capsys.disabled():
        print(f"\n  every byte changed: {tally}", end="")
    assert tally.struck > 2_000
