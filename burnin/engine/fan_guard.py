"""A process that gives fan headers back when the one that set them is done, dies or is killed.

It is told the headers as found before any is set, waits on a pipe, and restores when the pipe says so or closes: the kernel
closes it with the other process, however that ends. Signals for the terminal do not reach it.
"""

from __future__ import annotations

import contextlib
import os
import signal
from collections.abc import Sequence
from typing import Final

from burnin.engine.child import Child
from burnin.host.fan_control import Header, restore
from burnin.records.codec import from_json, to_json

_DONE: Final = b"done\n"
_ANSWER_BYTES: Final = 16


def main(read_fd: int, write_fd: int) -> None:
    """Run the guard."""
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None:
            signal.signal(number, signal.SIG_IGN)
    with os.fdopen(read_fd, "rb") as pipe:
        first = pipe.readline()
        if not first:
            return
        found = from_json(first, tuple[Header, ...])
        _answer(write_fd, b"armed\n")
        pipe.readline()  # the word that all is done, or the end of the pipe
    _answer(write_fd, b"whole\n" if restore(found) else b"open\n")


def _answer(write_fd: int, text: bytes) -> None:
    try:
        os.write(write_fd, text)
    except OSError:
        return  # nobody is there to hear it; the headers matter


class FanGuard:
    """The other end: started before the first header is set.

    Args:
        found: Headers as found.
    """

    def __init__(self, found: Sequence[Header]) -> None:
        self._child = Child("burnin.engine.fan_guard")
        os.write(self._child.write_fd, to_json(tuple(found)) + b"\n")
        self.armed = os.read(self._child.read_fd, _ANSWER_BYTES) == b"armed\n"

    def release(self) -> bool:
        """Have everything restored; return whether it reads as it did before."""
        with contextlib.suppress(OSError):  # where it is gone, its silence tells
            os.write(self._child.write_fd, _DONE)
        answer = os.read(self._child.read_fd, _ANSWER_BYTES)
        self._child.process.wait()
        self._child.forget()
        os.close(self._child.write_fd)
        os.close(self._child.read_fd)
        return answer == b"whole\n"
