"""The supervisor's hand on the journal: events in, nothing waits unless it is planned."""

from __future__ import annotations

from typing import Final

from burnin.engine.observer import Observer
from burnin.host.protocol import Clock
from burnin.journal.writer import JournalWriter, Receipt
from burnin.records.events import AnyEvent, FaultFound, Sweep

CLOSE_S: Final = 20.0


class Recorder:
    """Writes events and shows them.

    Args:
        writer: The journal.
        clock: Clocks.
        observer: Who watches.
    """

    def __init__(self, writer: JournalWriter, clock: Clock, observer: Observer) -> None:
        self._writer = writer
        self._clock = clock
        self._observer = observer
        self._start_ns = clock.mono_ns()
        self.sweeps = 0
        self.faults = 0

    @property
    def elapsed_s(self) -> float:
        """Time since the recorder was made."""
        return (self._clock.mono_ns() - self._start_ns) / 1e9

    def note(self, event: AnyEvent, *, at_ns: int | None = None) -> Receipt:
        """Write an event; returns at once."""
        receipt = self._writer.append(event, mono_ns=at_ns)
        if isinstance(event, Sweep):
            self.sweeps += 1
        else:
            self.faults += isinstance(event, FaultFound)
            self._observer.event(event, self.elapsed_s)
        return receipt

    def durable(self, receipt: Receipt, seconds: float) -> bool:
        """Return whether an event is on disk, waiting at most ``seconds``."""
        return self._writer.wait(receipt, seconds)

    def close(self) -> bool:
        """Write what is left; True when all of it is on disk."""
        return self._writer.close(CLOSE_S)
