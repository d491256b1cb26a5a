"""Trials of a journal on failing storage: one fault at a time until nothing is left to fail, and only legal states.

Legal means: what is read back is a beginning of what was told, with every dropped line counted where it is missing;
everything acknowledged is there; recovery closes it, keeps and reports every byte it could not use, and can be
interrupted at any operation and repeated.
"""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from burnin.errors import BurninError, InputError
from burnin.journal.compact import event_bytes
from burnin.journal.frame import Line
from burnin.journal.reader import read_journal
from burnin.journal.recovery import TAIL_PREFIX, Evidence, recover_run
from burnin.journal.reserve import rank_of
from burnin.journal.store import JOURNAL_NAME, LineStore, Pending
from burnin.records import codec
from burnin.records.channels import Channel
from burnin.records.events import (
    Anchor,
    AnyEvent,
    ChannelsDescribed,
    FaultFound,
    RunClosed,
    RunOpened,
    RunRecovered,
    Software,
    StageEnded,
    StageStarted,
    StorageTrouble,
    Sweep,
)
from burnin.records.plan import Plan
from burnin.testing.faulty_files import Fault, FaultKind, FaultyFiles, PowerCut, Stopped

FOLDER: Final = Path("run")
_NOW: Final = Anchor(wall_ns=2_000, utc_offset_s=0, mono_ns=77, boot_ns=77, boot_id="later")
EVIDENCE: Final = Evidence(anchor=_NOW, orderly=False, causes=("kernel: watchdog",), uptime_s=12.0)
MODES: Final[tuple[PowerCut, ...]] = ("keep", "drop", "garble")
_SECOND_NS: Final = 1_000_000_000


class IllegalState(AssertionError):
    """A state that must never be reached."""


@dataclass(kw_only=True)
class Tally:
    """What the trials came to.

    Attributes:
        tried: Faults tried.
        struck: Faults that really struck.
        states: Distinct journals left behind.
        recoveries: Recoveries done.
        refused: Recoveries refused because not even the first line was there.
    """

    tried: int = 0
    struck: int = 0
    recoveries: int = 0
    refused: int = 0
    states: set[bytes] = field(default_factory=set)

    def __str__(self) -> str:
        return (
            f"{self.tried} faults tried, {self.struck} struck, {len(self.states)} distinct states reached, "
            f"{self.recoveries} recoveries ({self.refused} had no first line), 0 illegal"
        )


def told_events(sweeps: int = 4) -> tuple[AnyEvent, ...]:
    """Return a short run's events, from the first line to the last."""
    anchor = Anchor(wall_ns=1_000, utc_offset_s=0, mono_ns=0, boot_ns=0, boot_id="before")
    opened = RunOpened(
        journal_format=1,
        run_id="trial",
        anchor=anchor,
        software=Software(burnin="0", python="3.11"),
        plan=Plan(format=1, name="trial", title="Trial"),
        plan_sha256="0" * 64,
    )
    channels = tuple(
        Channel(id=f"s/c/{n}", source="s", quantity="temperature", label=f"T{n}") for n in range(3)
    )
    readings = [Sweep(v=(20.5 + n, None, 1200.0 + n)) for n in range(sweeps)]
    fault = FaultFound(load_id="a", load="matrix", stage=0, fault="wrong_result", values={"found": "0x1"})
    half = sweeps // 2
    return (
        opened,
        ChannelsDescribed(channels=channels),
        StageStarted(index=0, name="soak"),
        *readings[:half],
        fault,
        *readings[half:],
        StageEnded(index=0, name="soak", reason="time"),
        RunClosed(reason="complete", sweeps=sweeps, faults=1),
    )


@dataclass(kw_only=True)
class Told:
    """What a writer got to say before it was stopped or had finished.

    Attributes:
        acknowledged: Tickets reported to be on the storage.
        lost: Tickets reported as dropped.
        stopped: True when it was killed.
    """

    acknowledged: set[int] = field(default_factory=set)
    lost: set[int] = field(default_factory=set)
    stopped: bool = False


def tell(
    files: FaultyFiles, events: Sequence[AnyEvent], *, sync_every: int = 2, reserve_bytes: int = 4096
) -> Told:
    """Write the events as the writer's thread does, on a clock of our own, until done or stopped."""
    told = Told()
    store = LineStore(FOLDER, files=files, reserve_bytes=reserve_bytes)
    try:
        store.create()
        now_ns = 0
        for ticket, event in enumerate(events):
            now_ns += _SECOND_NS
            store.put(_pending(ticket, event, now_ns))
            store.work(now_ns, sync=ticket % sync_every == 0)
            _ask(store, told, len(events))
        for _ in range(12):
            now_ns += 2 * _SECOND_NS
            store.work(now_ns, sync=True)
            _ask(store, told, len(events))
        store.close()
    except Stopped:
        told.stopped = True
    except OSError:  # the journal could not be created: the run does not begin
        return told
    return told


def check_left(files: FaultyFiles, events: Sequence[AnyEvent], told: Told, tally: Tally) -> None:
    """Check what a writer left behind, close it, and check that again.

    Raises:
        IllegalState: with what is wrong.
    """
    if JOURNAL_NAME not in files.names(FOLDER):
        _demand(not told.acknowledged, "acknowledged lines, but no journal")
        return
    data = files.content(JOURNAL_NAME)
    tally.states.add(hashlib.sha256(data).digest())
    lines, integrity = read_journal(data)
    _demand(told.acknowledged <= _told_by(lines, events), "an acknowledged line is missing")
    _demand(bool(integrity.dropped_bytes) == bool(integrity.trouble), "loss without a reason")
    _check_recovery(files, events, lines, tally)


def check_closed(files: FaultyFiles, events: Sequence[AnyEvent], before: bytes) -> None:
    """Check that recovery closed a journal that held ``before``, and reported all it could not use.

    Raises:
        IllegalState: with what is wrong.
    """
    lines, integrity = read_journal(files.content(JOURNAL_NAME))
    old, old_integrity = read_journal(before)
    _demand(not integrity.trouble, f"trouble after recovery: {integrity.trouble}")
    _demand(lines[: len(old)] == old, "recovery changed good lines")
    _told_by(lines, events)
    _demand(isinstance(lines[-1].event, RunClosed), "not closed")
    reported = [line.event.dropped_sha256 for line in lines if isinstance(line.event, RunRecovered)]
    kept = {name.removeprefix(TAIL_PREFIX) for name in files.names(FOLDER) if name.startswith(TAIL_PREFIX)}
    _demand(sorted(kept) == sorted(filter(None, reported)), "what was kept aside is not what was reported")
    tail = before[len(before) - old_integrity.dropped_bytes :]
    _demand(not tail or hashlib.sha256(tail).hexdigest() in kept, "bytes vanished")


def try_writer(kind: FaultKind, on: frozenset[str], *, persistent: bool, seeds: int, tally: Tally) -> None:
    """Strike the 1st, 2nd, 3rd ... operation of a writer until it finishes clean; check every state left behind."""
    events = told_events()
    for at in _counting():
        files = FaultyFiles(Fault(kind=kind, at=at, on=on, persistent=persistent))
        told = tell(files, events)
        tally.tried += 1
        for mode in MODES:
            for seed in range(seeds if mode == "garble" else 1):
                check_left(files.power_cut(mode, seed=seed), events, told, tally)
        if not files.struck:
            _demand(len(told.acknowledged) == len(events), "not all is safe although nothing failed")
            return
        tally.struck += 1


def try_fault_then_kill(kind: FaultKind, on: frozenset[str], *, persistent: bool, tally: Tally) -> None:
    """Strike every operation of a writer and kill it at every later one; check every state left behind."""
    events = told_events()
    for at in _counting():
        for killed_at in _counting():
            fault = Fault(kind=kind, at=at, on=on, persistent=persistent)
            files = FaultyFiles(fault, Fault(kind="stop", at=killed_at, persistent=True))
            told = tell(files, events)
            tally.tried += 1
            for mode in MODES:
                check_left(files.power_cut(mode), events, told, tally)
            if not told.stopped:
                break
            tally.struck += 1
        if not files.struck:
            return


def try_full_disk(tally: Tally, capacities: Sequence[int]) -> None:
    """Write a long run onto ever smaller storage; the closing lines must always be there."""
    events = told_events(sweeps=60)
    for capacity in capacities:
        files = FaultyFiles(capacity=capacity)
        told = tell(files, events)
        tally.tried += 1
        left = files.power_cut("drop")
        check_left(left, events, told, tally)
        if JOURNAL_NAME in files.names(FOLDER):
            tally.struck += bool(told.lost)
            lines, _ = read_journal(files.content(JOURNAL_NAME))
            _demand(
                bool(lines) and isinstance(lines[-1].event, RunClosed), f"no closing line on {capacity} bytes"
            )


def try_recovery(kind: FaultKind, *, persistent: bool, seeds: int, tally: Tally) -> None:
    """Strike every operation of a recovery, from several torn journals; then recover what is left without faults."""
    events = told_events()
    for before in _torn_journals(events):
        for at in _counting():
            files = FaultyFiles(Fault(kind=kind, at=at, persistent=persistent))
            files.put(JOURNAL_NAME, before)
            files.put("journal.reserve", bytes(64))
            with contextlib.suppress(Stopped, BurninError):
                recover_run(FOLDER, EVIDENCE, files=files)
            tally.tried += 1
            tally.struck += files.struck > 0
            for mode in MODES:
                for seed in range(seeds if mode == "garble" else 1):
                    after = files.power_cut(mode, seed=seed)
                    recover_run(FOLDER, EVIDENCE, files=after)
                    tally.recoveries += 1
                    tally.states.add(hashlib.sha256(after.content(JOURNAL_NAME)).digest())
                    check_closed(after, events, before)
            if not files.struck:
                break


def whole_journal(events: Sequence[AnyEvent]) -> bytes:
    """Return the journal of the events as a writer without faults leaves it."""
    files = FaultyFiles()
    tell(files, events)
    return files.content(JOURNAL_NAME)


def as_read(event: AnyEvent) -> AnyEvent:
    """Return the event as it comes back from a journal, numbers shortened."""
    return codec.from_json(event_bytes(event), AnyEvent)  # type: ignore[arg-type]  # a union is a type to msgspec


def try_cuts(tally: Tally) -> None:
    """Cut a journal at every byte: read, recover, check."""
    events = told_events()
    data = whole_journal(events)
    for size in range(len(data) + 1):
        files = FaultyFiles()
        files.put(JOURNAL_NAME, data[:size])
        tally.tried += 1
        tally.struck += size < len(data)
        check_left(files, events, Told(acknowledged=set(range(data[:size].count(b"\n")))), tally)


def try_flips(bits: Sequence[int], tally: Tally) -> None:
    """Change every byte of a journal: all lines before it are read, none after it is, and the loss is counted."""
    events = told_events()
    data = whole_journal(events)
    good, _ = read_journal(data)
    for offset in range(len(data)):
        for bit in bits:
            changed = bytearray(data)
            changed[offset] ^= 1 << bit
            number = data.count(b"\n", 0, offset)
            start = data.rfind(b"\n", 0, offset) + 1
            lines, integrity = read_journal(bytes(changed))
            tally.tried += 1
            tally.struck += 1
            tally.states.add(hashlib.sha256(changed).digest())
            _demand(lines == good[:number], f"byte {offset}, bit {bit}: wrong lines read")
            _demand(integrity.dropped_bytes == len(data) - start, f"byte {offset}: loss not counted")
            _demand(integrity.trouble.startswith(f"line {number + 1}: "), f"byte {offset}: wrong line named")


def _check_recovery(
    files: FaultyFiles, events: Sequence[AnyEvent], lines: Sequence[Line], tally: Tally
) -> None:
    before = files.content(JOURNAL_NAME)
    tally.recoveries += 1
    try:
        done = recover_run(FOLDER, EVIDENCE, files=files)
    except InputError as refusal:
        _demand(not lines and refusal.slug == "journal-bad", f"recovery refused: {refusal.message}")
        tally.refused += 1
        return
    check_closed(files, events, before)
    once = files.content(JOURNAL_NAME)
    again = recover_run(FOLDER, EVIDENCE, files=files)
    _demand(not again.was_open and files.content(JOURNAL_NAME) == once, "the second recovery did something")
    _demand(done.was_open == (once != before), "recovery misreports what it did")


def _told_by(lines: Sequence[Line], events: Sequence[AnyEvent]) -> set[int]:
    """Return the tickets found; raises when the lines are no beginning of the events with counted gaps."""
    found: set[int] = set()
    due = 0
    for line in lines:
        if isinstance(line.event, StorageTrouble):
            due += line.event.lost
        elif isinstance(line.event, RunRecovered) or (
            isinstance(line.event, RunClosed) and line.event.reason == "cut_off"
        ):
            continue
        else:
            _demand(due < len(events), "more lines than were told")
            _demand(
                event_bytes(line.event) == event_bytes(events[due]), f"line {line.seq} is not event {due}"
            )
            found.add(due)
            due += 1
    return found


def _torn_journals(events: Sequence[AnyEvent]) -> Iterator[bytes]:
    """Yield journals as they are found after a power cut: whole lines, a torn line, garbage, a hole in the middle."""
    data = whole_journal(events)
    ends = [offset + 1 for offset, byte in enumerate(data) if byte == 10]
    yield data[: ends[3]]
    yield data[: ends[4] + 30]
    yield data[: ends[4]] + b"\x00" * 40
    yield data[: ends[2] + 9] + b"\xff\n" + data[ends[2] + 11 : ends[6]]


def _pending(ticket: int, event: AnyEvent, now_ns: int) -> Pending:
    return Pending(ticket=ticket, event_json=event_bytes(event), mono_ns=now_ns, rank=rank_of(event))


def _ask(store: LineStore, told: Told, count: int) -> None:
    for ticket in range(count):
        fate = store.fate(ticket)
        if fate:
            told.acknowledged.add(ticket)
        elif fate is False:
            told.lost.add(ticket)
    _demand(not told.acknowledged & told.lost, "a line is both safe and lost")


def _counting() -> Iterator[int]:
    yield from range(1, 10_000)
    raise IllegalState("the fault loop does not end")


def _demand(truth: bool, otherwise: str) -> None:
    if not truth:
        raise IllegalState(otherwise)
