"""The live screen on a terminal: stage, time left, worst margins first, small histories, work, faults."""

from __future__ import annotations

import contextlib
from collections import deque
from typing import Final

from rich.console import Console, Group
from rich.live import Live
from rich.table import Table
from rich.text import Text

from burnin.cli.views import clock_text, event_text, work_by_load
from burnin.engine.observer import Snapshot
from burnin.records.channels import Channel
from burnin.records.events import AnyEvent

_BARS: Final = "▁▂▃▄▅▆▇█"
_HISTORY: Final = 24
_EVENTS: Final = 6
_ORDER: Final = ("temperature", "fan_speed", "power", "frequency", "voltage", "load", "memory", "count")


def history_text(values: deque[float | None]) -> str:
    """Return a small history as bars; a gap is a blank."""
    good = [value for value in values if value is not None]
    if not good:
        return ""
    low, high = min(good), max(good)
    span = (high - low) or 1.0
    return "".join(
        " " if value is None else _BARS[min(len(_BARS) - 1, int((value - low) / span * len(_BARS)))]
        for value in values
    )


class LiveView:
    """One screen, redrawn in place.

    Args:
        console: Where to draw; the terminal by default.
    """

    def __init__(self, console: Console | None = None) -> None:
        self._console = console or Console()
        self._history: dict[str, deque[float | None]] = {}
        self._events: deque[str] = deque(maxlen=_EVENTS)
        self._live = Live(console=self._console, auto_refresh=False, transient=True)
        self._broken = False
        self._guarded(self._live.start)

    def _guarded(self, action: object, *arguments: object) -> None:
        """Draw; a terminal that is gone is drawn to no more."""
        if self._broken:
            return
        try:
            action(*arguments)  # type: ignore[operator] # always a bound method of the live display
        except (OSError, ValueError):
            self._broken = True

    def event(self, event: AnyEvent, elapsed_s: float) -> None:
        """Keep an event for the foot of the screen."""
        text = event_text(event)
        if text:
            self._events += [f"[{clock_text(elapsed_s)}] {line}" for line in text.splitlines()]

    def snapshot(self, snapshot: Snapshot) -> None:
        """Redraw."""
        for channel, value in zip(snapshot.channels, snapshot.values, strict=True):
            self._history.setdefault(channel.id, deque(maxlen=_HISTORY)).append(value)
        self._guarded(self._draw, snapshot)

    def _draw(self, snapshot: Snapshot) -> None:
        self._live.update(self.page(snapshot), refresh=True)

    def close(self) -> None:
        """Leave the terminal clean."""
        with contextlib.suppress(OSError, ValueError):
            self._live.stop()

    def page(self, snapshot: Snapshot) -> Group:
        """Return the whole screen for a terminal of the console's size."""
        loads = self._loads(snapshot)
        room = max(3, self._console.height - len(snapshot.loads) - _EVENTS - 8)
        return Group(_head(snapshot), self._channels(snapshot, room), loads, *self._foot())

    def _channels(self, snapshot: Snapshot, room: int) -> Table:
        table = Table(box=None, expand=True, pad_edge=False)
        table.add_column("Sensor", no_wrap=True, ratio=3)
        table.add_column("Now", justify="right", no_wrap=True, ratio=1)
        table.add_column("Stop at", justify="right", no_wrap=True, ratio=1)
        table.add_column("Last readings", no_wrap=True, ratio=2)
        for channel, value in _worst_first(snapshot)[:room]:
            table.add_row(
                channel.label,
                "no value" if value is None else f"{value:.6g} {channel.unit}",
                f"{snapshot.trips[channel.id]:.4g}" if channel.id in snapshot.trips else "",
                history_text(self._history[channel.id]),
            )
        return table

    def _loads(self, snapshot: Snapshot) -> Table:
        table = Table(box=None, expand=True, pad_edge=False)
        for name in ("Load", "Core", "Done", "Wrong results", "State"):
            table.add_column(name, no_wrap=True)
        for line in snapshot.loads:
            wrong = Text(str(line.faults), style="bold red" if line.faults else "")
            core = "any" if line.core is None else str(line.core)
            table.add_row(line.load, core, f"{line.amount:.5g} {line.unit}", wrong, line.state)
        for load, amount, unit in work_by_load(snapshot) if len(snapshot.loads) > 1 else []:
            table.add_row(load, "all", f"{amount:.5g} {unit}", "", "")
        return table

    def _foot(self) -> list[Text]:
        return [Text(line, overflow="ellipsis", no_wrap=True) for line in self._events]


def _head(snapshot: Snapshot) -> Text:
    faults = "no wrong result so far" if not snapshot.faults else f"{snapshot.faults} WRONG RESULTS"
    style = "bold" if not snapshot.faults else "bold red"
    first = f"Stage {snapshot.stage} of {snapshot.stages}: {snapshot.stage_name} ({snapshot.state})"
    second = (
        f"{clock_text(snapshot.stage_left_s)} left in the stage, {clock_text(snapshot.run_left_s)} in all"
    )
    return Text(f"{first}\n{second}   {faults}\n", style=style)


def _worst_first(snapshot: Snapshot) -> list[tuple[Channel, float | None]]:
    pairs = list(zip(snapshot.channels, snapshot.values, strict=True))

    def rank(pair: tuple[Channel, float | None]) -> tuple[int, float, int]:
        channel, value = pair
        trip = snapshot.trips.get(channel.id)
        order = _ORDER.index(channel.quantity) if channel.quantity in _ORDER else len(_ORDER)
        if trip is not None:
            return 0, -1e9 if value is None else trip - value, order
        return 1, 0.0, order

    return sorted(pairs, key=rank)
