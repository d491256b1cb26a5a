"""Fakes at the doors of the engine: loads, sources, a bench told what to say, an observer that remembers."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from types import SimpleNamespace

from burnin.engine.messages import Swept
from burnin.engine.news import JobGone, JobReady, News, SweepTaken
from burnin.host.simulated import SimulatedClock
from burnin.plugin.contracts import Description, Fault, LoadSpec, SourceSpec, StepResult
from burnin.records.channels import Channel, Reading

SPEC = LoadSpec(title="t", proves="p", does_not_prove="d", resource="cpu", unit="turns", compare_digests=True)
MEMORY = LoadSpec(title="m", proves="p", does_not_prove="d", resource="memory", unit="GB")


@dataclass
class FakeSession:
    """A session that does what it is told; faults come at given steps."""

    faults_at: dict[int, Fault] = field(default_factory=dict)
    finishes: int = 1
    raises_at: int = -1
    steps: int = 0
    finished: int = 0
    closed: bool = False
    notes: dict = field(default_factory=lambda: {"fake": True})

    def step(self) -> StepResult:
        number = self.steps
        self.steps += 1
        if number == self.raises_at:
            raise RuntimeError("planned")
        fault = self.faults_at.get(number)
        return StepResult(amount=2.0, digest=number + 1, faults=(fault,) if fault else (), settled=False)

    def finish(self) -> StepResult:
        self.finished += 1
        return StepResult(amount=0.0, settled=self.finished >= self.finishes)

    def close(self) -> None:
        self.closed = True


class FakeLoad:
    def __init__(self, spec: LoadSpec = SPEC, **session) -> None:
        self.spec = spec
        self.session_fields = session
        self.opened: list = []
        self.error: Exception | None = None

    def open(self, context, params):
        if self.error:
            raise self.error
        session = FakeSession(**self.session_fields)
        self.opened.append((context, params, session))
        return session


class FakeSource:
    """A source whose channels and readings a test sets."""

    def __init__(self, channels=(), absent=()) -> None:
        self.spec = SourceSpec(title="fake source")
        self.channels = tuple(channels)
        self.absent = tuple(absent)
        self.readings = [Reading(value=1.0) for _ in channels]
        self.broken: Exception | None = None
        self.closed = 0

    def describe(self, host):
        if self.broken:
            raise self.broken
        return Description(channels=self.channels, absent=self.absent)

    def open(self, host, channels):
        places = [self.channels.index(channel) for channel in channels]

        def read():
            if self.broken:
                raise self.broken
            return [self.readings[place] for place in places]

        def close():
            self.closed += 1

        return SimpleNamespace(read=read, close=close)


@dataclass
class Watcher:
    """An observer that remembers."""

    events: list = field(default_factory=list)
    snapshots: list = field(default_factory=list)

    def event(self, event, elapsed_s: float) -> None:
        self.events.append(event)

    def snapshot(self, snapshot) -> None:
        self.snapshots.append(snapshot)

    def of(self, kind: type) -> list:
        return [event for event in self.events if isinstance(event, kind)]


@dataclass
class ToldBench:
    """A bench that says what a test tells it to once a stage runs, one list of news for each wait.

    Jobs open and stop by themselves. Before a stage runs nothing of the script is used up, however often the supervisor
    looks while it waits for the disk.
    """

    clock: SimulatedClock
    script: deque = field(default_factory=deque)
    silent_stop: bool = False
    jobs: list = field(default_factory=list)
    calls: list = field(default_factory=list)
    soon: list[News] = field(default_factory=list)
    running: bool = False
    silent_watch: bool = False
    watched: int = 0

    def start_sampling(self, run, watch) -> None:
        self.watched = max(self.watched, len(watch.columns))
        self.calls.append(("start_sampling", run, watch))

    def start(self, jobs) -> None:
        self.jobs = list(jobs)
        self.soon += [JobReady(load_id=job.load_id, pid=7, unit="turns", notes={}) for job in jobs]

    def go(self, paces) -> None:
        self.running = True
        self.calls.append(("go", paces))

    def finish(self, load_ids) -> None:
        self.calls.append(("finish", list(load_ids)))

    def stop(self, load_ids) -> None:
        self.calls.append(("stop", list(load_ids)))
        self._gone(load_ids, "stopped")

    def kill(self) -> int:
        self.calls.append(("kill",))
        self._gone([job.load_id for job in self.jobs], "killed")
        return self.clock.mono_ns()

    def _gone(self, load_ids, how) -> None:
        if not self.silent_stop:
            now_ns = self.clock.mono_ns()
            self.soon += [JobGone(load_id=each, how=how, last_ns=now_ns) for each in load_ids]
            self.jobs = [job for job in self.jobs if job.load_id not in load_ids]

    def wait(self, until_ns: int) -> list[News]:
        if self.soon:
            soon, self.soon = self.soon, []
            return soon
        self.clock.sleep_until(until_ns)
        if self.script and self.running:
            news = self.script.popleft()
            return news(self) if callable(news) else news
        return self.watch()

    def watch(self) -> list[News]:
        """What the safety watch says while all is well."""
        if not self.watched or self.silent_watch:
            return []
        values = [40.0] * self.watched
        return [SweepTaken(watch=True, swept=swept(self.clock.mono_ns(), *values))]

    def end(self) -> None:
        self.calls.append(("end",))


def temperature(name: str = "cpu", role: str = "cpu_hottest", **fields) -> Channel:
    return Channel(id=f"fake/{name}", source="fake", quantity="temperature", label=name, role=role, **fields)


def swept(at_ns: int, *values, quality=None, changes=None) -> Swept:
    codes = tuple(quality or [1 if value is None else 0 for value in values])
    return Swept(at_ns=at_ns, late_ns=0, took_ns=0, values=values, quality=codes, changes=changes or {})
