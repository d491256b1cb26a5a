"""How a child process is started and how it guards itself against outliving its supervisor."""

from __future__ import annotations

import ctypes
import os
import signal
import subprocess
import sys
import traceback
from collections.abc import Mapping
from pathlib import Path
from typing import IO, Final

import burnin
from burnin.calc.numeric_kernel import kernel_name

LEASE_S: Final = 5.0
"""A child that hears nothing from its supervisor for this long ends itself."""

LOST_SUPERVISOR: Final = 97
"""Exit code of a child whose supervisor is gone."""

_PR_SET_PDEATHSIG: Final = 1
_ONE_THREAD: Final = (
    "OPENBLAS_NUM_THREADS",
    "OMP_NUM_THREADS",
    "MKL_NUM_THREADS",
    "BLIS_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
    "NUMEXPR_NUM_THREADS",
)


def environment(base: Mapping[str, str]) -> dict[str, str]:
    """Return the environment of a child: one numeric thread, plain locale, this package importable.

    The numeric library's kernel is the one of this process, so that cores of two types cannot differ innocently.
    """
    env = dict(base)
    kernel = kernel_name()
    if kernel:
        env.setdefault("OPENBLAS_CORETYPE", kernel)
    env.update(dict.fromkeys(_ONE_THREAD, "1"))
    env.update({"LC_ALL": "C.UTF-8", "PYTHONHASHSEED": "0", "PYTHONUNBUFFERED": "1"})
    package_home = str(Path(burnin.__file__).parent.parent)
    env["PYTHONPATH"] = os.pathsep.join(filter(None, [package_home, base.get("PYTHONPATH", "")]))
    return env


class Child:
    """A child process with a pipe each way; what it writes to standard error is kept for the record.

    Args:
        module: Module whose ``main(read_fd, write_fd)`` the child runs.
    """

    def __init__(self, module: str) -> None:
        to_child, from_us = os.pipe()
        from_child, to_us = os.pipe()
        self.read_fd = from_child
        self.write_fd = from_us
        code = f"import sys; from {module} import main; main(int(sys.argv[1]), int(sys.argv[2]))"
        self.process: subprocess.Popen[bytes] = subprocess.Popen(
            [sys.executable, "-c", code, str(to_child), str(to_us)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            pass_fds=(to_child, to_us),
            env=environment(os.environ),
            start_new_session=True,
        )
        os.close(to_child)
        os.close(to_us)
        self._said = b""
        os.set_blocking(self._stderr.fileno(), False)

    @property
    def _stderr(self) -> IO[bytes]:
        assert self.process.stderr is not None
        return self.process.stderr

    @property
    def pid(self) -> int:
        """Process id."""
        return self.process.pid

    def said(self) -> str:
        """Return the end of what the child wrote to standard error."""
        try:
            data = self._stderr.read()
        except (OSError, ValueError):
            data = b""
        self._said = (self._said + (data or b""))[-2000:]
        return self._said.decode("utf-8", "replace").strip()

    def kill(self) -> None:
        """Kill the child now; a stopped one dies too."""
        try:
            os.kill(self.pid, signal.SIGKILL)
        except ProcessLookupError:
            return

    def forget(self) -> None:
        """Close the error pipe after the child was reaped."""
        self.said()
        self._stderr.close()


def guard_against_orphanhood(supervisor_pid: int) -> None:
    """Ask the kernel to kill this process when its parent dies, and leave at once when it is dead already."""
    if sys.platform == "linux":
        ctypes.CDLL(None, use_errno=True).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
    if orphaned(supervisor_pid):
        os._exit(LOST_SUPERVISOR)


def orphaned(supervisor_pid: int) -> bool:
    """Return whether the supervisor is no longer this process's parent."""
    return hasattr(os, "getppid") and os.getppid() != supervisor_pid


def last_lines() -> str:
    """Return the error being handled with the place it came from, short enough for one journal line."""
    return traceback.format_exc(limit=-3)[-1500:].strip()
