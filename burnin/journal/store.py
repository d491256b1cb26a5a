"""Lines onto storage that can fail: in order, whole, and never called safe before they are. No thread in here.

How a failure is met. A failed sync may have thrown the unsynced pages away while the file still shows them, and
a second sync on the same descriptor then reports success. So nothing is retried in place: every line stays in
memory until a sync succeeds, and after any failure the file is opened anew, cut back to the last byte known to
be on the storage, and everything after it is written again. A torn line can therefore only stand at the very end.

How a full disk is met. A reserve of real blocks lies beside the journal and is given back piece by piece. Sweeps
may use the first half of it, other events all but the last eighth, lines that open or close something all of it. A line that may not
use what is left is dropped only when a more important one must pass it, and the place says how many are missing.
"""

from __future__ import annotations

import contextlib
import errno
from collections import deque
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from burnin.journal.files import FileLayer, JournalFile
from burnin.journal.frame import NO_LINE_BEFORE, encode_line, line_hash
from burnin.journal.reserve import EVENT, LAST, RESERVE_NAME, SWEEP, VITAL, Reserve
from burnin.records import codec
from burnin.records.events import StorageTrouble

JOURNAL_NAME: Final = "journal.jsonl"

_FULL: Final = frozenset({errno.ENOSPC, errno.EDQUOT})
_RETRY_NS: Final = 1_000_000_000
_WORTH_A_LINE_NS: Final = 100_000_000
_MOST_SPELLS_TOLD: Final = 200
_OWN: Final = -1


@dataclass(frozen=True, kw_only=True, slots=True)
class Pending:
    """A line on its way.

    Attributes:
        ticket: Number of its receipt; -1 for the store's own.
        event_json: The event.
        mono_ns: Monotonic time.
        rank: ``SWEEP``, ``EVENT``, ``VITAL`` or ``LAST``.
        lost: For the store's own report of dropped lines: how many.
    """

    ticket: int
    event_json: bytes
    mono_ns: int
    rank: int = EVENT
    lost: int = 0


@dataclass(frozen=True, kw_only=True, slots=True)
class Head:
    """Where a journal ends.

    Attributes:
        seq: Number of the next line.
        prev: Hash of the last line.
        size: Bytes up to here.
    """

    seq: int = 0
    prev: str = NO_LINE_BEFORE
    size: int = 0


@dataclass(kw_only=True)
class _Spell:
    """One spell of trouble: the operation that failed first, its error, since when."""

    what: str
    error: str
    since_ns: int


class LineStore:
    """Writes lines to one journal; used by one thread at a time.

    Args:
        folder: The run's folder.
        files: Where files live.
        reserve_bytes: Size of the reserve for a full disk.
        hold_bytes: Most bytes held in memory while the storage refuses them.
    """

    def __init__(
        self, folder: Path, *, files: FileLayer, reserve_bytes: int = 1 << 20, hold_bytes: int = 64 << 20
    ) -> None:
        self._folder = folder
        self._files = files
        self._reserve = Reserve(folder / RESERVE_NAME, files=files, full=reserve_bytes)
        self._hold_bytes = hold_bytes
        self._waiting: deque[Pending] = deque()
        self._waiting_bytes = 0
        self._written = 0
        self._safe = Head()
        self._tip = Head()
        self._file: JournalFile | None = None
        self._spell: _Spell | None = None
        self._ended = False
        self._retry_at_ns = 0
        self._now_ns = 0
        self._dropped: list[tuple[int, int]] = []
        self._durable_ticket = -1
        self.trouble: list[StorageTrouble] = []

    def create(self) -> None:
        """Create the journal and its reserve; both are in the folder, safely, when this returns.

        Raises:
            OSError: one of the two could not be made; nothing of them is left.
        """
        path = self._folder / JOURNAL_NAME
        self._file = self._files.create(path)
        try:
            self._reserve.make()
            self._files.sync_folder(self._folder)
        except OSError:
            self.close()
            with contextlib.suppress(OSError):
                self._files.remove(path)
            raise

    def resume(self, head: Head) -> None:
        """Go on with a journal that ends, whole, at ``head``.

        Raises:
            OSError: the journal cannot be opened, or the reserve cannot be made.
        """
        self._safe = self._tip = head
        self._reserve.make()
        self._open()

    @property
    def waiting(self) -> bool:
        """True when something is not yet on the storage."""
        return bool(self._waiting)

    @property
    def head(self) -> Head:
        """Where the part that is on the storage ends."""
        return self._safe

    def fate(self, ticket: int) -> bool | None:
        """Return True for a line on the storage, False for one dropped, None for one on its way."""
        if any(first <= ticket <= last for first, last in self._dropped):
            return False
        return True if ticket <= self._durable_ticket else None

    def put(self, pending: Pending) -> None:
        """Take a line; ``work`` writes it."""
        self._waiting.append(pending)
        self._waiting_bytes += len(pending.event_json)
        for rank in (SWEEP, EVENT):
            if self._waiting_bytes > self._hold_bytes:
                self._retreat()
                self._shed(up_to=rank)

    def work(self, now_ns: int, *, sync: bool) -> bool:
        """Write what waits; sync if asked, or if anything but sweeps is among it.

        Args:
            now_ns: Monotonic time.
            sync: True to sync even when only sweeps wait.

        Returns:
            True when nothing failed.
        """
        self._now_ns = now_ns
        if self._spell is not None and now_ns < self._retry_at_ns:
            return False
        retried = False
        while (error := self._attempt(sync=sync)) is not None:
            made_room = error.errno in _FULL and self._make_room()
            if retried and not made_room:
                self._retry_at_ns = now_ns + _RETRY_NS
                return False
            retried = retried or not made_room
        if self._spell is not None and self._reserve.regain(now_ns):
            self._end_spell(self._spell)
            return self._attempt(sync=True) is None
        return True

    def close(self) -> None:
        """Give the descriptor back and remove the reserve; what still waits is given up."""
        self._retreat()
        self._reserve.remove()

    def _attempt(self, *, sync: bool) -> OSError | None:
        what = "open"
        try:
            file = self._file or self._open()
            while self._waiting:
                what = "write"
                must_sync = self._write(file) or sync
                if not must_sync:
                    break
                what = "sync"
                file.sync()
                self._all_safe()
        except OSError as error:
            self._retreat()
            self._begin_spell(what, error)
            return error
        return None

    def _open(self) -> JournalFile:
        """Open a new descriptor and cut back to what is safe."""
        file = self._files.append(self._folder / JOURNAL_NAME)
        try:
            cut_back(file, self._safe.size)
        except OSError:
            with contextlib.suppress(OSError):
                file.close()
            raise
        self._file = file
        return file

    def _write(self, file: JournalFile) -> bool:
        """Write the lines not yet written; returns True when a line among those unsynced asks for a sync.

        The last line of a run is written only after everything before it is safe, so that a torn piece before it
        can never be the work of a power cut.
        """
        seq, prev, parts = self._tip.seq, self._tip.prev, []
        lines = list(self._waiting)
        if lines[-1].rank == LAST and len(lines) > 1:
            lines.pop()
        for line in lines[self._written :]:
            raw = encode_line(line.event_json, seq=seq, mono_ns=line.mono_ns, prev=prev)
            seq, prev = seq + 1, line_hash(raw)
            parts.append(raw + b"\n")
        data = b"".join(parts)
        write_all(file, data)
        self._tip = Head(seq=seq, prev=prev, size=self._tip.size + len(data))
        self._written = len(lines)
        return any(line.rank > SWEEP for line in lines) or len(lines) < len(self._waiting)

    def _all_safe(self) -> None:
        self._safe = self._tip
        for _ in range(self._written):
            line = self._waiting.popleft()
            self._waiting_bytes -= len(line.event_json)
            self._durable_ticket = max(self._durable_ticket, line.ticket)
            self._ended = line.rank == LAST
        self._written = 0

    def _retreat(self) -> None:
        """Forget the descriptor and take everything that is not safe as unwritten."""
        if self._file is not None:
            with contextlib.suppress(OSError):
                self._file.close()
        self._file = None
        self._tip = self._safe
        self._written = 0

    def _make_room(self) -> bool:
        """Give back a piece of the reserve; lines that may not use it give way to one that may."""
        highest = max((line.rank for line in self._waiting), default=SWEEP)
        if not self._reserve.open_to(highest):
            return False
        self._shed(up_to=self._reserve.closed_up_to())
        self._reserve.release(2 * self._waiting_bytes, self._now_ns)
        return True

    def _shed(self, *, up_to: int) -> None:
        """Drop waiting lines of this rank and below, leaving in each gap a line that counts them."""
        kept: list[Pending] = []
        gap = last_ns = 0
        for line in (*self._waiting, None):
            if line is not None and line.rank <= up_to:
                gap, last_ns = gap + 1, line.mono_ns
                self._note_dropped(line.ticket)
                continue
            if gap:
                gap += kept.pop().lost if kept and kept[-1].lost else 0
                kept.append(self._loss(gap, last_ns))
                gap = 0
            if line is not None:
                kept.append(line)
        self._waiting = deque(kept)
        self._waiting_bytes = sum(len(line.event_json) for line in kept)

    def _note_dropped(self, ticket: int) -> None:
        if self._dropped and self._dropped[-1][1] == ticket - 1:
            self._dropped[-1] = (self._dropped[-1][0], ticket)
        else:
            self._dropped.append((ticket, ticket))

    def _loss(self, count: int, mono_ns: int) -> Pending:
        spell = self._spell or _Spell(what="hold", error="too many lines are waiting", since_ns=self._now_ns)
        span_s = (self._now_ns - spell.since_ns) / 1e9
        trouble = StorageTrouble(what=spell.what, error=spell.error, span_s=span_s, lost=count)
        self.trouble.append(trouble)
        return _own(trouble, mono_ns, lost=count)

    def _begin_spell(self, what: str, error: OSError) -> None:
        if self._spell is not None:
            return
        self._spell = _Spell(what=what, error=error.strerror or str(error), since_ns=self._now_ns)
        self._tell(StorageTrouble(what=what, error=self._spell.error))

    def _end_spell(self, spell: _Spell) -> None:
        self._spell = None
        span_ns = self._now_ns - spell.since_ns
        if span_ns >= _WORTH_A_LINE_NS:
            self._tell(StorageTrouble(what=spell.what, error=spell.error, span_s=span_ns / 1e9))

    def _tell(self, trouble: StorageTrouble) -> None:
        """Put a line about trouble at the end, but before a waiting last line."""
        self.trouble.append(trouble)
        if self._ended or len(self.trouble) > _MOST_SPELLS_TOLD:
            return
        last = self._waiting.pop() if self._waiting and self._waiting[-1].rank == LAST else None
        own = _own(trouble, self._now_ns)
        self._waiting.append(own)
        self._waiting_bytes += len(own.event_json)
        if last is not None:
            self._waiting.append(last)


def _own(trouble: StorageTrouble, mono_ns: int, *, lost: int = 0) -> Pending:
    data = codec.to_json(trouble)
    return Pending(ticket=_OWN, event_json=data, mono_ns=mono_ns, rank=VITAL, lost=lost)


def cut_back(file: JournalFile, size: int) -> None:
    """Cut the file to ``size`` bytes; an error when it is shorter than that."""
    if file.size() < size:
        raise OSError(errno.EIO, "the journal is shorter than what was written to it")
    file.truncate(size)


def write_all(file: JournalFile, data: bytes) -> None:
    """Write all of ``data``, in as many pieces as the system makes of it."""
    rest = memoryview(data)
    while rest:
        taken = file.write(bytes(rest))
        if taken <= 0:
            raise OSError(errno.EIO, "the system took none of the bytes")
        rest = rest[taken:]
