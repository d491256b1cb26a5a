"""This machine."""

from __future__ import annotations

import os
import platform
import subprocess
from collections.abc import Sequence

from burnin.errors import Unreadable
from burnin.host.clock import RealClock
from burnin.host.live import LibraryCalls
from burnin.host.protocol import Clock, CommandResult, HostKind, KeptFile, LiveCalls
from burnin.host.tree import FileTree


class RealHost:
    """The machine this program runs on.

    Args:
        clock: Clock to use, the real one by default.
    """

    def __init__(self, *, clock: Clock | None = None) -> None:
        self._tree = FileTree("/")
        self._clock = clock or RealClock()
        self._live = LibraryCalls()

    @property
    def kind(self) -> HostKind:
        """This machine."""
        return "this machine"

    @property
    def system(self) -> str:
        """Operating system family."""
        return platform.system()

    @property
    def with_rights(self) -> bool:
        """Whether this process is root."""
        return hasattr(os, "geteuid") and os.geteuid() == 0

    @property
    def clock(self) -> Clock:
        """Clocks."""
        return self._clock

    @property
    def live(self) -> LiveCalls | None:
        """Library calls about this machine."""
        return self._live

    def read(self, path: str) -> bytes:
        """Return a file's content."""
        return self._tree.read(path)

    def names(self, path: str) -> tuple[str, ...]:
        """Return the names in a folder, sorted."""
        return self._tree.names(path)

    def resolve(self, path: str) -> str | None:
        """Return the path with links followed, None when nothing is there."""
        return self._tree.resolve(path)

    def keep_open(self, path: str) -> KeptFile:
        """Return the file kept open."""
        return self._tree.keep_open(path)

    def run(self, command: Sequence[str], *, timeout_s: float) -> CommandResult:
        """Run a command with a time limit and no input."""
        try:
            done = subprocess.run(
                list(command), capture_output=True, timeout=timeout_s, stdin=subprocess.DEVNULL, check=False
            )
        except FileNotFoundError:
            raise Unreadable(command[0], "the command is not installed") from None
        except subprocess.TimeoutExpired:
            raise Unreadable(command[0], f"no answer within {timeout_s:g} s") from None
        except OSError as error:
            raise Unreadable(command[0], (error.strerror or "cannot be started").lower()) from None
        return CommandResult(code=done.returncode, out=done.stdout, err=done.stderr)
