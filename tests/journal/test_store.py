from __future__ import annotations

import errno
from pathlib import Path

import pytest

from burnin.journal.compact import event_bytes
from burnin.journal.reader import read_journal
from burnin.journal.reserve import EVENT, RESERVE_NAME, SWEEP, VITAL, Reserve, rank_of
from burnin.journal.store import JOURNAL_NAME, Head, LineStore, Pending, write_all
from burnin.records.events import Remark, RunClosed, StorageTrouble, Sweep
from burnin.testing.faulty_files import Fault, FaultyFiles

FOLDER = Path("run")
SECOND = 10**9


def pending(ticket, event, rank=None):
    rank = rank_of(event) if rank is None else rank
    return Pending(ticket=ticket, event_json=event_bytes(event), mono_ns=ticket, rank=rank)


def opened(files, **more):
    store = LineStore(FOLDER, files=files, **more)
    store.create()
    return store


def events_in(files):
    return [line.event for line in read_journal(files.content(JOURNAL_NAME))[0]]


def test_sweeps_wait_for_the_next_sync_and_events_do_not():
    files = FaultyFiles()
    store = opened(files)
    store.put(pending(0, Sweep(v=())))
    assert store.work(0, sync=False)
    assert store.fate(0) is None
    assert "sync" not in files.operations
    assert files.content(JOURNAL_NAME).count(b"\n") == 1
    store.put(pending(1, Remark(text="x")))
    assert store.work(0, sync=False)
    assert store.fate(0) is store.fate(1) is True
    assert files.operations.count("sync") == 1
    assert store.head.seq == 2


def test_one_sync_serves_all_that_wait():
    files = FaultyFiles()
    store = opened(files)
    for ticket in range(10):
        store.put(pending(ticket, Remark(text="x")))
    store.work(0, sync=False)
    assert files.operations.count("write") == files.operations.count("sync") == 1


def test_the_last_line_is_written_after_everything_before_it_is_safe():
    files = FaultyFiles()
    store = opened(files)
    store.put(pending(0, Sweep(v=())))
    store.put(pending(1, RunClosed(reason="complete")))
    store.work(0, sync=False)
    assert files.operations[-4:] == ["write", "sync", "write", "sync"]


def test_a_failed_creation_leaves_nothing():
    for kind, on in (("io", "reserve"), ("io", "sync_folder")):
        files = FaultyFiles(Fault(kind=kind, at=1, on=frozenset({on})))
        with pytest.raises(OSError, match="Input/output"):
            opened(files)
        assert files.names(FOLDER) == ()


def test_trouble_is_told_at_once_and_its_span_at_its_end():
    files = FaultyFiles(
        *(Fault(kind="io", at=at, on=frozenset({"write"})) for at in range(1, 5)),
    )
    store = opened(files)
    store.put(pending(0, Remark(text="x")))
    assert not store.work(0, sync=True)
    assert not store.work(SECOND // 2, sync=True)  # too early for another try
    assert not store.work(SECOND, sync=True)
    assert store.work(3 * SECOND, sync=True)
    assert events_in(files) == [
        Remark(text="x"),
        StorageTrouble(what="write", error="Input/output error"),
        StorageTrouble(what="write", error="Input/output error", span_s=3.0),
    ]
    assert store.trouble == events_in(files)[1:]


def test_trouble_while_telling_of_trouble_is_trouble_again():
    faults = [Fault(kind="io", at=at, on=frozenset({"write"})) for at in (1, 2, 4)]
    files = FaultyFiles(*faults)
    store = opened(files)
    store.put(pending(0, Remark(text="x")))
    store.work(0, sync=True)
    assert not store.work(3 * SECOND, sync=True)
    assert store.work(6 * SECOND, sync=True)
    assert [event.span_s for event in events_in(files)[1:]] == [0.0, 3.0, 0.0, 3.0]


def test_nothing_follows_the_last_line():
    files = FaultyFiles(
        Fault(kind="io", at=1, on=frozenset({"write"})), Fault(kind="io", at=2, on=frozenset({"write"}))
    )
    store = opened(files)
    store.put(pending(0, RunClosed(reason="complete")))
    assert not store.work(0, sync=True)
    assert store.work(3 * SECOND, sync=True)
    assert [type(event) for event in events_in(files)] == [StorageTrouble, RunClosed]
    assert len(store.trouble) == 2


def test_trouble_is_told_a_limited_number_of_times():
    files = FaultyFiles(*(Fault(kind="io", at=at, on=frozenset({"sync"})) for at in range(1, 700, 2)))
    store = opened(files)
    for ticket in range(300):
        store.put(pending(ticket, Remark(text="x")))
        store.work(ticket * SECOND, sync=True)
    told = sum(isinstance(event, StorageTrouble) for event in events_in(files))
    assert told == 200
    assert len(store.trouble) == 300


def test_what_cannot_be_held_is_dropped_by_rank_and_counted_in_place():
    files = FaultyFiles(Fault(kind="io", at=1, on=frozenset({"write"}), persistent=True))
    store = opened(files, hold_bytes=600)
    store.put(pending(0, Remark(text="first" * 20), VITAL))
    store.work(0, sync=True)
    for ticket in range(1, 20):
        store.put(pending(ticket, Sweep(v=(1.0,) * 20)))
    assert store.fate(1) is False
    assert store.fate(0) is None
    for ticket in range(20, 24):
        store.put(pending(ticket, Remark(text="y" * 100)))
    assert store.fate(20) is False
    files._faults.clear()
    assert store.work(9 * SECOND, sync=True)
    lost = sum(event.lost for event in events_in(files) if isinstance(event, StorageTrouble))
    dropped = [ticket for ticket in range(24) if store.fate(ticket) is False]
    assert lost == len(dropped)
    assert dropped
    assert Remark(text="first" * 20) in events_in(files)


def test_lines_held_without_trouble_are_dropped_with_a_reason():
    files = FaultyFiles()
    store = opened(files, hold_bytes=50)
    for ticket in range(3):
        store.put(pending(ticket, Sweep(v=(1.0,) * 20)))
    store.work(0, sync=True)
    assert [(event.what, event.lost) for event in events_in(files)] == [("hold", 3)]


def test_a_journal_cut_from_outside_is_trouble_not_silence():
    files = FaultyFiles()
    store = opened(files)
    store.put(pending(0, Remark(text="x")))
    store.work(0, sync=True)
    files.append(FOLDER / JOURNAL_NAME).truncate(10)
    files._faults[Fault(kind="io", at=1, on=frozenset({"write"}))] = 0
    store.put(pending(1, Remark(text="y")))
    assert not store.work(SECOND, sync=True)
    assert store.waiting
    assert store.trouble[0].what == "write"


def test_going_on_with_a_journal_continues_its_chain():
    files = FaultyFiles()
    store = opened(files)
    store.put(pending(0, Remark(text="x")))
    store.work(0, sync=True)
    again = LineStore(FOLDER, files=files)
    again.resume(store.head)
    again.put(pending(0, Remark(text="y")))
    again.work(0, sync=True)
    again.close()
    assert events_in(files) == [Remark(text="x"), Remark(text="y")]
    assert RESERVE_NAME not in files.names(FOLDER)
    with pytest.raises(OSError, match="shorter"):
        LineStore(FOLDER, files=files).resume(Head(seq=9, size=10_000))


def test_a_system_that_takes_no_bytes_is_an_error():
    class Deaf:
        def write(self, data):
            return 0

    with pytest.raises(OSError, match="took none") as caught:
        write_all(Deaf(), b"x")
    assert caught.value.errno == errno.EIO


def test_a_disk_that_is_full_for_a_while_gets_its_reserve_back():
    files = FaultyFiles(capacity=3_000)
    store = opened(files, reserve_bytes=1_600)
    for ticket in range(12):
        store.put(pending(ticket, Remark(text="z" * 40)))
        assert store.work(ticket * SECOND, sync=True)
    assert len(files.content(RESERVE_NAME)) < 1_600
    files.capacity = None
    store.put(pending(12, Remark(text="room again")))
    assert store.work(60 * SECOND, sync=True)
    assert len(files.content(RESERVE_NAME)) == 1_600
    spans = [event.span_s for event in events_in(files) if isinstance(event, StorageTrouble)]
    assert spans[0] == 0.0
    assert spans[-1] > 40


def test_sweeps_are_held_while_they_may_not_use_the_reserve():
    files = FaultyFiles(capacity=1_700)
    store = opened(files, reserve_bytes=1_600)
    refused = [
        not store.work(0, sync=True)
        for ticket in range(8)
        if store.put(pending(ticket, Sweep(v=(1.0,) * 20))) is None
    ]
    assert any(refused)
    assert store.waiting


def test_a_reserve_that_cannot_shrink_is_given_back_whole():
    files = FaultyFiles()
    reserve = Reserve(FOLDER / RESERVE_NAME, files=files, full=1_600)
    reserve.make()
    assert reserve.closed_up_to() == -1
    files._faults[Fault(kind="io", at=1, on=frozenset({"reserve"}))] = 0
    reserve.release(1, 0)
    assert files.names(FOLDER) == ()
    assert reserve.closed_up_to() == 3
    assert not reserve.open_to(VITAL)


def test_a_reserve_that_cannot_be_made_whole_is_tried_again_later():
    files = FaultyFiles()
    reserve = Reserve(FOLDER / RESERVE_NAME, files=files, full=1_600)
    reserve.make()
    reserve.release(900, 0)
    assert reserve.closed_up_to() == SWEEP
    assert reserve.open_to(EVENT)
    assert not reserve.regain(5 * SECOND)
    files._faults[Fault(kind="full", at=1, on=frozenset({"reserve"}))] = 0
    assert not reserve.regain(11 * SECOND)
    assert not reserve.regain(12 * SECOND)
    assert reserve.regain(22 * SECOND)
    assert len(files.content(RESERVE_NAME)) == 1_600
