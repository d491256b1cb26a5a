"""The few file operations a journal needs, as a seam: real ones here, faulty ones in ``burnin.testing``."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

if sys.platform != "win32":  # pragma: no branch - tests run where there are advisory locks
    import fcntl

Release = Callable[[], None]
"""Gives a lock back."""

_NO_FOLLOW = getattr(os, "O_NOFOLLOW", 0)
_BINARY = getattr(os, "O_BINARY", 0)


class JournalFile(Protocol):
    """A file open for appending."""

    def write(self, data: bytes) -> int:
        """Append ``data``; returns how many bytes were taken, possibly fewer than given."""
        ...

    def sync(self) -> None:
        """Return once everything written through this file is on the storage."""
        ...

    def size(self) -> int:
        """Return the length in bytes."""
        ...

    def truncate(self, size: int) -> None:
        """Cut the file to ``size`` bytes and append from there."""
        ...

    def close(self) -> None:
        """Give the descriptor back."""
        ...


class FileLayer(Protocol):
    """Where a journal's files live. Every method raises ``OSError`` as the system does."""

    def create(self, path: Path) -> JournalFile:
        """Create a file that must not exist yet."""
        ...

    def append(self, path: Path) -> JournalFile:
        """Open an existing file for appending, on a descriptor of its own."""
        ...

    def read(self, path: Path) -> bytes:
        """Return the whole content."""
        ...

    def reserve(self, path: Path, size: int) -> None:
        """Make a file of ``size`` bytes whose blocks are really taken."""
        ...

    def rename(self, old: Path, new: Path) -> None:
        """Rename a file, replacing what stands there."""
        ...

    def remove(self, path: Path) -> None:
        """Remove a file."""
        ...

    def names(self, folder: Path) -> tuple[str, ...]:
        """Return the names in a folder, sorted."""
        ...

    def sync_folder(self, folder: Path) -> None:
        """Return once the folder's entries are on the storage."""
        ...

    def lock(self, folder: Path) -> Release | None:
        """Lock a folder against other processes until released or dead; None when another one holds it."""
        ...


class RealFile:
    """A file of this machine, open for appending."""

    def __init__(self, descriptor: int) -> None:
        self._fd = descriptor

    def write(self, data: bytes) -> int:
        """Append ``data``; returns how many bytes were taken."""
        return os.write(self._fd, data)

    def sync(self) -> None:
        """Return once everything written is on the storage."""
        os.fsync(self._fd)

    def size(self) -> int:
        """Return the length in bytes."""
        return os.fstat(self._fd).st_size

    def truncate(self, size: int) -> None:
        """Cut the file to ``size`` bytes."""
        os.ftruncate(self._fd, size)

    def close(self) -> None:
        """Give the descriptor back."""
        os.close(self._fd)


class RealFiles:
    """The file system of this machine."""

    def create(self, path: Path) -> RealFile:
        """Create a file that must not exist yet."""
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | _NO_FOLLOW | _BINARY
        return RealFile(os.open(path, flags, 0o644))

    def append(self, path: Path) -> RealFile:
        """Open an existing file for appending."""
        return RealFile(os.open(path, os.O_WRONLY | os.O_APPEND | _NO_FOLLOW | _BINARY))

    def read(self, path: Path) -> bytes:
        """Return the whole content."""
        return path.read_bytes()

    def reserve(self, path: Path, size: int) -> None:
        """Make a file of ``size`` bytes; zeros are written where the system cannot allocate."""
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | _NO_FOLLOW | _BINARY, 0o644)
        try:
            missing = size - os.fstat(descriptor).st_size
            if missing <= 0:
                os.ftruncate(descriptor, size)
            elif hasattr(os, "posix_fallocate"):
                os.posix_fallocate(descriptor, 0, size)
            else:  # pragma: no cover - only on systems without allocation
                os.lseek(descriptor, 0, os.SEEK_END)
                os.write(descriptor, bytes(missing))
            os.fsync(descriptor)
        finally:
            os.close(descriptor)

    def rename(self, old: Path, new: Path) -> None:
        """Rename a file, replacing what stands there."""
        old.replace(new)

    def remove(self, path: Path) -> None:
        """Remove a file."""
        path.unlink()

    def names(self, folder: Path) -> tuple[str, ...]:
        """Return the names in a folder, sorted."""
        return tuple(sorted(os.listdir(folder)))  # noqa: PTH208 - names are all that is wanted

    def sync_folder(self, folder: Path) -> None:
        """Return once the folder's entries are on the storage; nothing where folders cannot be opened."""
        if not hasattr(os, "O_DIRECTORY"):  # pragma: no cover - only on systems that cannot open folders
            return
        descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)

    def lock(self, folder: Path) -> Release | None:
        """Lock a folder; where locks are not supported nothing is locked."""
        if sys.platform == "win32":  # pragma: no cover - there are no advisory locks there
            return lambda: None
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(descriptor)
            return None
        except OSError:  # a file system without locks: the run goes on without
            os.close(descriptor)
            return lambda: None
        return lambda: _close_quietly(descriptor)


def _close_quietly(descriptor: int) -> None:
    with contextlib.suppress(OSError):
        os.close(descriptor)
