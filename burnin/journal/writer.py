"""The journal's writer: takes events from any thread at once, writes and syncs them in a thread of its own."""

from __future__ import annotations

import io
import threading
from collections import deque
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from burnin.errors import BurninError
from burnin.host.protocol import Clock
from burnin.journal.compact import event_bytes
from burnin.journal.files import FileLayer, RealFiles, Release
from burnin.journal.reader import JournalReader
from burnin.journal.reserve import rank_of
from burnin.journal.store import JOURNAL_NAME, Head, LineStore, Pending
from burnin.records.events import AnyEvent, RunClosed, StorageTrouble

_SHARE_OF_SPAN: Final = 0.75
"""A sync starts when this share of the span allowed is over, so that it ends inside it."""

_RETRY_S: Final = 0.2
"""Shortest wait between two tries while something is unsynced."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Receipt:
    """What ``append`` gives for an event.

    Attributes:
        ticket: Counts the events given to this writer, from 0.
        mono_ns: The time put on the line.
    """

    ticket: int
    mono_ns: int


class JournalWriter:
    """Writes one run's journal; ``append`` never waits for storage.

    Args:
        folder: The run's folder, which must exist.
        clock: Clocks.
        files: Where files live; the real ones if None.
        sync_every_s: Longest time a sweep may be unsynced, seconds. Events are synced at once.
        reserve_bytes: Size of the reserve kept for a full disk.
        resume: Go on with the journal that stands there, which must end whole and not be closed.

    Raises:
        BurninError: the journal cannot be made or gone on with, or another process writes in this folder.
    """

    def __init__(
        self,
        folder: Path,
        *,
        clock: Clock,
        files: FileLayer | None = None,
        sync_every_s: float = 2.0,
        reserve_bytes: int = 1 << 20,
        resume: bool = False,
    ) -> None:
        self._clock = clock
        self._sync_after_ns = int(sync_every_s * _SHARE_OF_SPAN * 1e9)
        self._queue: deque[Pending] = deque()
        self._tickets = 0
        self._stopping = False
        self._given_up = False
        self._failure: StorageTrouble | None = None
        self._unsynced_since_ns: int | None = None
        self._changed = threading.Condition()
        files = files or RealFiles()
        self._store = LineStore(folder, files=files, reserve_bytes=reserve_bytes)
        self._release = _prepared(folder, files, self._store, resume=resume)
        self._thread = threading.Thread(target=self._run, name="journal", daemon=True)
        self._thread.start()

    @property
    def trouble(self) -> tuple[StorageTrouble, ...]:
        """All trouble with storage so far, oldest first."""
        own = (self._failure,) if self._failure else ()
        return (*self._store.trouble, *own)

    def append(self, event: AnyEvent, *, mono_ns: int | None = None) -> Receipt:
        """Take an event and return at once.

        Args:
            event: What happened.
            mono_ns: When, on the monotonic clock; now if None.

        Raises:
            RuntimeError: the writer is closed.
        """
        data = event_bytes(event)
        rank = rank_of(event)
        with self._changed:
            if self._stopping:
                raise RuntimeError("the journal is closed")
            stamp_ns = self._clock.mono_ns() if mono_ns is None else mono_ns
            receipt = Receipt(ticket=self._tickets, mono_ns=stamp_ns)
            self._tickets += 1
            self._queue.append(
                Pending(ticket=receipt.ticket, event_json=data, mono_ns=max(0, stamp_ns), rank=rank)
            )
            self._changed.notify_all()
        return receipt

    def wait(self, receipt: Receipt, timeout_s: float) -> bool:
        """Return True once the event is on the storage, False when it was lost or time is up."""
        with self._changed:
            self._changed.wait_for(lambda: self._settled(receipt.ticket), timeout_s)
            return self._store.fate(receipt.ticket) is True

    def close(self, timeout_s: float) -> bool:
        """Write and sync what is left, remove the reserve and stop; True when everything is on the storage."""
        with self._changed:
            self._stopping = True
            self._changed.notify_all()
        self._thread.join(timeout_s)
        self._given_up = True
        return not (self._thread.is_alive() or self._queue or self._store.waiting)

    def _settled(self, ticket: int) -> bool:
        return self._failure is not None or self._store.fate(ticket) is not None

    def _run(self) -> None:
        try:
            while self._turn() and not self._given_up:
                pass
        except Exception as error:  # noqa: BLE001 - a bug in here must end in a report, not in silence
            self._failure = StorageTrouble(what="writer", error=repr(error))
        finally:
            self._store.close()
            self._release()
            with self._changed:
                self._changed.notify_all()

    def _turn(self) -> bool:
        """Write one batch; False when there is nothing more to do."""
        with self._changed:
            if not self._queue and not self._stopping:
                self._changed.wait(self._wait_s())
            batch, self._queue = self._queue, deque()
            stopping = self._stopping
        for pending in batch:
            self._store.put(pending)
        done = self._store.work(self._clock.mono_ns(), sync=stopping or self._sync_due())
        with self._changed:
            self._note_unsynced()
            self._changed.notify_all()
            if stopping and not done:
                self._changed.wait(_RETRY_S)
        return not stopping or self._store.waiting or bool(self._queue)

    def _wait_s(self) -> float | None:
        if self._unsynced_since_ns is None:
            return None
        left_ns = self._unsynced_since_ns + self._sync_after_ns - self._clock.mono_ns()
        return max(_RETRY_S, left_ns / 1e9)

    def _sync_due(self) -> bool:
        since_ns = self._unsynced_since_ns
        return since_ns is not None and self._clock.mono_ns() - since_ns >= self._sync_after_ns

    def _note_unsynced(self) -> None:
        if not self._store.waiting:
            self._unsynced_since_ns = None
        elif self._unsynced_since_ns is None:
            self._unsynced_since_ns = self._clock.mono_ns()


def _prepared(folder: Path, files: FileLayer, store: LineStore, *, resume: bool) -> Release:
    """Lock the folder and make the store ready; returns how to unlock."""
    try:
        release = files.lock(folder)
    except OSError as error:
        raise _refusal(folder, error.strerror or str(error)) from error
    if release is None:
        raise _refusal(folder, "another process is writing a journal there")
    try:
        if resume:
            store.resume(_whole_head(folder, files))
        else:
            store.create()
    except BurninError:
        release()
        raise
    except OSError as error:
        release()
        raise _refusal(folder, error.strerror or str(error)) from error
    return release


def _whole_head(folder: Path, files: FileLayer) -> Head:
    reader = JournalReader(io.BytesIO(files.read(folder / JOURNAL_NAME)))
    last = None
    for line in reader:
        last = line
    if reader.damage is not None:
        raise _refusal(folder, f"the journal there is damaged, {reader.damage}")
    if last is None or isinstance(last.event, RunClosed):
        raise _refusal(folder, "the journal there is empty or closed")
    return reader.head


def _refusal(folder: Path, reason: str) -> BurninError:
    return BurninError(
        f"{folder}: the journal cannot be written: {reason}",
        slug="journal-not-writable",
        hint="Name another folder with --out, on a drive with free space and write rights.",
    )
