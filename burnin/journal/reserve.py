"""Real blocks kept beside the journal, so that the closing lines fit on a full disk."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Final

from burnin.journal.files import FileLayer
from burnin.records.events import (
    AnyEvent,
    ChannelsDescribed,
    LoadEnded,
    LoadsOff,
    LoadStarted,
    OperatorStopped,
    Resumed,
    RunClosed,
    RunOpened,
    SafetyTripped,
    StageEnded,
    StageStarted,
    Sweep,
)

RESERVE_NAME: Final = "journal.reserve"

SWEEP, EVENT, VITAL, LAST = 0, 1, 2, 3
"""How important a line is. Vital ones open and close things: without them the rest cannot be read or judged.
``LAST`` closes the run; nothing follows it."""

_RANKS: Final[dict[type, int]] = {
    Sweep: SWEEP,
    RunOpened: VITAL,
    ChannelsDescribed: VITAL,
    Resumed: VITAL,
    StageStarted: VITAL,
    LoadStarted: VITAL,
    LoadEnded: VITAL,
    LoadsOff: VITAL,
    OperatorStopped: VITAL,
    SafetyTripped: VITAL,
    StageEnded: VITAL,
    RunClosed: LAST,
}


def rank_of(event: AnyEvent) -> int:
    """Return how important the event's line is."""
    return _RANKS.get(type(event), EVENT)


_REGAIN_NS: Final = 10_000_000_000


class Reserve:
    """A file whose blocks are given back piece by piece.

    Args:
        path: The file.
        files: Where files live.
        full: Its size, bytes.
    """

    def __init__(self, path: Path, *, files: FileLayer, full: int) -> None:
        self._path = path
        self._files = files
        self._full = full
        self._left = 0
        self._regain_at_ns = 0
        self._floor = {SWEEP: full // 2, EVENT: full // 8, VITAL: 0, LAST: 0}

    def make(self) -> None:
        """Take the blocks."""
        self._files.reserve(self._path, self._full)
        self._left = self._full

    def open_to(self, rank: int) -> bool:
        """Return whether a line of this rank may use some of what is left."""
        return self._left > self._floor[rank]

    def closed_up_to(self) -> int:
        """Return the highest rank that may not use what is left, -1 for none."""
        return max((rank for rank, floor in self._floor.items() if self._left <= floor), default=-1)

    def release(self, size: int, now_ns: int) -> None:
        """Give back ``size`` bytes or a little more; all of it where a part cannot be given."""
        self._regain_at_ns = now_ns + _REGAIN_NS
        left = max(0, self._left - max(size, self._full // 16))
        try:
            self._files.reserve(self._path, left)
        except OSError:
            with contextlib.suppress(OSError):
                self._files.remove(self._path)
            left = 0
        self._left = left

    def regain(self, now_ns: int) -> bool:
        """Return True when the reserve is whole, after trying, now and then, to make it so again."""
        if self._left == self._full:
            return True
        if now_ns < self._regain_at_ns:
            return False
        self._regain_at_ns = now_ns + _REGAIN_NS
        try:
            self.make()
        except OSError:
            with contextlib.suppress(OSError):
                self._files.reserve(self._path, self._left)
            return False
        return True

    def remove(self) -> None:
        """Give everything back."""
        with contextlib.suppress(OSError):
            self._files.remove(self._path)
        self._left = 0
