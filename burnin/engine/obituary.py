"""Tells how a worker ended: these are different events with different meanings for the machine."""

from __future__ import annotations

import signal

from burnin.engine.child import LOST_SUPERVISOR
from burnin.engine.messages import Leaving
from burnin.engine.news import JobGone
from burnin.errors import Unreadable
from burnin.host.protocol import Host
from burnin.records.events import EndKind


class Deaths:
    """What the kernel knows about processes that were killed.

    Args:
        host: The machine.
    """

    def __init__(self, host: Host) -> None:
        self._host = host
        self._count = self._kills()

    def _kills(self) -> int:
        try:
            text = self._host.read("/proc/vmstat").decode("ascii", "replace")
        except Unreadable:
            return 0
        for line in text.splitlines():
            name, _, value = line.partition(" ")
            if name == "oom_kill" and value.isdigit():
                return int(value)
        return 0

    def look(self) -> None:
        """Remember how many processes the kernel has killed for memory so far."""
        self._count = self._kills()

    def killed_for_memory(self) -> bool:
        """Return whether the kernel killed anything for memory since the last look."""
        return self._kills() > self._count

    def frozen(self, pid: int) -> str:
        """Return what holds a process that does not stop; empty when it is merely slow."""
        state = self.state_of(pid)
        return state if "; " in state else ""

    def state_of(self, pid: int) -> str:
        """Return what a silent process is doing, in plain words."""
        try:
            text = self._host.read(f"/proc/{pid}/stat").decode("utf-8", "replace")
        except Unreadable:
            return "no heartbeat"
        letter = text.rpartition(")")[2].split()[:1]
        return {
            "T": "no heartbeat; the process was stopped (frozen) from outside",
            "t": "no heartbeat; the process is held by a debugger",
            "D": "no heartbeat; the process waits for a device that does not answer",
            "R": "no heartbeat although the process is running",
        }.get(letter[0] if letter else "", "no heartbeat")


def how_it_ended(
    load_id: str,
    *,
    code: int,
    leaving: Leaving | None,
    hung: str,
    killed_by_us: bool,
    circumstances: tuple[bool, str, int],
) -> JobGone:
    """Return how a worker ended.

    Args:
        load_id: Which load.
        code: Exit code of the process, negative for a signal.
        leaving: Its last message, None when it sent none.
        hung: What it was doing when its heartbeat was missed; empty when it was not.
        killed_by_us: Whether the harness killed it.
        circumstances: Whether the kernel killed something for memory; what it wrote to standard error; the time now.
    """
    for_memory, said, now_ns = circumstances
    how: EndKind
    detail = ""
    last_ns = leaving.last_ns if leaving and leaving.last_ns else now_ns
    number: int | None = None
    if hung:
        how, detail = "hung", hung
    elif leaving is not None:
        how, detail = _told(leaving.how), leaving.detail
    elif killed_by_us and code == -signal.SIGKILL:
        how, number = "killed", int(signal.SIGKILL)
    elif code == -signal.SIGKILL and for_memory:
        how, number, detail = (
            "out_of_memory",
            int(signal.SIGKILL),
            "the kernel killed it because memory ran out",
        )
    elif code < 0:
        how, number, detail = "signal", -code, _signal_name(-code)
    elif code == LOST_SUPERVISOR:
        how = "lost_supervisor"
    else:
        how, number, detail = "exit_code", code, said[-500:]
    return JobGone(load_id=load_id, how=how, code=number, detail=detail, last_ns=last_ns)


def _told(how: str) -> EndKind:
    if how == "not_started":
        return "not_started"
    if how == "exception":
        return "exception"
    return "lost_supervisor" if how == "lost_supervisor" else "stopped"


def _signal_name(number: int) -> str:
    try:
        return signal.Signals(number).name
    except ValueError:
        return f"signal {number}"
