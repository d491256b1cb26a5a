"""One sweep over all sources; a source that does not answer in time silences nobody else."""

from __future__ import annotations

import queue
import threading
from collections.abc import Mapping, Sequence
from typing import Final

from burnin.host.protocol import Clock, Host
from burnin.plugin.contracts import Source, SourceSession
from burnin.records.channels import OK, Channel, Reading, missing

NO_ANSWER: Final = "the driver gave no answer in time"


class SourceReader:
    """Reads one source in a thread of its own, so that a blocked driver read can be left behind.

    Args:
        session: The opened source.
        count: How many channels it reads.
    """

    def __init__(self, session: SourceSession, count: int) -> None:
        self._session = session
        self._count = count
        self._asked: queue.SimpleQueue[bool] = queue.SimpleQueue()
        self._answered: queue.SimpleQueue[Sequence[Reading]] = queue.SimpleQueue()
        self._waiting = False
        self._thread = threading.Thread(target=self._loop, daemon=True)
        self._thread.start()

    def _loop(self) -> None:
        while self._asked.get():
            try:
                answer = self._session.read()
            except Exception as error:  # noqa: BLE001 - one broken source must not end the sampling of the others
                answer = [missing(f"the source failed: {type(error).__name__}")] * self._count
            if len(answer) != self._count:
                answer = [missing("the source gave the wrong number of readings")] * self._count
            self._answered.put(answer)

    def ask(self) -> None:
        """Start reading, unless the last read is still under way."""
        if not self._waiting:
            self._waiting = True
            self._asked.put(True)

    def collect(self, seconds: float) -> Sequence[Reading]:
        """Return the answer, or readings marked missing when it does not come within ``seconds``."""
        try:
            answer = self._answered.get(timeout=max(0.0, seconds))
        except queue.Empty:
            return [missing(NO_ANSWER)] * self._count
        self._waiting = False
        return answer

    def close(self) -> None:
        """Let the thread end; the source is given back when it is not stuck."""
        self._asked.put(False)
        if not self._waiting:
            self._thread.join(timeout=1.0)
            self._session.close()


class DirectReader:
    """Reads one source in the calling thread: for simulated machines, whose reads cannot block.

    Args:
        session: The opened source.
        count: How many channels it reads.
    """

    def __init__(self, session: SourceSession, count: int) -> None:
        self._session = session
        self._count = count

    def ask(self) -> None:
        """Nothing to start."""

    def collect(self, seconds: float) -> Sequence[Reading]:
        """Return the readings."""
        del seconds
        return self._session.read()

    def close(self) -> None:
        """Give the source back."""
        self._session.close()


class Sweeper:
    """All sources of a run, read together.

    Args:
        host: The machine.
        sources: Name to source plugin.
        selection: Source name to the channels it reads; columns follow in this order.
        budget_s: Longest time one sweep may wait for an answer.
        reader: How one source is read; in a thread of its own unless reads cannot block.
    """

    def __init__(
        self,
        host: Host,
        sources: Mapping[str, Source],
        selection: Mapping[str, Sequence[Channel]],
        *,
        budget_s: float,
        reader: type[SourceReader | DirectReader] = SourceReader,
    ) -> None:
        self._clock: Clock = host.clock
        self._budget_ns = round(budget_s * 1e9)
        self._readers = [
            reader(sources[name].open(host, channels), len(channels))
            for name, channels in selection.items()
            if channels
        ]
        width = sum(len(channels) for channels in selection.values())
        self._quality: list[int] = [OK] * width

    def sweep(self) -> tuple[list[Reading], dict[int, str]]:
        """Return one reading per column, and column to reason where the quality changed (empty reason: well again)."""
        deadline_ns = self._clock.mono_ns() + self._budget_ns
        for reader in self._readers:
            reader.ask()
        readings: list[Reading] = []
        for reader in self._readers:
            readings.extend(reader.collect((deadline_ns - self._clock.mono_ns()) / 1e9))
        changes = {
            column: reading.reason
            for column, reading in enumerate(readings)
            if reading.quality != self._quality[column]
        }
        self._quality = [reading.quality for reading in readings]
        return readings, changes

    def close(self) -> None:
        """Give all sources back."""
        for reader in self._readers:
            reader.close()
