"""The figures of a run that two runs are compared by: steady ends of its hot stages."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from burnin.calc.compare import above_room
from burnin.calc.refusal import Refusal
from burnin.calc.run_facts import StageRun, during, hot_runs, loads_in
from burnin.calc.series import Level, batch_level
from burnin.records.channels import UNITS, Channel
from burnin.records.events import InstrumentReading
from burnin.records.view import F64, RunView

Better = Literal["lower", "higher", "neither"]

_LOWER: Final = frozenset(
    {"cpu_hottest", "cpu_core", "coolant", "power_stage", "graphics", "graphics_memory", "storage"}
)
_HIGHER: Final = frozenset({"cpu_clock"})
_OTHER: Final = frozenset({"cpu_power", "graphics_power", "fan", "pump"})
_ROOM_NAMES: Final = ("inlet", "room")
_CERTAIN_DF: Final = 50.0
"""Degrees of freedom of an uncertainty stated by an instrument (GUM, G.4.2: taken as well known)."""


@dataclass(frozen=True, kw_only=True)
class RunFigure:
    """One figure at the steady end of a hot stage.

    Attributes:
        stage: The stage.
        name: Channel id, or the name of the load whose rate it is.
        label: What people call it.
        unit: Unit; for a rate the load's unit per second.
        better: Which way is better.
        above_room: True where the room was taken off.
        level: Mean with its uncertainty, or why there is none.
    """

    stage: str
    name: str
    label: str
    unit: str
    better: Better
    above_room: bool
    level: Level | Refusal


def run_figures(view: RunView, *, off_room: bool = False) -> tuple[RunFigure, ...]:
    """Return the figures of every hot stage: channels with a role in channel order, then rates of work.

    A figure is the mean over the second half of the stage by the method of batch means.

    Args:
        view: The run.
        off_room: Take the measured room off temperatures; see :func:`has_room`.
    """
    found: list[RunFigure] = []
    for run in hot_runs(view):
        found += [
            _of_channel(view, run, channel, off_room=off_room)
            for channel in view.channels
            if channel.role in _LOWER | _HIGHER | _OTHER
        ]
        found += _rates(view, run)
    return tuple(found)


def has_room(view: RunView) -> bool:
    """Return whether the room or inlet air was measured in every hot stage, or once by an instrument."""
    return all(isinstance(_room(view, run), Level) for run in hot_runs(view))


def _late(view: RunView, run: StageRun) -> tuple[F64, np.ndarray[tuple[int], np.dtype[np.bool_]]]:
    middle_ns = (run.span.start_ns + run.span.end_ns) // 2
    late = during(view, run.span) & (view.t_ns > middle_ns)
    return (view.t_ns[late] - run.span.start_ns) / 1e9, late


def _level(view: RunView, run: StageRun, channel: Channel) -> Level | Refusal:
    t_s, late = _late(view, run)
    t_s, keep = np.unique(t_s, return_index=True)
    return batch_level(t_s, view.good(channel.id)[late][keep])


def _of_channel(view: RunView, run: StageRun, channel: Channel, *, off_room: bool) -> RunFigure:
    better: Better = "neither"
    if channel.role not in _OTHER:
        better = "higher" if channel.role in _HIGHER else "lower"
    level = _level(view, run, channel)
    room = _room(view, run) if off_room and channel.quantity == "temperature" else None
    if isinstance(level, Level) and isinstance(room, Level):
        level = above_room(level, room)
    return RunFigure(
        stage=run.span.name,
        name=channel.id,
        label=channel.label,
        unit=UNITS[channel.quantity] if room is None else "K",
        better=better,
        above_room=isinstance(room, Level),
        level=level,
    )


def _room(view: RunView, run: StageRun) -> Level | None:
    """Return the room's temperature during a stage: an ambient sensor, else the operator's instrument."""
    for channel in view.channels:
        if channel.role == "ambient" and channel.quantity == "temperature":
            level = _level(view, run, channel)
            if isinstance(level, Level):
                return level
    given = [event for _, event in view.of(InstrumentReading) if event.unit == "degC"]
    for name in _ROOM_NAMES:
        for event in reversed(given):
            if event.name == name and event.uncertainty is not None:
                return Level(
                    mean=event.value,
                    u=event.uncertainty / math.sqrt(3),
                    df=_CERTAIN_DF,
                    count=1,
                    span_s=0.0,
                    batch_correlation=0.0,
                )
    return None


def _rates(view: RunView, run: StageRun) -> list[RunFigure]:
    """Return the rate of work of each kind of load, all its instances together."""
    kinds: dict[str, list[str]] = {}
    units: dict[str, str] = {}
    for load in loads_in(view, run):
        kinds.setdefault(load.load, []).append(load.load_id)
        units[load.load] = load.unit
    t_s, late = _late(view, run)
    return [
        RunFigure(
            stage=run.span.name,
            name=name,
            label=name,
            unit=f"{units[name]}/s",
            better="higher",
            above_room=False,
            level=_rate_level(view, view.t_ns[late], ids, t_s=t_s),
        )
        for name, ids in kinds.items()
    ]


def _rate_level(
    view: RunView, moments: np.ndarray[tuple[int], np.dtype[np.int64]], ids: list[str], *, t_s: F64
) -> Level | Refusal:
    known = [view.work[load_id] for load_id in ids if load_id in view.work]
    if len(known) < len(ids) or len(moments) < 2:
        return Refusal(slug="too-few-readings", observed=len(known), needed=len(ids))
    totals = np.sum([np.interp(moments, columns.t_ns, columns.amount) for columns in known], axis=0)
    step_s = np.diff(t_s)
    good = step_s > 0
    return batch_level(t_s[1:][good], np.diff(totals)[good] / step_s[good])
