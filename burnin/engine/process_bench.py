"""The real bench: one process per load, one for sampling, one for the safety watch, and the operator's signals."""

from __future__ import annotations

import contextlib
import os
import selectors
import signal
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Any, Final

from burnin.engine.child import Child
from burnin.engine.messages import (
    Finish,
    FromSampler,
    FromWorker,
    Go,
    Lease,
    Leaving,
    Link,
    Progress,
    Ready,
    SampleSetUp,
    Settled,
    SetUp,
    Stop,
    Swept,
    Wrong,
)
from burnin.engine.news import (
    Job,
    JobGone,
    JobProgress,
    JobReady,
    JobSettled,
    JobWrong,
    News,
    OperatorAsked,
    SamplerGone,
    Sampling,
    SweepTaken,
)
from burnin.engine.obituary import Deaths, how_it_ended
from burnin.engine.schedule import Pace
from burnin.host.protocol import Host

OPENING_S: Final = 60.0
"""How long a load may take to open before it counts as hung, apart from the time to write its memory once."""

SLOWEST_FILL_BYTES_S: Final = 100e6
"""Slowest first touch of memory that is waited for (0.35 GB/s was measured with small pages, shared by all cores)."""

STOP_PATIENCE_NS: Final = 400_000_000
_LEASE_NS: Final = 1_000_000_000
_SIGNALS: Final = ("SIGINT", "SIGTERM", "SIGHUP")


@dataclass(kw_only=True)
class _Hand:
    """One worker as the bench sees it."""

    job: Job
    child: Child
    link: Link[FromWorker]
    heard_ns: int
    ready: bool = False
    stopping_ns: int = 0
    killed: bool = False
    leaving: Leaving | None = None
    hung: str = ""


@dataclass(kw_only=True)
class _Ear:
    """One sampler as the bench sees it."""

    watch: bool
    child: Child
    link: Link[FromSampler]
    detail: str = ""


class ProcessBench:
    """Starts, paces, stops and buries real processes.

    Args:
        host: This machine.
        root: Root for the samplers; ``/`` for this machine.
        scratch: Folder for scratch files, empty for none.
        memory_facts: Last-level cache in bytes (0 where unknown), and the read rate in GB/s above which memory cannot
            have been read.
        plugins: Third-party plugins switched on.
    """

    def __init__(
        self,
        host: Host,
        *,
        root: str = "/",
        scratch: str = "",
        memory_facts: tuple[int, float] = (0, 200.0),
        plugins: tuple[str, ...] = (),
    ) -> None:
        self._clock = host.clock
        self._deaths = Deaths(host)
        self._root = root
        self._scratch = scratch
        self._cache_bytes, self._dram_limit_gb_s = memory_facts
        self._plugins = plugins
        self._hands: dict[str, _Hand] = {}
        self._ears: list[_Ear] = []
        self._leased_ns = 0
        self._asked: list[str] = []
        self._wake_read, self._wake_write = os.pipe()
        os.set_blocking(self._wake_read, False)
        os.set_blocking(self._wake_write, False)
        self._before: dict[int, Any] = {}
        self._wakeup_before = signal.set_wakeup_fd(self._wake_write, warn_on_full_buffer=False)
        for name in _SIGNALS:
            number = getattr(signal, name, None)
            if number is not None:
                self._before[number] = signal.signal(number, self._on_signal)

    def _on_signal(self, number: int, frame: FrameType | None) -> None:
        del frame
        self._asked.append(signal.Signals(number).name)

    def start_sampling(self, run: Sampling, watch: Sampling) -> None:
        """Start the run's sampler and, when it has something to watch, the safety watch."""
        for sampling, is_watch in ((run, False), (watch, True)):
            if sampling.columns or not is_watch:
                self._ears.append(self._start_ear(sampling, watch=is_watch))

    def _start_ear(self, sampling: Sampling, *, watch: bool) -> _Ear:
        child = Child("burnin.engine.sampler")
        os.set_blocking(child.write_fd, False)
        link: Link[FromSampler] = Link(child.read_fd, child.write_fd, FromSampler)
        link.send(
            SampleSetUp(
                root=self._root,
                sources=sampling.selection,
                columns=sampling.columns,
                period_ns=round(sampling.period_s * 1e9),
                start_ns=self._clock.mono_ns() + 300_000_000,
                supervisor_pid=os.getpid(),
                plugins=self._plugins,
            )
        )
        return _Ear(watch=watch, child=child, link=link)

    def start(self, jobs: Sequence[Job]) -> None:
        """Start one worker per job."""
        self._deaths.look()
        for job in jobs:
            child = Child("burnin.engine.worker")
            os.set_blocking(child.write_fd, False)
            link: Link[FromWorker] = Link(child.read_fd, child.write_fd, FromWorker)
            self._hands[job.load_id] = _Hand(job=job, child=child, link=link, heard_ns=self._clock.mono_ns())
            link.send(self._set_up(job))

    def _set_up(self, job: Job) -> SetUp:
        return SetUp(
            load_id=job.load_id,
            load=job.load,
            params=job.params,
            core=job.core,
            seed=job.seed,
            instance=job.instance,
            instances=job.instances,
            memory_bytes=job.memory_bytes,
            cache_bytes=self._cache_bytes,
            dram_limit_gb_s=self._dram_limit_gb_s,
            step_budget_s=job.step_budget_s,
            scratch=self._scratch,
            supervisor_pid=os.getpid(),
            plugins=self._plugins,
            first_step=job.first_step,
        )

    def go(self, paces: dict[str, Pace]) -> None:
        """Tell loads to work."""
        for load_id, pace in paces.items():
            if load_id in self._hands:
                self._hands[load_id].link.send(Go(pace=pace))

    def finish(self, load_ids: Sequence[str]) -> None:
        """Tell loads to check what is unchecked."""
        for load_id in load_ids:
            if load_id in self._hands:
                self._hands[load_id].link.send(Finish())

    def stop(self, load_ids: Sequence[str]) -> None:
        """Tell loads to stop; ``wait`` kills those that do not."""
        for load_id in load_ids:
            hand = self._hands.get(load_id)
            if hand is not None and not hand.stopping_ns:
                hand.stopping_ns = self._clock.mono_ns()
                if not hand.link.send(Stop()):
                    self._kill_hand(hand)

    def kill(self) -> int:
        """Kill every load now."""
        for hand in self._hands.values():
            hand.stopping_ns = hand.stopping_ns or self._clock.mono_ns()
            self._kill_hand(hand)
        return self._clock.mono_ns()

    def _kill_hand(self, hand: _Hand) -> None:
        hand.killed = True
        hand.child.kill()

    def wait(self, until_ns: int) -> list[News]:
        """Return what is new; waits until something is, at most until ``until_ns``."""
        news: list[News] = []
        while True:
            self._chores()
            news += self._gather()
            now_ns = self._clock.mono_ns()
            if news or now_ns >= until_ns:
                return news
            self._select(min(until_ns - now_ns, 50_000_000))

    def _select(self, span_ns: int) -> None:
        with selectors.DefaultSelector() as selector:
            selector.register(self._wake_read, selectors.EVENT_READ)
            links: list[Link[Any]] = [hand.link for hand in self._hands.values()]
            for link in links + [ear.link for ear in self._ears]:
                if not link.closed:
                    selector.register(link.read_fd, selectors.EVENT_READ)
            selector.select(max(0, span_ns) / 1e9)
        try:
            os.read(self._wake_read, 4096)
        except BlockingIOError:
            return

    def _chores(self) -> None:
        """Renew leases, kill what does not stop, notice what does not answer."""
        now_ns = self._clock.mono_ns()
        lease_due = now_ns - self._leased_ns > _LEASE_NS
        self._leased_ns = now_ns if lease_due else self._leased_ns
        for ear in self._ears:
            if lease_due:
                ear.link.send(Lease())
        for hand in self._hands.values():
            if lease_due:
                hand.link.send(Lease())
            if hand.stopping_ns and now_ns - hand.stopping_ns > STOP_PATIENCE_NS and not _left(hand):
                hand.hung = self._deaths.frozen(hand.child.pid)
                self._kill_hand(hand)
            quiet_s = (now_ns - hand.heard_ns) / 1e9
            if quiet_s > _patience_s(hand) and not hand.hung and not hand.stopping_ns:
                hand.hung = self._deaths.state_of(hand.child.pid)
                self._kill_hand(hand)

    def _gather(self) -> list[News]:
        news: list[News] = [OperatorAsked(signal=name) for name in self._asked]
        self._asked.clear()
        for ear in list(self._ears):
            news += self._hear_ear(ear)
        for hand in list(self._hands.values()):
            news += self._hear_hand(hand)
        return news

    def _hear_ear(self, ear: _Ear) -> list[News]:
        news: list[News] = []
        for message in ear.link.receive():
            if isinstance(message, Swept):
                news.append(SweepTaken(watch=ear.watch, swept=message))
            else:
                ear.detail = message.detail or message.how
        if ear.link.closed and ear.child.process.poll() is not None:
            detail = ear.detail or ear.child.said() or f"exit {ear.child.process.returncode}"
            self._drop_ear(ear)
            news.append(SamplerGone(watch=ear.watch, detail=detail))
        return news

    def _drop_ear(self, ear: _Ear) -> None:
        self._ears.remove(ear)
        ear.child.forget()
        ear.link.close()

    def _hear_hand(self, hand: _Hand) -> list[News]:
        news: list[News] = []
        load_id = hand.job.load_id
        for message in hand.link.receive():
            hand.heard_ns = self._clock.mono_ns()
            if isinstance(message, Leaving):
                hand.leaving = message
            else:
                hand.ready = True
                news.append(_TOLD[type(message)](load_id, message))
        if hand.child.process.poll() is not None and hand.link.closed:
            news.append(self._bury(hand))
        return news

    def _bury(self, hand: _Hand) -> JobGone:
        del self._hands[hand.job.load_id]
        said = hand.child.said()
        hand.child.forget()
        hand.link.close()
        return how_it_ended(
            hand.job.load_id,
            code=hand.child.process.returncode,
            leaving=hand.leaving,
            hung=hand.hung,
            killed_by_us=hand.killed,
            circumstances=(self._deaths.killed_for_memory(), said, self._clock.mono_ns()),
        )

    def end(self) -> None:
        """Stop samplers and whatever is left."""
        self.kill()
        for hand in list(self._hands.values()):
            hand.child.process.wait()
            self._bury(hand)
        for ear in list(self._ears):
            ear.link.send(Stop())
        for ear in list(self._ears):
            try:
                ear.child.process.wait(timeout=1.0)
            except Exception:  # noqa: BLE001 - a sampler stuck in a driver is killed instead
                ear.child.kill()
                ear.child.process.wait()
            self._drop_ear(ear)
        if self._scratch:
            with contextlib.suppress(OSError):  # never made, or not empty: then it is not ours to remove
                Path(self._scratch).rmdir()
        self._give_signals_back()

    def _give_signals_back(self) -> None:
        signal.set_wakeup_fd(self._wakeup_before)
        for number, handler in self._before.items():
            signal.signal(number, handler)
        self._before.clear()
        os.close(self._wake_read)
        os.close(self._wake_write)


def _left(hand: _Hand) -> bool:
    return hand.leaving is not None or hand.killed


def _patience_s(hand: _Hand) -> float:
    if not hand.ready:
        return OPENING_S + hand.job.memory_bytes / SLOWEST_FILL_BYTES_S
    return max(5.0, 10 * hand.job.longest_step_s)


def _ready(load_id: str, message: Ready) -> News:
    return JobReady(load_id=load_id, pid=message.pid, unit=message.unit, notes=message.notes)


def _progress(load_id: str, message: Progress) -> News:
    return JobProgress(
        load_id=load_id,
        steps=message.steps,
        amount=message.amount,
        digest=message.digest,
        checkpoints=message.checkpoints,
        edges=message.edges,
    )


def _wrong(load_id: str, message: Wrong) -> News:
    return JobWrong(load_id=load_id, fault=message.fault, step=message.step, values=message.values)


def _settled(load_id: str, message: Settled) -> News:
    del message
    return JobSettled(load_id=load_id)


_TOLD: Final[dict[type, Callable[[str, Any], News]]] = {
    Ready: _ready,
    Progress: _progress,
    Wrong: _wrong,
    Settled: _settled,
}
