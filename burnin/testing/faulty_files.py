"""A file system in memory that fails on demand and forgets what was not synced: storage at its worst, countable."""

from __future__ import annotations

import errno
import os
import random
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

FaultKind = Literal["io", "short", "full", "read_only", "stop"]
"""What a fault does: I/O error, short write, full disk, read-only, or the process is killed at this point."""

PowerCut = Literal["keep", "drop", "garble"]
"""What becomes of unsynced data: all kept (the process died, not the machine), dropped, or garbled."""

_ERRORS = {"io": errno.EIO, "short": errno.EIO, "full": errno.ENOSPC, "read_only": errno.EROFS}


class Stopped(BaseException):
    """The process was killed here; nothing below may catch this."""


@dataclass(frozen=True, kw_only=True)
class Fault:
    """One planned fault.

    Attributes:
        kind: What happens.
        at: The operation it strikes, counted from 1 among those of ``on``.
        on: The operations counted; empty for all.
        persistent: True when every later operation of ``on`` fails as well.
    """

    kind: FaultKind
    at: int
    on: frozenset[str] = frozenset()
    persistent: bool = False


@dataclass(kw_only=True)
class _Content:
    """A file: what programs see, and what would be left after a power cut."""

    seen: bytearray = field(default_factory=bytearray)
    safe: bytearray = field(default_factory=bytearray)
    lying: bool = False


class FaultyFiles:
    """A file layer in memory.

    Syncs behave as the worst systems do: after a failed one, data written before it are never written back, although
    programs still see them and later syncs on any descriptor report success; only data written again are saved.

    Args:
        faults: Faults to strike, each with a count of its own.
        capacity: Bytes the storage holds; None for no limit.
    """

    def __init__(self, *faults: Fault, capacity: int | None = None) -> None:
        self._faults = dict.fromkeys(faults, 0)
        self.capacity = capacity
        self.struck = 0
        self.operations: list[str] = []
        self._entries: dict[str, _Content] = {}
        self._safe_entries: dict[str, _Content] = {}
        self._locked = False

    # What tests ask ------------------------------------------------------------------------------------------------

    def power_cut(self, mode: PowerCut, *, seed: int = 0) -> FaultyFiles:
        """Return the storage as the next start finds it, without faults."""
        after = FaultyFiles(capacity=self.capacity)
        chance = random.Random(seed)  # noqa: S311 - repeatable damage, no secret
        entries = self._entries if mode == "keep" else self._safe_entries
        for name, content in entries.items():
            data = bytearray(content.seen if mode == "keep" else content.safe)
            if mode == "garble":
                data = _garbled(content, chance)
            after._entries[name] = after._safe_entries[name] = _Content(seen=data, safe=bytearray(data))
        return after

    def content(self, name: str) -> bytes:
        """Return what programs see in a file."""
        return bytes(self._entries[name].seen)

    def put(self, name: str, data: bytes) -> None:
        """Make a file that is safely on the storage."""
        content = _Content(seen=bytearray(data), safe=bytearray(data))
        self._entries[name] = self._safe_entries[name] = content

    # The file layer ------------------------------------------------------------------------------------------------

    def create(self, path: Path) -> FaultyFile:
        """Create a file."""
        self._strike("create")
        if path.name in self._entries:
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(path))
        self._entries[path.name] = content = _Content()
        return FaultyFile(self, content)

    def append(self, path: Path) -> FaultyFile:
        """Open a file."""
        self._strike("open")
        return FaultyFile(self, self._find(path))

    def read(self, path: Path) -> bytes:
        """Return what programs see."""
        self._strike("read")
        return bytes(self._find(path).seen)

    def reserve(self, path: Path, size: int) -> None:
        """Take or give back blocks."""
        self._strike("reserve")
        content = self._entries.setdefault(path.name, _Content())
        if size > len(content.seen):
            self.check_room(size - len(content.seen))
        content.seen = bytearray(size)
        content.safe = bytearray(size)

    def rename(self, old: Path, new: Path) -> None:
        """Rename a file."""
        self._strike("rename")
        self._entries[new.name] = self._find(old)
        del self._entries[old.name]

    def remove(self, path: Path) -> None:
        """Remove a file."""
        self._strike("remove")
        self._find(path)
        del self._entries[path.name]

    def names(self, folder: Path) -> tuple[str, ...]:
        """Return the names there."""
        del folder  # one folder is all there is
        self._strike("names")
        return tuple(sorted(self._entries))

    def sync_folder(self, folder: Path) -> None:
        """Make the entries safe."""
        del folder  # one folder is all there is
        self._strike("sync_folder")
        self._safe_entries = dict(self._entries)

    def lock(self, folder: Path) -> Callable[[], None] | None:
        """Lock the folder."""
        del folder  # one folder is all there is
        if self._locked:
            return None
        self._locked = True
        return self._unlock

    # What files ask ------------------------------------------------------------------------------------------------

    def check_room(self, more: int) -> int:
        """Return how much of ``more`` bytes fits; raises when none does."""
        if self.capacity is None:
            return more
        room = self.capacity - sum(len(content.seen) for content in self._entries.values())
        if room <= 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return min(more, room)

    def due(self, name: str) -> FaultKind | None:
        """Count an operation and return the fault to strike, None for none."""
        self.operations.append(name)
        kind: FaultKind | None = None
        for fault in self._faults:
            if fault.on and name not in fault.on:
                continue
            self._faults[fault] += 1
            count = self._faults[fault]
            if count == fault.at or (fault.persistent and count > fault.at):
                self.struck += 1
                kind = fault.kind if kind != "stop" else kind
        return kind

    def _strike(self, name: str) -> None:
        raise_fault(self.due(name))

    def _find(self, path: Path) -> _Content:
        if path.name not in self._entries:
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), str(path))
        return self._entries[path.name]

    def _unlock(self) -> None:
        self._locked = False


class FaultyFile:
    """A file of ``FaultyFiles``, open for appending."""

    def __init__(self, files: FaultyFiles, content: _Content) -> None:
        self._files = files
        self._content = content

    def write(self, data: bytes) -> int:
        """Append, in part when the fault says so or the storage is nearly full."""
        kind = self._files.due("write")
        if kind is not None and kind != "full":
            half = data[: len(data) // 2]
            self._content.seen += half
            if kind == "short" and half:
                return len(half)
        raise_fault(kind)
        taken = self._files.check_room(len(data))
        self._content.seen += data[:taken]
        return taken

    def sync(self) -> None:
        """Make the content safe; a failed sync loses it for good."""
        kind = self._files.due("sync")
        if kind is not None and kind != "stop":
            self._content.lying = True
        raise_fault(kind)
        if not self._content.lying:
            self._content.safe = bytearray(self._content.seen)

    def size(self) -> int:
        """Return the length programs see."""
        return len(self._content.seen)

    def truncate(self, size: int) -> None:
        """Cut the file; what is written from here on is new and can be saved."""
        raise_fault(self._files.due("truncate"))
        del self._content.seen[size:]
        self._content.lying = self._content.lying and size > len(self._content.safe)

    def close(self) -> None:
        """Close the descriptor."""
        raise_fault(self._files.due("close"))


def raise_fault(kind: FaultKind | None) -> None:
    """Raise what the fault stands for; nothing for None."""
    if kind == "stop":
        raise Stopped
    if kind is not None:
        raise OSError(_ERRORS[kind], os.strerror(_ERRORS[kind]))


def _garbled(content: _Content, chance: random.Random) -> bytearray:
    """Return the safe part and a random piece of the rest with random bytes in it."""
    safe, seen = content.safe, content.seen
    if len(seen) <= len(safe) or seen[: len(safe)] != safe:
        return bytearray(safe)
    rest = bytearray(seen[len(safe) : len(safe) + chance.randint(0, len(seen) - len(safe))])
    for _ in range(chance.randint(0, 4) if rest else 0):
        rest[chance.randrange(len(rest))] = chance.randrange(256)
    return safe + rest
