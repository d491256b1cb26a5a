"""How a run is shown while it goes on: plain lines when piped, one redrawn screen on a terminal."""

from __future__ import annotations

from typing import Final

from burnin.cli.screen import say
from burnin.engine.observer import Snapshot
from burnin.records.events import (
    AnyEvent,
    ChannelState,
    FaultFound,
    FaultRetried,
    LoadEnded,
    LoadsOff,
    LoadStarted,
    OperatorStopped,
    Preflight,
    SafetyArmed,
    SafetyTripped,
    SamplingTrouble,
    StageEnded,
    StageOpening,
    StageStarted,
    StorageTrouble,
)


def clock_text(seconds: float) -> str:
    """Return a span as people read it: ``1:02:03`` or ``2:03``."""
    whole = max(0, round(seconds))
    hours, rest = divmod(whole, 3600)
    minutes, secs = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{secs:02d}" if hours else f"{minutes}:{secs:02d}"


def event_text(event: AnyEvent) -> str:
    """Return an event in one plain line; empty for events that need no line."""
    match event:
        case StageOpening():
            return f"Stage {event.index + 1}, {event.name}: loads are opening"
        case StageStarted():
            return f"Stage {event.index + 1}, {event.name}: begins"
        case StageEnded():
            return f"Stage {event.index + 1}, {event.name}: over ({_WHY.get(event.reason, event.reason)})"
        case LoadStarted():
            return f"Load '{event.load}'{on_core(event.core)}: open"
        case LoadEnded(planned=False):
            return (
                f"LOAD ENDED EARLY: {event.load_id}: {_HOW.get(event.how, event.how)}{_detail(event.detail)}"
            )
        case FaultFound():
            return f"WRONG RESULT: load '{event.load}'{on_core(event.core)}, step {event.step}: {fault_text(event)}"
        case LoadsOff():
            off_s = (event.off_ns - event.requested_ns) / 1e9
            return f"Loads off {max(0.0, off_s):.2f} s after the request"
        case _:
            return _rarer_text(event)


def _rarer_text(event: AnyEvent) -> str:
    match event:
        case SafetyTripped():
            return f"STOPPED FOR SAFETY: {trip_text(event)}"
        case OperatorStopped():
            return f"Stopped by the operator ({event.signal})"
        case FaultRetried():
            return retried_text(event)
        case StorageTrouble() | SamplingTrouble():
            return trouble_text(event)
        case ChannelState():
            return f"Sensor {event.channel}: {event.quality}{_detail(event.reason)}"
        case SafetyArmed() if event.note:
            return event.note
        case Preflight():
            known = [f"  - {each.what}: {each.reason}" for each in event.cannot_judge]
            return "\n".join(["Known before the first load not to be judged:", *known]) if known else ""
        case _:
            return ""


_WHY: Final = {
    "time": "its time is up",
    "steady": "the temperature is steady",
    "longest": "its longest time is up, the temperature never became steady",
    "operator": "stopped by the operator",
    "safety": "stopped for safety",
    "fault": "stopped because of a wrong result",
}
_HOW: Final = {
    "killed": "did not stop when asked and was killed",
    "out_of_memory": "killed by the kernel for memory",
    "signal": "ended by a signal from outside",
    "hung": "gave no sign of life",
    "exit_code": "ended by itself",
    "exception": "an error in its own code",
    "lost_supervisor": "lost its supervisor",
    "not_started": "could not be started",
    "stopped": "stopped",
}


def on_core(core: int | None) -> str:
    """Return where a load runs, in words."""
    return "" if core is None else f" on core {core}"


def _detail(text: str) -> str:
    last = text.strip().splitlines()[-1:] if text else []
    return f" ({last[0]})" if last else ""


def fault_text(event: FaultFound) -> str:
    """Return a wrong result in a few words."""
    keys = ("address", "expected", "found", "mask", "who", "row", "column")
    words = [f"{key} {event.values[key]}" for key in keys if key in event.values]
    return f"{event.fault.replace('_', ' ')}; {', '.join(words)}" if words else event.fault.replace("_", " ")


def trouble_text(event: StorageTrouble | SamplingTrouble) -> str:
    """Return trouble of the harness itself in plain words."""
    if isinstance(event, StorageTrouble):
        return f"STORAGE TROUBLE: {event.what}: {event.error}; the run goes on, {event.lost} lines lost"
    return f"Sampling: {event.what}, {event.span_s:.1f} s{_detail(event.detail)}"


def retried_text(event: FaultRetried) -> str:
    """Return in plain words what doing work with a wrong result again has shown."""
    cores = " or ".join(str(core) for core in event.cores)
    named = f"core {event.core} is wrong" if event.core is not None else f"core {cores}: cannot be told which"
    back = "came back" if event.came_back else "did not come back"
    return f"Load '{event.load}', step {event.step}, done again: {named}; the wrong result {back}"


def trip_text(event: SafetyTripped) -> str:
    """Return a safety trip in plain words."""
    if event.value is None:
        return f"{event.channel or 'the safety watch'}: {event.detail}"
    if event.why == "pump":
        return f"{event.channel}: the pump stands still"
    if event.why == "rise":
        return f"{event.channel}: rose by {event.value:.1f} {event.unit}, more than {event.limit:.1f} {event.unit} in 30 s"
    return f"{event.channel}: {event.value:.1f} {event.unit}, loads stop at {event.limit:.1f} {event.unit}"


class LineView:
    """Plain lines: one per event, and now and then one for how the run stands.

    Args:
        every_s: Time of the run between two lines about how it stands.
    """

    def __init__(self, every_s: float = 10.0) -> None:
        self._every_s = every_s
        self._last_s = -every_s

    def event(self, event: AnyEvent, elapsed_s: float) -> None:
        """Print an event."""
        text = event_text(event)
        if text:
            say(f"[{clock_text(elapsed_s)}] {text}")

    def snapshot(self, snapshot: Snapshot) -> None:
        """Print how the run stands, now and then."""
        if snapshot.elapsed_s - self._last_s < self._every_s or snapshot.state == "over":
            return
        self._last_s = snapshot.elapsed_s
        say(f"[{clock_text(snapshot.elapsed_s)}] {standing_text(snapshot)}")

    def close(self) -> None:
        """Nothing to give back."""


def standing_text(snapshot: Snapshot) -> str:
    """Return how the run stands in one line."""
    words = [f"stage {snapshot.stage} of {snapshot.stages}, {snapshot.stage_name}, {snapshot.state}"]
    words.append(
        f"{clock_text(snapshot.stage_left_s)} left in the stage, {clock_text(snapshot.run_left_s)} in all"
    )
    hottest = hottest_text(snapshot)
    if hottest:
        words.append(hottest)
    for load, amount, unit in work_by_load(snapshot):
        words.append(f"{load} {amount:.4g} {unit}")
    words.append("no wrong result" if not snapshot.faults else f"{snapshot.faults} WRONG RESULTS")
    return "; ".join(words)


def hottest_text(snapshot: Snapshot) -> str:
    """Return the temperature nearest to its trip limit, in words; empty where none is read."""
    margins = [
        (snapshot.trips[channel.id] - value, channel.label, value)
        for channel, value in zip(snapshot.channels, snapshot.values, strict=True)
        if channel.id in snapshot.trips and value is not None
    ]
    if not margins:
        return ""
    margin, label, value = min(margins)
    return f"{label} {value:.1f} degC ({margin:.1f} below the stop)"


def work_by_load(snapshot: Snapshot) -> list[tuple[str, float, str]]:
    """Return each load's work over all its cores."""
    totals: dict[str, tuple[float, str]] = {}
    for line in snapshot.loads:
        amount, unit = totals.get(line.load, (0.0, line.unit))
        totals[line.load] = (amount + line.amount, unit or line.unit)
    return [(load, amount, unit) for load, (amount, unit) in totals.items()]
