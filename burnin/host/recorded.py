"""A recorded machine tree: a folder with ``proc/`` and ``sys/`` of some machine. Nothing of this machine leaks in."""

from __future__ import annotations

import os
from collections.abc import Sequence

from burnin.errors import InputError, Unreadable
from burnin.host.clock import RealClock
from burnin.host.protocol import Clock, CommandResult, HostKind, KeptFile, LiveCalls
from burnin.host.tree import FileTree


class RecordedHost:
    """A machine that exists only as files.

    Args:
        root: Folder that stands for the machine's ``/``.
        clock: Clock to use, the real one by default.

    Raises:
        InputError: the folder does not look like a machine tree.
    """

    def __init__(self, root: str, *, clock: Clock | None = None) -> None:
        if not any(os.path.isdir(os.path.join(root, name)) for name in ("proc", "sys")):
            raise InputError(
                f"{root}: found no folder 'proc' or 'sys'; expected a recorded machine tree",
                slug="tree-missing",
                hint="Name the folder that holds the copied proc/ and sys/ folders of a machine.",
            )
        self._tree = FileTree(root)
        self._clock = clock or RealClock()

    @property
    def kind(self) -> HostKind:
        """A recorded tree."""
        return "recorded tree"

    @property
    def system(self) -> str:
        """Recorded trees are Linux trees."""
        return "Linux"

    @property
    def with_rights(self) -> bool:
        """What was recorded is all there is: treated as read without rights."""
        return False

    @property
    def clock(self) -> Clock:
        """Clocks."""
        return self._clock

    @property
    def live(self) -> LiveCalls | None:
        """None: library calls would describe this machine, not the recorded one."""
        return None

    def read(self, path: str) -> bytes:
        """Return a file's content."""
        return self._tree.read(path)

    def names(self, path: str) -> tuple[str, ...]:
        """Return the names in a folder, sorted."""
        return self._tree.names(path)

    def resolve(self, path: str) -> str | None:
        """Return the path with links followed inside the tree, None when nothing is there."""
        return self._tree.resolve(path)

    def keep_open(self, path: str) -> KeptFile:
        """Return the file kept open."""
        return self._tree.keep_open(path)

    def run(self, command: Sequence[str], *, timeout_s: float) -> CommandResult:
        """Refuse: a recorded tree runs nothing."""
        del timeout_s
        raise Unreadable(command[0], "a recorded tree runs no commands")
