"""What comes into the journal beside loads and sweeps: the kernel's own lines, a look at the machine under load, the operator's.

An aside is asked often and must answer at once: nothing here may wait, and nothing here may end a run.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Protocol

import msgspec

from burnin.errors import Unreadable
from burnin.host.kernel_log import KernelLogCopy, KernelLogFeed, open_kernel_log
from burnin.host.protocol import Host
from burnin.parse.kernel_log import WHAT, parse_record
from burnin.records.events import AnyEvent, InstrumentReading, InventoryTaken, KernelLine, Remark
from burnin.records.inventory import Inventory
from burnin.records.plan import Plan

KERNEL_EVERY_NS: Final = 500_000_000
KERNEL_WINDOW_NS: Final = 60_000_000_000
MOST_LINES: Final = 20
"""Kernel lines journaled a minute; the rest is counted. A part that fails can write thousands a second."""

HOT_PARTS: Final = ("pci", "usb", "displays", "memory", "network")
"""Parts of the inventory that load can change."""

_MOST_READINGS: Final = 200


@dataclass(frozen=True, kw_only=True)
class Moment:
    """Where the run is.

    Attributes:
        now_ns: Monotonic time.
        stage: Stage index, -1 before the first.
        start_ns: When the stage's own time began; 0 while its loads are being opened.
        end_ns: When it ends at the earliest.
    """

    now_ns: int
    stage: int
    start_ns: int
    end_ns: int


class Aside(Protocol):
    """Something that now and then has a line for the journal."""

    def look(self, moment: Moment) -> Sequence[AnyEvent]:
        """Return what is new; returns at once and never raises."""
        ...

    def end(self) -> Sequence[AnyEvent]:
        """Return what is left to tell at the end of the run, and give everything back."""
        ...


class KernelAside:
    """Telling lines of the kernel's log, from now on, at most ``MOST_LINES`` a minute.

    Args:
        host: The machine.
        opener: Opens its log.
    """

    def __init__(
        self,
        host: Host,
        opener: Callable[[Host], KernelLogFeed | KernelLogCopy] = open_kernel_log,
    ) -> None:
        self._log: KernelLogFeed | KernelLogCopy | None = None
        try:
            self._log = opener(host)
        except Unreadable:
            self._log = None  # the source of the same name says why
        self._next_ns = self._window_ns = self._written = self._left_out = 0

    def look(self, moment: Moment) -> Sequence[AnyEvent]:
        """Return the lines that tell of a fault or a port."""
        if self._log is None or moment.now_ns < self._next_ns:
            return ()
        self._next_ns = moment.now_ns + KERNEL_EVERY_NS
        events: list[AnyEvent] = []
        if moment.now_ns - self._window_ns >= KERNEL_WINDOW_NS:
            events += self._tell_left_out()
            self._window_ns, self._written = moment.now_ns, 0
        try:
            records = self._log.read()
        except Unreadable:
            self._close()
            return events
        return [*events, *self._kept(records)]

    def _kept(self, records: Sequence[bytes]) -> list[AnyEvent]:
        kept: list[AnyEvent] = []
        for line in map(parse_record, records):
            if line is None or line.kind is None:
                continue
            if self._written < MOST_LINES:
                self._written += 1
                kept.append(KernelLine(what=WHAT[line.kind], text=line.text))
            else:
                self._left_out += 1
        return kept

    def _tell_left_out(self) -> list[AnyEvent]:
        count, self._left_out = self._left_out, 0
        text = f"{count} further telling lines of the kernel's log came within a minute and were not written"
        return [Remark(text=text)] if count else []

    def _close(self) -> None:
        if self._log is not None:
            self._log.close()
            self._log = None

    def end(self) -> Sequence[AnyEvent]:
        """Return what was left out, and give the log back."""
        self._close()
        return self._tell_left_out()


class HotLookAside:
    """A second look at the machine in the middle of the stages chosen by :func:`stages_to_look_in`.

    On this machine it is taken in a thread of its own: a driver that blocks holds up nothing.

    Args:
        plan: The plan.
        resources: Load name to the part of the machine it loads.
        take: Takes the inventory again.
        in_thread: Whether to take it in a thread; False for a machine whose clock jumps.
    """

    def __init__(
        self, plan: Plan, resources: dict[str, str], take: Callable[[], Inventory], *, in_thread: bool
    ) -> None:
        self._wanted = set(stages_to_look_in(plan, resources))
        self._take = take
        self._in_thread = in_thread
        self._taken: deque[Inventory] = deque()

    def look(self, moment: Moment) -> Sequence[AnyEvent]:
        """Begin the look when it is time; return what an earlier one found."""
        half_ns = (moment.start_ns + moment.end_ns) // 2
        if moment.stage in self._wanted and moment.start_ns and moment.now_ns >= half_ns:
            self._wanted.discard(moment.stage)
            if self._in_thread:
                threading.Thread(target=self._run, name="hot-look", daemon=True).start()
            else:
                self._run()
        return [InventoryTaken(inventory=self._taken.popleft()) for _ in range(len(self._taken))]

    def end(self) -> Sequence[AnyEvent]:
        """Return nothing: a look that came too late to be under load is dropped."""
        return ()

    def _run(self) -> None:
        self._taken.append(self._take())


def stages_to_look_in(plan: Plan, resources: dict[str, str]) -> tuple[int, ...]:
    """Return the stages in which the machine is looked at again.

    The first combined one, else the first soak; and the first ones with graphics and with storage loads, whose
    links run at full speed only then.
    """
    hot = [index for index, stage in enumerate(plan.stages) if stage.loads]
    combined = [index for index in hot if plan.stages[index].kind == "combined"]
    chosen = (combined or hot)[:1]
    for resource in ("graphics", "storage"):
        of_it = [
            index
            for index in hot
            if any(resources.get(use.load) == resource for use in plan.stages[index].loads)
        ]
        if of_it and not set(of_it) & set(chosen):
            chosen.append(of_it[0])
    return tuple(sorted(chosen))


def looked_again(first: Inventory, parts: Inventory) -> Inventory:
    """Return the first inventory with those parts as they are in the second that load can change and that were read."""
    empty = Inventory()
    changed = {
        name: getattr(parts, name) for name in HOT_PARTS if getattr(parts, name) != getattr(empty, name)
    }
    return msgspec.structs.replace(first, **changed)


class OperatorAside:
    """Readings that somebody else (a thread that listens to the terminal) hands in while the run goes on.

    Args:
        plan: The plan, whose stages tell at which moment a reading was taken.
        ask: Told a moment (``idle``, ``hot``, ``cool_down``) once, in the middle of the first stage of its kind.
    """

    def __init__(self, plan: Plan, ask: Callable[[str], None] = lambda moment: None) -> None:  # noqa: ARG005
        self._ask = ask
        self._asked: set[str] = set()
        self._kinds = tuple(stage.kind for stage in plan.stages)
        self._given: deque[InstrumentReading] = deque(maxlen=_MOST_READINGS)

    def give(self, reading: InstrumentReading) -> None:
        """Hand in a reading; may be called from any thread."""
        self._given.append(reading)

    def look(self, moment: Moment) -> Sequence[AnyEvent]:
        """Return the readings handed in, each with its moment."""
        taken = [self._given.popleft() for _ in range(len(self._given))]
        word = self._word(moment)
        half_ns = (moment.start_ns + moment.end_ns) // 2
        if word not in self._asked and moment.start_ns and moment.now_ns >= half_ns:
            self._asked.add(word)
            self._ask(word)
        return [msgspec.structs.replace(reading, moment=word) for reading in taken]

    def end(self) -> Sequence[AnyEvent]:
        """Return the readings handed in since the last look."""
        return self.look(Moment(now_ns=0, stage=len(self._kinds) - 1, start_ns=0, end_ns=0))

    def _word(self, moment: Moment) -> str:
        kind = self._kinds[moment.stage] if 0 <= moment.stage < len(self._kinds) else "idle"
        return {"soak": "hot", "combined": "hot", "cool_down": "cool_down"}.get(kind, "idle")
