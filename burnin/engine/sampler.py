"""A process that does nothing but sample: the run's sampler, and the safety watch with its few channels."""

from __future__ import annotations

import contextlib
import os
import signal
from typing import Final

from burnin.engine.child import LEASE_S, LOST_SUPERVISOR, guard_against_orphanhood, last_lines, orphaned
from burnin.engine.messages import Leaving, Link, SampleSetUp, Stop, Swept, ToSampler, first_message
from burnin.engine.sweep import Sweeper
from burnin.host.open import open_host
from burnin.host.protocol import Host
from burnin.plugin.discovery import usable

_BUDGET_SHARE: Final = 0.5


class Sampler:
    """Sweeps on a fixed grid of times until told to stop.

    Args:
        link: Pipe to the supervisor.
        host: The machine.
        set_up: What to read, how often.
    """

    def __init__(self, link: Link[ToSampler], host: Host, set_up: SampleSetUp) -> None:
        self._link = link
        self._clock = host.clock
        self._set_up = set_up
        self._heard_ns = host.clock.mono_ns()
        self.leave = ""
        budget_s = min(2.0, set_up.period_ns * _BUDGET_SHARE / 1e9)
        plugins = usable("sources", set_up.plugins)
        self._sweeper = Sweeper(host, plugins, set_up.sources, budget_s=budget_s)

    def run(self) -> None:
        """Sweep at start, start + period, start + 2 periods ...; missed grid times are skipped, never caught up."""
        due_ns = self._set_up.start_ns
        while self._wait_until(due_ns):
            self._sweep(due_ns)
            behind = (self._clock.mono_ns() - due_ns) // self._set_up.period_ns
            due_ns += (behind + 1) * self._set_up.period_ns
        self._sweeper.close()

    def _wait_until(self, due_ns: int) -> bool:
        """Wait for the next grid time; False when it is time to leave."""
        while True:
            self._listen()
            if self.leave:
                return False
            remaining_ns = due_ns - self._clock.mono_ns()
            if remaining_ns <= 0:
                return True
            if remaining_ns > 3_000_000:
                self._link.wait(min((remaining_ns - 1_000_000) / 1e9, 1.0))
            else:
                self._clock.sleep_until(due_ns)

    def _listen(self) -> None:
        for message in self._link.receive():
            self._heard_ns = self._clock.mono_ns()
            if isinstance(message, Stop):
                self.leave = "stopped"
        quiet_s = (self._clock.mono_ns() - self._heard_ns) / 1e9
        if self._link.closed or quiet_s > LEASE_S or orphaned(self._set_up.supervisor_pid):
            self.leave = self.leave or "lost_supervisor"

    def _sweep(self, due_ns: int) -> None:
        began_ns = self._clock.mono_ns()
        readings, changes = self._sweeper.sweep()
        swept = Swept(
            at_ns=began_ns,
            late_ns=began_ns - due_ns,
            took_ns=self._clock.mono_ns() - began_ns,
            values=tuple(reading.value for reading in readings),
            quality=tuple(reading.quality for reading in readings),
            changes=changes,
        )
        if not self._link.send(swept):
            self.leave = "lost_supervisor"


def serve(link: Link[ToSampler], set_up: SampleSetUp) -> int:
    """Sample until told to stop; return the exit code."""
    guard_against_orphanhood(set_up.supervisor_pid)
    for name in ("SIGINT", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    with contextlib.suppress(OSError, AttributeError):
        os.nice(-5)
    try:
        sampler = Sampler(link, open_host(set_up.root), set_up)
        sampler.run()
    except Exception:  # noqa: BLE001 - told to the supervisor, which records it
        link.send(Leaving(how="exception", last_ns=0, detail=last_lines()))
        return 1
    link.send(Leaving(how=sampler.leave, last_ns=0))
    return LOST_SUPERVISOR if sampler.leave == "lost_supervisor" else 0


def main(read_fd: int, write_fd: int) -> None:
    """Entry point of the child process."""
    link: Link[ToSampler] = Link(read_fd, write_fd, ToSampler)
    first = first_message(link, LEASE_S)
    code = serve(link, first) if isinstance(first, SampleSetUp) else LOST_SUPERVISOR
    link.close()
    raise SystemExit(code)
