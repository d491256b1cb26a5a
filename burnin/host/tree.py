"""Files below a root: the machine's own root, or a recorded tree. Links are followed inside the root only."""

from __future__ import annotations

import errno
import os
from typing import Final

from burnin.errors import Unreadable

MOST_BYTES: Final = 8 << 20
"""No file of the kernel's own that is read here is larger; larger ones are refused rather than swallowed."""

_REASONS: Final[dict[int, str]] = {
    errno.ENOENT: "not there",
    errno.ENOTDIR: "not there",
    errno.EACCES: "administrator's rights needed",
    errno.EPERM: "administrator's rights needed",
    errno.ENODATA: "switched off or without data",
    errno.ENODEV: "device gone",
    errno.ENXIO: "device gone",
    errno.EAGAIN: "no value at the moment",
    errno.EIO: "the device did not answer",
    errno.EISDIR: "a folder, not a file",
    errno.ELOOP: "links in a circle",
    errno.EINVAL: "the driver refused the read",
    errno.EOPNOTSUPP: "not supported by the driver",
    errno.ETIMEDOUT: "the device did not answer in time",
    errno.ENAMETOOLONG: "not there",
}


def reason_of(error: OSError) -> str:
    """Return why a read failed, in plain words."""
    return _REASONS.get(error.errno or 0, (error.strerror or "unreadable").lower())


class FileTree:
    """Files below ``root`` addressed by absolute paths of the machine.

    Args:
        root: Folder that stands for ``/``; ``/`` itself for this machine.
    """

    def __init__(self, root: str) -> None:
        self.root = os.path.realpath(root)

    def locate(self, path: str) -> str:
        """Return the path on this system; links are followed within the root, absolute ones start at the root."""
        if self.root == "/":
            return path
        return self._walk(path, depth=0)

    def _walk(self, path: str, *, depth: int) -> str:
        if depth > 40:
            raise Unreadable(path, "links in a circle")
        parts = [part for part in path.split("/") if part not in {"", "."}]
        here: list[str] = []
        for index, part in enumerate(parts):
            if part == "..":
                here = here[:-1]
                continue
            candidate = os.path.join(self.root, *here, part)
            if os.path.islink(candidate):
                target = os.readlink(candidate)
                base = "/" if target.startswith("/") else "/" + "/".join(here)
                rest = "/".join(parts[index + 1 :])
                return self._walk(f"{base}/{target}/{rest}", depth=depth + 1)
            here.append(part)
        return os.path.join(self.root, *here)

    def read(self, path: str) -> bytes:
        """Return a file's content.

        Raises:
            Unreadable: with the reason in plain words.
        """
        kept = self.keep_open(path)
        try:
            return kept.read()
        finally:
            kept.close()

    def names(self, path: str) -> tuple[str, ...]:
        """Return the names in a folder, sorted; empty when there is none."""
        try:
            return tuple(sorted(os.listdir(self.locate(path))))
        except (OSError, Unreadable):
            return ()

    def resolve(self, path: str) -> str | None:
        """Return the path on the machine with links followed; None when nothing is there."""
        try:
            real = self.locate(path) if self.root != "/" else os.path.realpath(path)
        except Unreadable:
            return None
        if not os.path.exists(real):
            return None
        return real if self.root == "/" else "/" + os.path.relpath(real, self.root)

    def keep_open(self, path: str) -> TreeFile:
        """Return the file kept open.

        Raises:
            Unreadable: with the reason in plain words.
        """
        return TreeFile(path, self.locate(path))


class TreeFile:
    """A file kept open; reopened when it was replaced (a new file under the old name).

    Args:
        path: Path on the machine, for messages.
        real: Path on this system.
    """

    def __init__(self, path: str, real: str) -> None:
        self._path = path
        self._real = real
        self._descriptor = self._open()

    def _open(self) -> int:
        try:
            # O_NONBLOCK: a pipe in a recorded tree must not block for ever
            return os.open(self._real, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
        except OSError as error:
            raise Unreadable(self._path, reason_of(error)) from None
        except ValueError:
            raise Unreadable(self._path, "not there") from None

    def read(self) -> bytes:
        """Return the whole content as it is now.

        Raises:
            Unreadable: with the reason in plain words.
        """
        if self._descriptor < 0:
            self._descriptor = self._open()
        try:
            if os.fstat(self._descriptor).st_nlink == 0:
                self.close()
                self._descriptor = self._open()
            return self._drain()
        except OSError as error:
            self.close()
            raise Unreadable(self._path, reason_of(error)) from None

    def _drain(self) -> bytes:
        os.lseek(self._descriptor, 0, os.SEEK_SET)
        data = os.read(self._descriptor, 65536)
        if len(data) < 4096:
            return data
        parts = [data]
        total = len(data)
        while data and total <= MOST_BYTES:
            data = os.read(self._descriptor, 1 << 20)
            parts.append(data)
            total += len(data)
        if total > MOST_BYTES:
            raise Unreadable(self._path, f"larger than {MOST_BYTES >> 20} MiB, not read")
        return b"".join(parts)

    def close(self) -> None:
        """Give the descriptor back."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1
