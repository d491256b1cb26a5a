"""Door to the kernel's log: what it said since the door was opened."""

from __future__ import annotations

import errno
import os
from typing import Final

from burnin.errors import Unreadable
from burnin.host.protocol import Host
from burnin.host.tree import reason_of

PATH: Final = "/dev/kmsg"
_MOST_RECORDS: Final = 5000
"""Records taken in one go; a flood is taken in several."""


class KernelLogFeed:
    """Records of the running machine's log, one after the other.

    Args:
        path: The log's device.
        from_start: Begin at the oldest record still kept instead of now.

    Raises:
        Unreadable: with the reason in plain words.
    """

    def __init__(self, path: str = PATH, *, from_start: bool = False) -> None:
        self.lost = 0
        try:
            self._descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
            os.lseek(self._descriptor, 0, os.SEEK_SET if from_start else os.SEEK_END)
        except OSError as error:
            raise Unreadable(path, reason_of(error)) from None

    def read(self) -> tuple[bytes, ...]:
        """Return the records since the last call; ``lost`` counts the moments when the kernel dropped some first.

        Raises:
            Unreadable: with the reason in plain words.
        """
        records: list[bytes] = []
        while len(records) < _MOST_RECORDS:
            try:
                record = os.read(self._descriptor, 8192)
            except BlockingIOError:
                break
            except OSError as error:
                if error.errno == errno.EPIPE:  # older records were overwritten before they were read
                    self.lost += 1
                    continue
                raise Unreadable(PATH, reason_of(error)) from None
            if not record:
                break
            records.append(record)
        return tuple(records)

    def close(self) -> None:
        """Give the descriptor back."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1


class KernelLogCopy:
    """The same for a machine that exists as files: ``/dev/kmsg`` is an ordinary file that may grow.

    Args:
        host: The machine.
        from_start: Begin at the first line instead of the end.

    Raises:
        Unreadable: with the reason in plain words.
    """

    def __init__(self, host: Host, *, from_start: bool = False) -> None:
        self.lost = 0
        self._host = host
        self._seen = 0 if from_start else len(host.read(PATH))

    def read(self) -> tuple[bytes, ...]:
        """Return the lines added since the last call.

        Raises:
            Unreadable: with the reason in plain words.
        """
        data = self._host.read(PATH)
        new, self._seen = data[self._seen :], len(data)
        return tuple(line for line in new.split(b"\n") if line)

    def close(self) -> None:
        """Nothing is held."""


def open_kernel_log(host: Host, *, from_start: bool = False) -> KernelLogFeed | KernelLogCopy:
    """Return the log of a machine from now on.

    Raises:
        Unreadable: with the reason in plain words.
    """
    if host.kind == "this machine":
        return KernelLogFeed(from_start=from_start)
    return KernelLogCopy(host, from_start=from_start)
