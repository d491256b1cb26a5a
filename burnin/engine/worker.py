"""One load in its own pinned process: opens it, steps it at the given pace, reports, stops when told or orphaned."""

from __future__ import annotations

import contextlib
import gc
import os
import signal
import time
from pathlib import Path
from typing import Final

from burnin.engine.child import LEASE_S, LOST_SUPERVISOR, guard_against_orphanhood, last_lines, orphaned
from burnin.engine.messages import (
    Finish,
    Go,
    Leaving,
    Link,
    Progress,
    Ready,
    Settled,
    SetUp,
    Stop,
    ToWorker,
    Wrong,
    first_message,
)
from burnin.engine.pulses import EdgeWatch
from burnin.engine.schedule import Pace
from burnin.engine.tally import Tally
from burnin.errors import BurninError
from burnin.plugin.contracts import LoadContext, LoadSession, StepResult
from burnin.plugin.discovery import fetch

_REPORT_NS: Final = 200_000_000
_NICE: Final = 10


class Worker:
    """The loop of one load.

    Args:
        link: Pipe to the supervisor.
        session: The opened load.
        supervisor_pid: Whose child this is.
        first_step: Number of the session's first step.
    """

    def __init__(
        self, link: Link[ToWorker], session: LoadSession, supervisor_pid: int, *, first_step: int = 0
    ) -> None:
        self._link = link
        self._session = session
        self._supervisor_pid = supervisor_pid
        self._phase = "idle"
        self._pace = Pace()
        self._edges = EdgeWatch(pace=self._pace)
        self._tally = Tally(steps=first_step)
        self._reported_ns = 0
        self._heard_ns = time.monotonic_ns()
        self.last_ns = time.monotonic_ns()
        self.leave = ""

    def run(self) -> None:
        """Work until told to stop, or until nobody is there to tell."""
        while not self.leave:
            self._listen()
            if self._phase == "run":
                self._work()
            elif self._phase == "finish":
                self._settle()
            else:
                self._link.wait(0.1)
            self._report(force=False)
        self._report(force=True)

    def _listen(self) -> None:
        for message in self._link.receive():
            self._heard_ns = time.monotonic_ns()
            if isinstance(message, Go):
                self._phase, self._pace = "run", message.pace
                self._edges = EdgeWatch(pace=message.pace)
            elif isinstance(message, Finish):
                self._phase = "finish"
            elif isinstance(message, Stop):
                self.leave = "stopped"
        quiet_s = (time.monotonic_ns() - self._heard_ns) / 1e9
        if self._link.closed or quiet_s > LEASE_S or orphaned(self._supervisor_pid):
            self.leave = self.leave or "lost_supervisor"

    def _work(self) -> None:
        now_ns = time.monotonic_ns()
        if self._pace.active(now_ns):
            self._edges.begins(now_ns)
            self._account(self._session.step())
            self._edges.ends(self.last_ns)
            return
        wait_ns = min(self._pace.next_change_ns(now_ns) - now_ns, 50_000_000)
        if wait_ns > 3_000_000:
            self._link.wait((wait_ns - 2_000_000) / 1e9)
        else:
            time.sleep(max(0, wait_ns) / 1e9)

    def _settle(self) -> None:
        result = self._session.finish()
        self._account(result, counted=False)
        if result.settled:
            self._phase = "idle"
            self._report(force=True)
            self._link.send(Settled())

    def _account(self, result: StepResult, *, counted: bool = True) -> None:
        self.last_ns = time.monotonic_ns()
        if counted:
            self._tally.add(result)
        for fault in result.faults:
            self._link.send(Wrong(fault=fault.kind, step=fault.step, values=dict(fault.values)))

    def _report(self, *, force: bool) -> None:
        now_ns = time.monotonic_ns()
        if not force and now_ns - self._reported_ns < _REPORT_NS:
            return
        self._reported_ns = now_ns
        tally = self._tally
        points = tally.take_points()
        self._link.send(
            Progress(
                steps=tally.steps,
                amount=tally.amount,
                digest=tally.digest,
                checkpoints=points,
                edges=self._edges.take(),
            )
        )


def settle_in(set_up: SetUp) -> None:
    """Pin this process to its core and step behind everything else; rights that are missing are no obstacle."""
    with contextlib.suppress(OSError, AttributeError):
        if set_up.core is not None:
            os.sched_setaffinity(0, {set_up.core})
    with contextlib.suppress(OSError, AttributeError):
        os.nice(_NICE)
    for name in ("SIGINT", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)


def context_of(set_up: SetUp) -> LoadContext:
    """Return what the load is opened with."""
    return LoadContext(
        seed=set_up.seed,
        instance=set_up.instance,
        instances=set_up.instances,
        memory_bytes=set_up.memory_bytes,
        cache_bytes=set_up.cache_bytes,
        dram_limit_gb_s=set_up.dram_limit_gb_s,
        step_budget_s=set_up.step_budget_s,
        scratch=Path(set_up.scratch) if set_up.scratch else None,
        first_step=set_up.first_step,
    )


def serve(link: Link[ToWorker]) -> int:
    """Run one load from set-up to leave; return the exit code."""
    set_up = first_message(link, LEASE_S)
    if not isinstance(set_up, SetUp):
        return LOST_SUPERVISOR
    guard_against_orphanhood(set_up.supervisor_pid)
    settle_in(set_up)
    try:
        load = fetch("loads", set_up.load, set_up.plugins)
        if set_up.scratch and load.spec.resource == "storage":
            with contextlib.suppress(OSError):  # the load says what is wrong with the folder
                Path(set_up.scratch).mkdir(parents=True, exist_ok=True)
        session: LoadSession = load.open(context_of(set_up), set_up.params)
    except BurninError as error:
        link.send(Leaving(how="not_started", last_ns=time.monotonic_ns(), detail=error.message))
        return 0
    except MemoryError:
        link.send(
            Leaving(
                how="not_started", last_ns=time.monotonic_ns(), detail="not enough memory to open the load"
            )
        )
        return 0
    except Exception:  # noqa: BLE001 - whatever a load raises is an event of the run, not a traceback on the screen
        link.send(Leaving(how="exception", last_ns=time.monotonic_ns(), detail=last_lines()))
        return 0
    return _drive(link, session, set_up, load.spec.unit)


def _drive(link: Link[ToWorker], session: LoadSession, set_up: SetUp, unit: str) -> int:
    gc.freeze()
    link.send(Ready(pid=os.getpid(), unit=unit, notes=dict(session.notes)))
    worker = Worker(link, session, set_up.supervisor_pid, first_step=set_up.first_step)
    try:
        worker.run()
    except Exception:  # noqa: BLE001 - as above
        link.send(Leaving(how="exception", last_ns=worker.last_ns, detail=last_lines()))
    else:
        link.send(Leaving(how=worker.leave, last_ns=worker.last_ns))
    session.close()
    return LOST_SUPERVISOR if worker.leave == "lost_supervisor" else 0


def main(read_fd: int, write_fd: int) -> None:
    """Entry point of the child process."""
    link: Link[ToWorker] = Link(read_fd, write_fd, ToWorker)
    code = serve(link)
    link.close()
    raise SystemExit(code)
