"""The geometry of a chart: everything a template needs to print it, nothing left to compute."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from burnin.records.view import StageSpan
from burnin.report.envelope import path_data, short
from burnin.report.figures import figure, span, unit_sign
from burnin.report.scale import spread, time_label, time_ticks, time_unit, value_ticks
from burnin.report.traces import Trace, TraceGroup
from burnin.report.words import shortened, shown_text

WIDTH: Final = 760
LEFT: Final = 50
RIGHT: Final = 226
TOP: Final = 22
BOTTOM: Final = 26
_LINE_GAP: Final = 13.5
_TICK_GAP: Final = 17
_LONGEST_NAME: Final = 27
_SLICES: Final = 720
_SLICES_WAITING: Final = 150
STYLES: Final = 7


@dataclass(frozen=True, kw_only=True)
class Tick:
    """A tick: where, and what stands beside it."""

    at: float
    label: str


@dataclass(frozen=True, kw_only=True)
class Band:
    """One stage behind the lines, in seconds; ``at`` is where its label stands."""

    number: int
    name: str
    label: str
    start: str
    length: str
    at: float
    shaded: bool


@dataclass(frozen=True, kw_only=True)
class Line:
    """One line; coordinates of ``path`` are seconds and the chart's unit; ``whole`` where it holds every reading."""

    key: str
    label: str
    style: int
    path: str
    whole: bool
    shown: bool
    reach: str


@dataclass(frozen=True, kw_only=True)
class Level:
    """A level drawn across the plot."""

    value: str
    label: str
    kind: str


@dataclass(frozen=True, kw_only=True)
class Name:
    """What stands beside the plot: the name of a line or a level, a piece of its stroke, and where it belongs.

    Attributes:
        look: Class of the stroke.
        label: The name, cut to the room there is.
        belongs_y: Height of the line's end or of the level.
        label_y: Height of the name, moved so that names do not meet.
    """

    look: str
    label: str
    belongs_y: float
    label_y: float


@dataclass(frozen=True, kw_only=True)
class Chart:
    """One chart, ready to print; ``reason`` instead of lines where nothing was measured."""

    key: str
    title: str
    unit: str
    reason: str = ""
    about: str = ""
    height: int = 0
    plot_width: int = WIDTH - LEFT - RIGHT
    plot_height: int = 0
    move: str = ""
    low: str = "0"
    high: str = "0"
    start: str = "0"
    end: str = "0"
    value_ticks: tuple[Tick, ...] = ()
    time_ticks: tuple[Tick, ...] = ()
    bands: tuple[Band, ...] = ()
    lines: tuple[Line, ...] = ()
    levels: tuple[Level, ...] = ()
    names: tuple[Name, ...] = ()
    waiting: int = 0


@dataclass(frozen=True, kw_only=True)
class _Frame:
    """Plot area and its scales: seconds and unit to drawing units."""

    end_s: float
    low: float
    high: float
    height: int

    @property
    def plot_width(self) -> int:
        return WIDTH - LEFT - RIGHT

    @property
    def plot_height(self) -> int:
        return self.height - TOP - BOTTOM

    def x(self, t_s: float) -> float:
        return round(LEFT + self.plot_width * t_s / self.end_s, 1)

    def y(self, value: float) -> float:
        return round(TOP + self.plot_height * (self.high - value) / (self.high - self.low), 1)

    @property
    def move(self) -> str:
        """SVG transform from seconds and unit to drawing units."""
        across = self.plot_width / self.end_s
        up = self.plot_height / (self.high - self.low)
        return f"matrix({across:.9g} 0 0 {-up:.9g} {LEFT} {TOP + up * self.high:.9g})"


def chart(group: TraceGroup, stages: tuple[StageSpan, ...], *, end_s: float, height: int = 190) -> Chart:
    """Return the chart of ``group`` over the stages of a run that lasted ``end_s`` seconds."""
    if group.reason:
        return Chart(key=group.key, title=group.title, unit=unit_sign(group.unit), reason=group.reason)
    named = sum(trace.shown for trace in group.traces) + len(group.marks)
    tallest = max(height, TOP + BOTTOM + round(_LINE_GAP * named))
    ticks = value_ticks(*_reach(group), wanted=max(2, (tallest - TOP - BOTTOM) // _TICK_GAP))
    frame = _Frame(end_s=max(end_s, 1e-3), low=ticks[0], high=ticks[-1], height=tallest)
    lines = _lines(group)
    return Chart(
        key=group.key,
        title=group.title,
        unit=unit_sign(group.unit),
        about=_about(lines, group, frame.end_s),
        height=frame.height,
        plot_height=frame.plot_height,
        move=frame.move,
        low=short(frame.low),
        high=short(frame.high),
        end=short(round(frame.end_s, 3)),
        value_ticks=tuple(Tick(at=frame.y(value), label=_tick_label(value)) for value in ticks),
        time_ticks=_time_ticks(frame),
        bands=stage_bands(stages, frame.x),
        lines=lines,
        levels=tuple(
            Level(value=short(mark.value), label=mark.label, kind=mark.kind) for mark in group.marks
        ),
        names=_names(group, frame),
        waiting=sum(not line.shown for line in lines),
    )


def _time_ticks(frame: _Frame) -> tuple[Tick, ...]:
    """Return the ticks of the time axis, the last one with the unit."""
    times = time_ticks(frame.end_s)
    labels = [time_label(t_s, frame.end_s) for t_s in times]
    labels[-1] += f" {time_unit(frame.end_s)}"
    return tuple(Tick(at=frame.x(t_s), label=label) for t_s, label in zip(times, labels, strict=True))


def _tick_label(value: float) -> str:
    return f"{value:.6g}".replace("-", "\u2212")


def _reach(group: TraceGroup) -> tuple[float, float]:
    lows = [float(np.nanmin(trace.values)) for trace in group.traces] + [mark.value for mark in group.marks]
    highs = [float(np.nanmax(trace.values)) for trace in group.traces] + [mark.value for mark in group.marks]
    low, high = min(lows), max(highs)
    if group.unit != "degC" and low > 0:
        low = 0.0
    if group.unit == "%":
        high = max(high, 100.0)
    return (low, high) if high > low else (low - 1.0, low + 1.0)


def stage_bands(stages: tuple[StageSpan, ...], x: object) -> tuple[Band, ...]:
    """Return the stages as bands; a name that does not fit its band is left to the number."""
    place = x if callable(x) else float
    bands = []
    for number, stage in enumerate(stages, start=1):
        start_s, end_s = stage.start_ns / 1e9, stage.end_ns / 1e9
        left, right = place(start_s), place(end_s)
        name = shortened(stage.name, 60)
        room = int((right - left) / 6.2)
        full = f"{number} {name}"
        bands.append(
            Band(
                number=number,
                name=name,
                label=full if len(full) <= room else str(number) if room >= len(str(number)) else "",
                start=short(round(start_s, 3)),
                length=short(round(max(end_s - start_s, 0.0), 3)),
                at=round((left + right) / 2, 1),
                shaded=number % 2 == 1,
            )
        )
    return tuple(bands)


def _lines(group: TraceGroup) -> tuple[Line, ...]:
    return tuple(
        Line(
            key=shown_text(trace.key),
            label=trace.label,
            style=index % STYLES,
            path=path_data(group.t_s, trace.values, _slices(trace)),
            whole=len(trace.values) <= 2 * _slices(trace),
            shown=trace.shown,
            reach=_trace_reach(trace, group.unit),
        )
        for index, trace in enumerate(group.traces)
    )


def _slices(trace: Trace) -> int:
    return _SLICES if trace.shown else _SLICES_WAITING


def _names(group: TraceGroup, frame: _Frame) -> tuple[Name, ...]:
    """Return the names beside the plot from top to bottom, none on top of another."""
    wanted = [
        (frame.y(_last(trace)), f"line s{index % STYLES}", trace.label)
        for index, trace in enumerate(group.traces)
        if trace.shown
    ]
    wanted += [(frame.y(mark.value), f"level {mark.kind}", mark.label) for mark in group.marks]
    wanted.sort(key=lambda item: item[0])
    places = spread([item[0] for item in wanted], _LINE_GAP, TOP + 2.0, float(TOP + frame.plot_height))
    return tuple(
        Name(look=look, label=shortened(label, _LONGEST_NAME), belongs_y=belongs_y, label_y=round(label_y, 1))
        for (belongs_y, look, label), label_y in zip(wanted, places, strict=True)
    )


def _last(trace: Trace) -> float:
    good = trace.values[~np.isnan(trace.values)]
    return float(good[-1])


def _trace_reach(trace: Trace, unit: str) -> str:
    low, high = float(np.nanmin(trace.values)), float(np.nanmax(trace.values))
    return f"from {figure(low, unit)} to {figure(high, unit)}"


def _about(lines: tuple[Line, ...], group: TraceGroup, end_s: float) -> str:
    parts = [f"{line.label} {line.reach}" for line in lines if line.shown]
    parts += [mark.label for mark in group.marks]
    return f"{group.title} over {span(end_s)}: " + "; ".join(parts) + "."
